//! The life of a starter as its keeper tells it: fed, taken from, rested, split, looked at, proofed, discarded.

use std::{collections::BTreeSet, fmt, str::FromStr};

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{
    Lesson,
    lesson::{BadLesson, bad},
};
use crate::{batch::CultureName, quantity::Mass};

/// What was done to a culture, or seen of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tended {
    /// It was begun, or came into the house.
    Started,
    /// It was fed.
    Fed,
    /// Some of it was taken, for a batch say.
    Taken,
    /// It went to rest in the fridge.
    Chilled,
    /// It came back to the room.
    Warmed,
    /// It was split from another culture.
    SplitFrom,
    /// How it looks and smells.
    Looked,
    /// A small bottle of it was proofed under the gauge.
    Proofed,
    /// It holds allergens.
    Holds,
    /// It does not hold them after all.
    FreeOf,
    /// It was thrown out.
    Discarded,
    /// An entry was wrong and counts no more: that of the same moment whose [`DiaryEntry::mark`] is the text.
    TakenBack,
}

/// A word that is no deed of a diary.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{given}` is nothing that a culture's diary knows; allowed: {}",
    Tended::allowed()
)]
pub struct UnknownTended {
    /// What stood there, cut to 40 characters.
    pub given: String,
}

impl Tended {
    /// All of them.
    pub const ALL: [Self; 12] = [
        Self::Started,
        Self::Fed,
        Self::Taken,
        Self::Chilled,
        Self::Warmed,
        Self::SplitFrom,
        Self::Looked,
        Self::Proofed,
        Self::Holds,
        Self::FreeOf,
        Self::Discarded,
        Self::TakenBack,
    ];

    /// Its name in files and commands.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Started => "started",
            Self::Fed => "fed",
            Self::Taken => "taken",
            Self::Chilled => "chilled",
            Self::Warmed => "warmed",
            Self::SplitFrom => "split_from",
            Self::Looked => "looked",
            Self::Proofed => "proofed",
            Self::Holds => "holds",
            Self::FreeOf => "free_of",
            Self::Discarded => "discarded",
            Self::TakenBack => "taken_back",
        }
    }

    fn allowed() -> String {
        Self::ALL.map(Self::name).join(", ")
    }
}

impl fmt::Display for Tended {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

impl FromStr for Tended {
    type Err = UnknownTended;

    fn from_str(text: &str) -> Result<Self, UnknownTended> {
        let deed = Self::ALL.into_iter().find(|deed| deed.name() == text);
        deed.ok_or_else(|| UnknownTended {
            given: crate::plain::line(text, 40),
        })
    }
}

/// One entry of the diary.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "Written", into = "Written")]
pub struct DiaryEntry {
    /// Whose.
    pub culture: CultureName,
    /// When it happened.
    pub at: Timestamp,
    /// What happened.
    pub deed: Tended,
    /// How much was fed or taken.
    pub mass: Option<Mass>,
    /// From which culture it was split.
    pub parent: Option<CultureName>,
    /// Allergens that it came to hold with this, or does not hold.
    pub allergens: Vec<String>,
    /// In the keeper's own words.
    pub text: Option<String>,
    /// What a proof taught.
    pub lesson: Option<Lesson>,
}

/// As it stands in a file.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    record: String,
    culture: CultureName,
    time: Timestamp,
    deed: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    grams: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    parent: Option<CultureName>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    allergens: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    text: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    lesson: Option<Lesson>,
}

/// The record's name.
pub const DIARY: &str = "diary";
/// Most allergens of an entry, and characters of each; and characters of a text.
const MOST_ALLERGENS: usize = 30;
const LONGEST_ALLERGEN: usize = 80;
const LONGEST_TEXT: usize = 2_000;

impl TryFrom<Written> for DiaryEntry {
    type Error = BadLesson;

