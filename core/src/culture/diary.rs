//! The life of a starter as its keeper tells it: fed, taken from, rested, split, looked at, proofed, discarded.

mod entry;
mod tended;

use std::collections::BTreeSet;

use jiff::Timestamp;
use serde::Serialize;

use super::Lesson;
use crate::{batch::CultureName, quantity::Mass};

pub use entry::{DIARY, DiaryEntry};
pub use tended::{Tended, UnknownTended};

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
}
