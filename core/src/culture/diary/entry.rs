//! One entry of a diary, as it stands in a file and what it says.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::Tended;
use crate::{
    batch::CultureName,
    culture::{
        Lesson,
        lesson::{BadLesson, bad},
    },
    quantity::Mass,
};

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

#[cfg(test)]
mod tests {
    use super::*;

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