    fn try_from(written: Written) -> Result<Self, BadLesson> {
        if written.record != DIARY {
            return bad("record", format!("`{}`", written.record), format!("`{DIARY}`"));
        }
        let Ok(deed) = written.deed.parse::<Tended>() else {
            return bad("deed", format!("`{}`", written.deed), Tended::allowed());
        };
        let mass = match (written.grams, deed) {
            (None, _) => None,
            (Some(grams), Tended::Fed | Tended::Taken) if grams > 0.0 && grams <= 1.0e6 => {
                Mass::from_grams(grams).ok()
            }
            (Some(grams), Tended::Fed | Tended::Taken) => {
                return bad("grams", grams, "above 0 to 1000000");
            }
            (Some(grams), _) => return bad("grams", grams, "only with `fed` and `taken`"),
        };
        match (&written.parent, deed) {
            (None, Tended::SplitFrom) => {
                return bad("parent", "missing", "the culture that it was split from");
            }
            (Some(parent), Tended::SplitFrom) if *parent == written.culture => {
                return bad("parent", format!("`{parent}`"), "another culture");
            }
            (Some(parent), deed) if deed != Tended::SplitFrom => {
                return bad("parent", format!("`{parent}`"), "only with `split_from`");
            }
            _ => {}
        }
        allergens(&written.allergens, deed)?;
        if let Some(text) = &written.text {
            let plain = |c: char| !c.is_control() || c == '\n' || c == '\t';
            if text.chars().count() > LONGEST_TEXT || !text.chars().all(plain) {
                return bad("text", text, "up to 2000 characters without control characters");
            }
        }
        if written.lesson.is_some() != (deed == Tended::Proofed) {
            let given = if deed == Tended::Proofed {
                "missing"
            } else {
                "there"
            };
            return bad(
                "lesson",
                given,
                "with `proofed`, and only there: what the proof taught",
            );
        }
        if let Some(lesson) = written
            .lesson
            .as_ref()
            .filter(|lesson| lesson.culture != written.culture)
        {
            return bad(
                "lesson.culture",
                format!("`{}`", lesson.culture),
                format!("`{}`", written.culture),
            );
        }
        Ok(Self {
            culture: written.culture,
            at: written.time,
            deed,
            mass,
            parent: written.parent,
            allergens: written.allergens,
            text: written.text.filter(|text| !text.trim().is_empty()),
            lesson: written.lesson,
        })
    }
}

fn allergens(given: &[String], deed: Tended) -> Result<(), BadLesson> {
    let takes = matches!(
        deed,
        Tended::Started | Tended::Fed | Tended::SplitFrom | Tended::Holds | Tended::FreeOf
    );
    if !takes && !given.is_empty() {
        return bad(
            "allergens",
            given.join(", "),
            "only with `started`, `fed`, `split_from`, `holds` and `free_of`",
        );
    }
    if given.is_empty() && matches!(deed, Tended::Holds | Tended::FreeOf) {
        return bad("allergens", "missing", "which they are, as `barley`");
    }
    let fits = |text: &String| {
        let long = text.trim().chars().count();
        (1..=LONGEST_ALLERGEN).contains(&long) && !text.chars().any(char::is_control)
    };
    if given.len() > MOST_ALLERGENS || !given.iter().all(fits) {
        return bad(
            "allergens",
            given.join(", "),
            "up to 30 texts of 1 to 80 characters",
        );
    }
    Ok(())
}

impl From<DiaryEntry> for Written {
    fn from(entry: DiaryEntry) -> Self {
        Self {
            record: DIARY.to_owned(),
            culture: entry.culture,
            time: entry.at,
            deed: entry.deed.name().to_owned(),
            grams: entry.mass.map(Mass::grams),
            parent: entry.parent,
            allergens: entry.allergens,
            text: entry.text,
            lesson: entry.lesson,
        }
    }
}

/// Words for what no starter should look or smell like.
const SPOILT: [&str; 9] = [
    "mould", "mold", "mouldy", "moldy", "pink", "orange", "rotten", "fuzzy", "putrid",
];

impl DiaryEntry {
    /// What it says in one line: names it, with its moment, in an entry that takes it back.
    #[must_use]
    pub fn mark(&self) -> String {
        let mut said = self.deed.name().to_owned();
        if let Some(mass) = self.mass {
            said.push_str(&format!(" {} g", mass.grams()));
        }
        let parent = self.parent.as_ref().map(CultureName::as_str);
        let words = self.allergens.iter().map(String::as_str).chain(parent);
        for word in words.chain(self.text.as_deref()) {
            said.push(' ');
            said.push_str(word.trim());
        }
        crate::plain::line(&said, 200).trim().to_owned()
    }

