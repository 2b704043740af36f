//! `[[alerts.away]]`: when nobody is at home.

use fobwatch_core::{
    batch::BatchName,
    document::Section,
    engine::{Away, Rules},
};
use jiff::{SignedDuration, civil::DateTime};

const MOMENT: &str = "a date and time of day by your own clock, as \"2026-03-06T18:00\"";
/// Who is away for longer does not watch a batch.
const LONGEST: SignedDuration = SignedDuration::from_hours(24 * 92);

/// The times away; those of `base` where none stands here.
pub(super) fn read(alerts: &mut Section<'_, '_>, base: Option<&Rules>) -> Vec<Away> {
    if !alerts.has("away") {
        return base.map(|base| base.away.clone()).unwrap_or_default();
    }
    alerts.sections("away", |section, _| {
        section.require("from", MOMENT);
        section.require("to", MOMENT);
        let from = section.text("from", MOMENT, moment);
        let to = section.text("to", MOMENT, moment);
        let batch = section.text("batch", "the name of a batch", |name| BatchName::new(name).ok());
        let (from, to) = (from?, to?);
        if to <= from || to.duration_since(from) > LONGEST {
            section.refuse_entry("to", "after `from`, and no more than 92 days");
            return None;
        }
        Some(Away { from, to, batch })
    })
}

/// A time with an offset or a zone is refused: it would be taken for the user's own clock.
fn moment(text: &str) -> Option<DateTime> {
    let plain = text.contains(['T', ' ']) && !text.ends_with(['Z', 'z']);
    let civil: DateTime = text.parse().ok()?;
    let offset = text.contains('+') || text.matches('-').count() > 2 || text.contains('[');
    (plain && !offset).then_some(civil)
}

#[cfg(test)]
mod tests {
    use crate::config::Config;

    fn read(text: &str) -> Result<Config, String> {
        Config::from_toml(text, "own.toml").map_err(|why| why.to_string())
    }

    #[test]
    fn a_weekend_is_read_as_it_was_written() {
        let text = "[[alerts.away]]\nfrom = \"2026-03-06T18:00\"\nto = \"2026-03-08T20:00\"\n\
                    [[alerts.away]]\nfrom = \"2026-04-01T07:30\"\nto = \"2026-04-02T22:00\"\nbatch = \"plum 1\"\n";
        let away = read(text).unwrap().rules.away;
        assert_eq!(away.len(), 2);
        assert_eq!(away[0].from, jiff::civil::date(2026, 3, 6).at(18, 0, 0, 0));
        assert_eq!(away[0].batch, None);
        assert_eq!(away[1].batch.as_ref().unwrap().as_str(), "plum 1");
        assert!(read("").unwrap().rules.away.is_empty());
    }

    #[test]
    fn each_mistake_is_told_at_its_place() {
        for (from, to, told) in [
            ("2026-03-06T18:00", "2026-03-06T18:00", "after `from`"),
            ("2026-03-06T18:00", "2026-03-05T18:00", "after `from`"),
            ("2026-03-06T18:00", "2027-03-05T18:00", "92 days"),
            ("2026-03-06T18:00", "2026-03-08", "by your own clock"),
            ("2026-03-06T18:00", "2026-03-08T20:00Z", "by your own clock"),
            ("2026-03-06T18:00", "2026-03-08T20:00+01:00", "by your own clock"),
            ("2026-03-06T18:00", "2026-03-08T20:00-01:00", "by your own clock"),
            ("2026-03-06T18:00", "2026-03-08T25:00", "by your own clock"),
        ] {
            let why = read(&format!("[[alerts.away]]\nfrom = \"{from}\"\nto = \"{to}\"\n")).unwrap_err();
            assert!(
                why.contains("alerts.away[0].to") && why.contains(told),
                "{to}: {why}"
            );
        }
        let why = read("[[alerts.away]]\nfrom = \"soon\"\nuntil = \"later\"\n").unwrap_err();
        for told in ["alerts.away[0].from", "alerts.away[0].to", "until"] {
            assert!(why.contains(told), "{told}: {why}");
        }
    }
}