    /// The entry that takes this one back.
    #[must_use]
    pub fn taken_back(&self) -> Self {
        Self {
            culture: self.culture.clone(),
            at: self.at,
            deed: Tended::TakenBack,
            mass: None,
            parent: None,
            allergens: Vec::new(),
            text: Some(self.mark()),
            lesson: None,
        }
    }

    /// It tells of mould, of pink or orange growth or of a rotten smell: the starter belongs in the bin.
    #[must_use]
    pub fn looks_spoilt(&self) -> bool {
        let lower = self.text.as_deref().unwrap_or_default().to_lowercase();
        let mut words = lower.split(|c: char| !c.is_alphabetic());
        self.deed == Tended::Looked && words.any(|word| SPOILT.contains(&word))
    }
}

/// The diary of all cultures, in order of time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Diary(Vec<DiaryEntry>);

/// How a culture stands.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct CultureState {
    /// Which.
    pub culture: CultureName,
    /// Since when its diary is kept.
    pub since: Timestamp,
    /// From which culture it was split last.
    pub parent: Option<CultureName>,
    /// When it was fed last.
    pub fed_at: Option<Timestamp>,
    /// How much it got then, g.
    pub fed_grams: Option<f64>,
    /// It rests in the fridge since then.
    pub chilled_since: Option<Timestamp>,
    /// When it was looked at last, and what was seen.
    pub looked: Option<(Timestamp, String)>,
    /// What was seen last is what no starter should look like.
    pub looks_spoilt: bool,
    /// It was thrown out then.
    pub discarded_at: Option<Timestamp>,
    /// How often it was proofed.
    pub proofs: usize,
    /// Its allergens, those of the cultures that it was split from included.
    pub allergens: Vec<String>,
}

impl Diary {
    /// Of these entries, without those that were taken back; their order does not matter, save among those of one moment.
    #[must_use]
    pub fn new(mut entries: Vec<DiaryEntry>) -> Self {
        let back: BTreeSet<(CultureName, Timestamp, Option<String>)> = entries
            .iter()
            .filter(|entry| entry.deed == Tended::TakenBack)
            .map(|entry| (entry.culture.clone(), entry.at, entry.text.clone()))
            .collect();
        entries.retain(|entry| {
            entry.deed != Tended::TakenBack
                && (back.is_empty() || !back.contains(&(entry.culture.clone(), entry.at, Some(entry.mark()))))
        });
        entries.sort_by_key(|entry| entry.at);
        Self(entries)
    }

    /// All entries, in order of time.
    #[must_use]
    pub fn entries(&self) -> &[DiaryEntry] {
        &self.0
    }

    /// Those of one culture.
    pub fn of<'d>(&'d self, culture: &'d CultureName) -> impl DoubleEndedIterator<Item = &'d DiaryEntry> {
        self.0.iter().filter(move |entry| entry.culture == *culture)
    }

    /// The cultures in it, by name.
    #[must_use]
    pub fn cultures(&self) -> Vec<&CultureName> {
        let names: BTreeSet<&CultureName> = self.0.iter().map(|entry| &entry.culture).collect();
        names.into_iter().collect()
    }

    /// How a culture stood at `at`; `None`: nothing is known of it by then.
    #[must_use]
    pub fn state(&self, culture: &CultureName, at: Timestamp) -> Option<CultureState> {
        let own: Vec<&DiaryEntry> = self.of(culture).take_while(|entry| entry.at <= at).collect();
        let last = |deeds: &[Tended]| own.iter().rev().find(|entry| deeds.contains(&entry.deed));
        let fed = last(&[Tended::Fed]);
        let rest = last(&[Tended::Chilled, Tended::Warmed]).filter(|entry| entry.deed == Tended::Chilled);
        let looked = last(&[Tended::Looked]);
        let gone = last(&[Tended::Discarded, Tended::Started, Tended::SplitFrom])
            .filter(|entry| entry.deed == Tended::Discarded);
        Some(CultureState {
            culture: culture.clone(),
            since: own.first()?.at,
            parent: last(&[Tended::SplitFrom]).and_then(|entry| entry.parent.clone()),
            fed_at: fed.map(|entry| entry.at),
            fed_grams: fed.and_then(|entry| entry.mass).map(Mass::grams),
            chilled_since: rest.map(|entry| entry.at),
            looked: looked.map(|entry| (entry.at, entry.text.clone().unwrap_or_default())),
            looks_spoilt: looked.is_some_and(|entry| entry.looks_spoilt()),
            discarded_at: gone.map(|entry| entry.at),
            proofs: own.iter().filter(|entry| entry.deed == Tended::Proofed).count(),
            allergens: self.allergens(culture, at),
        })
    }

    /// When it was fed last before `at`.
    #[must_use]
    pub fn fed_before(&self, culture: &CultureName, at: Timestamp) -> Option<Timestamp> {
        let fed = self
            .of(culture)
            .filter(|entry| entry.deed == Tended::Fed && entry.at <= at);
        fed.map(|entry| entry.at).next_back()
    }

    /// Its allergens by `at`, each once: its own, and those that its parents held when it was split from them. What it was found to
    /// hold later it held before, too, unless it was begun anew since.
    #[must_use]
    pub fn allergens(&self, culture: &CultureName, at: Timestamp) -> Vec<String> {
        let until = |culture, at| {
            let later = self.of(culture).skip_while(move |entry| entry.at <= at);
            let found = later
                .take_while(|entry| !matches!(entry.deed, Tended::Started | Tended::SplitFrom))
                .filter(|entry| entry.deed == Tended::Holds);
            let by_then = self.of(culture).take_while(move |entry| entry.at <= at);
            by_then.chain(found)
        };
        let same = |known: &String, other: &String| known.trim().eq_ignore_ascii_case(other.trim());
        let mut found: Vec<String> = Vec::new();
        let mut seen = BTreeSet::from([culture]);
        // Cultures that are gone through, each with the entry that waits until its parent is; a list of our own, since nobody
        // bounds how often a culture was split.
        let mut open = vec![(until(culture, at), None::<&DiaryEntry>)];
        while let Some((entries, waits)) = open.last_mut() {
            let (entry, is_new) = match waits.take() {
                Some(entry) => (entry, false),
                None => match entries.next() {
                    Some(entry) => (entry, true),
                    None => {
                        open.pop();
                        continue;
                    }
                },
            };
            if is_new
                && let Some(parent) = &entry.parent
                && seen.insert(parent)
            {
                *waits = Some(entry);
                open.push((until(parent, entry.at), None));
                continue;
            }
            for allergen in &entry.allergens {
                if entry.deed == Tended::FreeOf {
                    found.retain(|known| !same(known, allergen));
                } else if !found.iter().any(|known| same(known, allergen)) {
                    found.push(allergen.trim().to_owned());
                }
            }
        }
        found
    }

    /// What its proofs before `before` taught, and those of the culture that it was split from, up to the split; as lessons of this
    /// culture, oldest first.
    #[must_use]
    pub fn lessons(&self, culture: &CultureName, before: Timestamp) -> Vec<Lesson> {
        let mut found = Vec::new();
        let (mut of, mut until) = (culture.clone(), before);
        let mut seen = BTreeSet::new();
        while seen.insert(of.clone()) {
            let own: Vec<&DiaryEntry> = self.of(&of).take_while(|entry| entry.at < until).collect();
            // A culture that was begun anew under an old name is another one.
            let begun = own
                .iter()
                .rposition(|entry| matches!(entry.deed, Tended::Started | Tended::SplitFrom));
            let proofs = own
                .iter()
                .skip(begun.unwrap_or(0))
                .filter_map(|entry| entry.lesson.as_ref());
            found.extend(proofs.map(|lesson| Lesson {
                culture: culture.clone(),
                ..lesson.clone()
            }));
            let split = begun.and_then(|place| own.get(place));
            match split.and_then(|entry| Some((entry.parent.clone()?, entry.at))) {
                Some((parent, at)) => (of, until) = (parent, at),
                None => break,
            }
        }
        found.retain(|lesson| lesson.bottled_at < before);
        found.sort_by_key(|lesson| lesson.bottled_at);
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(name: &str) -> CultureName {
        CultureName::new(name).unwrap()
    }

    fn read(lines: &str) -> Diary {
        Diary::new(
            lines
                .lines()
                .map(|line| serde_json::from_str(line).unwrap())
                .collect(),
        )
    }

    const LIFE: &str = r#"{"record":"diary","culture":"jar one","time":"2026-02-01T08:00:00Z","deed":"started","allergens":["barley"]}
{"record":"diary","culture":"jar one","time":"2026-02-10T08:00:00Z","deed":"fed","grams":20,"text":"ginger and sugar"}
{"record":"diary","culture":"jar two","time":"2026-02-12T08:00:00Z","deed":"split_from","parent":"jar one"}
{"record":"diary","culture":"jar one","time":"2026-02-13T08:00:00Z","deed":"fed","allergens":["milk"]}
{"record":"diary","culture":"jar two","time":"2026-02-14T08:00:00Z","deed":"fed","grams":15.5,"allergens":["rye"]}
{"record":"diary","culture":"jar two","time":"2026-02-15T08:00:00Z","deed":"chilled"}
{"record":"diary","culture":"jar two","time":"2026-02-16T08:00:00Z","deed":"looked","text":"lively, smells of bread"}"#;

    #[test]
    fn a_culture_stands_as_its_diary_says() {
        let diary = read(LIFE);
        let at: Timestamp = "2026-03-01T00:00:00Z".parse().unwrap();
        let state = diary.state(&name("jar two"), at).unwrap();
        assert_eq!(state.parent, Some(name("jar one")));
        assert_eq!(state.fed_at.unwrap().to_string(), "2026-02-14T08:00:00Z");
        assert!((state.fed_grams.unwrap() - 15.5).abs() < 1e-9);
        assert!(state.chilled_since.is_some() && state.discarded_at.is_none() && !state.looks_spoilt);
        // Milk came into jar one after the split.
        assert_eq!(state.allergens, ["barley", "rye"]);
        assert_eq!(diary.allergens(&name("jar one"), at), ["barley", "milk"]);
        let early = "2026-01-01T00:00:00Z".parse().unwrap();
        assert_eq!(diary.state(&name("jar two"), early), None);
        assert_eq!(diary.cultures(), [&name("jar one"), &name("jar two")]);
    }

    #[test]
    fn an_entry_that_was_taken_back_counts_no_more_and_the_right_one_does() {
        let diary = read(LIFE);
        let two = name("jar two");
        let feed = diary.of(&two).find(|entry| entry.deed == Tended::Fed).unwrap();
        let back = serde_json::to_string(&feed.taken_back()).unwrap();
        let right =
            r#"{"record":"diary","culture":"jar two","time":"2026-02-14T08:00:00Z","deed":"fed","grams":15}"#;
        let mended = read(&format!("{LIFE}\n{back}\n{right}"));
        let at = "2026-03-01T00:00:00Z".parse().unwrap();
        let state = mended.state(&name("jar two"), at).unwrap();
        assert!((state.fed_grams.unwrap() - 15.0).abs() < 1e-9);
        assert_eq!(state.allergens, ["barley"]);
        assert_eq!(mended.entries().len(), diary.entries().len());
        // Another culture's entry of the same moment stays.
        let of_one = r#"{"record":"diary","culture":"jar one","time":"2026-02-14T08:00:00Z","deed":"fed","grams":15.5,"allergens":["rye"]}"#;
        let other = read(&format!("{LIFE}\n{of_one}\n{back}"));
        assert!(other.allergens(&name("jar one"), at).contains(&"rye".to_owned()));
    }

    #[test]
    fn what_a_culture_is_found_to_hold_it_held_before() {
        let more = r#"
{"record":"diary","culture":"jar one","time":"2026-02-20T08:00:00Z","deed":"holds","allergens":["sesame"]}
{"record":"diary","culture":"jar two","time":"2026-02-21T08:00:00Z","deed":"holds","allergens":["celery"]}
{"record":"diary","culture":"jar two","time":"2026-02-22T08:00:00Z","deed":"started"}
{"record":"diary","culture":"jar two","time":"2026-02-23T08:00:00Z","deed":"holds","allergens":["lupin"]}"#;
        let diary = read(&format!("{LIFE}{more}"));
        // A batch of the 16th was labelled before anybody knew; that of the jar that was begun anew is another one's.
        let bottled = "2026-02-16T00:00:00Z".parse().unwrap();
        let told = diary.allergens(&name("jar two"), bottled);
        for held in ["sesame", "celery"] {
            assert!(told.contains(&held.to_owned()), "{told:?}");
        }
        assert!(
            !told.contains(&"lupin".to_owned()) && !told.contains(&"milk".to_owned()),
            "{told:?}"
        );
    }

    #[test]
    fn a_culture_that_was_split_a_thousand_times_still_tells_its_allergens() {
        let mut lines = vec![
            r#"{"record":"diary","culture":"jar 0","time":"2026-02-01T08:00:00Z","deed":"started","allergens":["barley"]}"#
                .to_owned(),
        ];
        lines.extend((1..2_000).map(|jar| {
            format!(
                r#"{{"record":"diary","culture":"jar {jar}","time":"2026-02-02T08:00:00Z","deed":"split_from","parent":"jar {}"}}"#,
                jar - 1
            )
        }));
        let diary = read(&lines.join("\n"));
        // As deep as that no stack would go.
        let small = std::thread::Builder::new().stack_size(64 * 1024);
        let told = small.spawn(move || diary.allergens(&name("jar 1999"), Timestamp::MAX));
        assert_eq!(told.unwrap().join().unwrap(), ["barley"]);
    }

    #[test]
    fn allergens_are_taken_back_only_by_name_and_circles_end() {
        let more = r#"
{"record":"diary","culture":"jar two","time":"2026-02-17T08:00:00Z","deed":"free_of","allergens":["Barley"]}
{"record":"diary","culture":"jar one","time":"2026-02-18T08:00:00Z","deed":"split_from","parent":"jar two"}"#;
        let diary = read(&format!("{LIFE}{more}"));
        let at = "2026-03-01T00:00:00Z".parse().unwrap();
        assert_eq!(diary.allergens(&name("jar two"), at), ["rye"]);
        assert!(diary.allergens(&name("jar one"), at).contains(&"rye".to_owned()));
    }

    #[test]
    fn an_entry_reads_back_as_it_was_written() {
        for line in LIFE.lines() {
            let entry: DiaryEntry = serde_json::from_str(line).unwrap();
            let again: DiaryEntry = serde_json::from_str(&serde_json::to_string(&entry).unwrap()).unwrap();
            assert_eq!(again, entry);
        }
    }

    #[test]
    fn what_cannot_be_is_refused_with_what_is_allowed() {
        let told = |more: &str| {
            let line =
                format!(r#"{{"record":"diary","culture":"jar one","time":"2026-02-01T08:00:00Z",{more}}}"#);
            serde_json::from_str::<DiaryEntry>(&line).unwrap_err().to_string()
        };
        for (more, said) in [
            (r#""deed":"sung_to""#, "allowed: started, fed, taken"),
            (r#""deed":"fed","grams":-3"#, "`grams` is -3; allowed: above 0"),
            (r#""deed":"looked","grams":3"#, "only with `fed` and `taken`"),
            (r#""deed":"split_from""#, "`parent` is missing"),
            (r#""deed":"split_from","parent":"jar one""#, "another culture"),
            (r#""deed":"holds""#, "`allergens` is missing"),
            (r#""deed":"proofed""#, "`lesson` is missing"),
            (r#""deed":"fed","gramms":3"#, "unknown field `gramms`"),
        ] {
            assert!(told(more).contains(said), "{more}: {}", told(more));
        }
    }

    #[test]
    fn mould_is_told_from_a_good_look() {
        let looked = |text: &str| {
            let line = format!(
                r#"{{"record":"diary","culture":"jar one","time":"2026-02-01T08:00:00Z","deed":"looked","text":"{text}"}}"#
            );
            serde_json::from_str::<DiaryEntry>(&line).unwrap().looks_spoilt()
        };
        assert!(looked("a spot of pink mould") && looked("smells ROTTEN"));
        assert!(!looked("foams well, smells of apples"));
    }
}
