//! A batch's entries, corrected: what may be changed, what differs, and how the old ones are kept.
//!
//! The stored text of a batch is its entries as they hold, and behind them, as comments, those that were corrected, the newest first. So they go wherever
//! the text goes: into an export, to another daemon of the site, into a backup.

mod differs;
mod written;

use fobwatch_core::{
    batch::Batch,
    document::{BadDocument, Problem},
    note::{Note, NoteKind},
};
use jiff::{Timestamp, tz::TimeZone};
use serde_json::{Map, Value};

use crate::{basic_string::quoted, claim, wording::local};

pub(crate) use differs::{Change, entries_of};
pub(crate) use written::{earlier, entries, held, with};

/// Longer than any batch file; what a batch file may have over HTTP.
const MOST: usize = 60 * 1024;

/// Characters that a note may have.
const MOST_IN_A_NOTE: usize = 2_000;

/// What is to be stored.
#[derive(Clone, Debug)]
pub(crate) struct Corrected {
    /// The stored text that it was before.
    pub(crate) before: String,
    /// As it holds from now on, and did since it was sealed.
    pub(crate) batch: Batch,
    /// Its text, with the entries that held until now behind it.
    pub(crate) text: String,
    /// What differs; empty: nothing, and nothing is to be stored.
    pub(crate) changes: Vec<Change>,
    /// What its user should think about.
    pub(crate) warnings: Vec<String>,
    /// Who did it, when, and what.
    pub(crate) note: Note,
}

/// Why it is not taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub(crate) enum NotCorrected {
    /// The entries are no batch.
    #[error("{}", in_words(.0))]
    Refused(Vec<Problem>),
    /// What is watched was sealed.
    #[error("`bottled_at` is {at}; allowed: up to now, {now}: what is watched was sealed")]
    NotSealed {
        /// As it was given.
        at: Timestamp,
        /// What the clock shows.
        now: Timestamp,
    },
    /// They are, but not of this one, or not beside the others.
    #[error("{0}")]
    Otherwise(String),
}

impl NotCorrected {
    /// The same by the own clock.
    pub(crate) fn told(&self, zone: &TimeZone) -> String {
        match self {
            Self::NotSealed { at, now } => format!(
                "`bottled_at` is {}; allowed: up to now, {}: what is watched was sealed",
                local(*at, zone),
                local(*now, zone)
            ),
            Self::Refused(_) | Self::Otherwise(_) => self.to_string(),
        }
    }
}

fn in_words(problems: &[Problem]) -> String {
    let told: Vec<String> = problems.iter().map(ToString::to_string).collect();
    told.join("\n")
}

impl From<BadDocument> for NotCorrected {
    fn from(bad: BadDocument) -> Self {
        Self::Refused(bad.problems)
    }
}

/// What becomes of the batch whose stored text is `stored` once its entries are those of `given`, by the word of `who`.
///
/// # Errors
/// They are no batch, that of another name, sealed in the future, or with a gauge that sits on another one.
pub(crate) fn corrected<'b>(
    stored: &str,
    given: &str,
    who: &str,
    now: Timestamp,
    others: impl IntoIterator<Item = &'b Batch> + Clone,
) -> Result<Corrected, NotCorrected> {
    let (before, _) = Batch::from_toml(stored, "the stored batch")?;
    let given = entries(given);
    let (batch, warnings) = Batch::from_toml(given, "the batch file")?;
    if batch.name != before.name {
        return Err(NotCorrected::Otherwise(format!(
            "`name` is {}; allowed: {}, since a batch keeps its name. Another one is begun with `fobwatch batch add`",
            batch.name, before.name
        )));
    }
    if batch.bottled_at > now.max(before.bottled_at) {
        return Err(NotCorrected::NotSealed {
            at: batch.bottled_at,
            now,
        });
    }
    claim::free(&batch, others.clone()).map_err(|claimed| NotCorrected::Otherwise(claimed.to_string()))?;
    let changes = differs::between(stored, given);
    let text = written::corrected(stored, given, who, now);
    if text.len() > MOST {
        return Err(NotCorrected::Otherwise(format!(
            "the entries with those that held before are {} bytes long; allowed: up to {MOST}. End the batch and begin it again with the right \
             figures and the same hour of sealing",
            text.len()
        )));
    }
    // What is stored is read again at the next start: it must say the same then.
    if Batch::from_toml(&text, "the stored batch")
        .ok()
        .map(|(read, _)| read)
        .as_ref()
        != Some(&batch)
    {
        return Err(NotCorrected::Otherwise(
            "the entries that held before cannot be kept behind these; allowed: a batch file without texts of several lines".to_owned(),
        ));
    }
    let mut told: Vec<String> = limit_moves(&before, &batch).into_iter().collect();
    told.extend(warnings.iter().map(ToString::to_string));
    told.extend(claim::borrowed(&batch, others));
    Ok(Corrected {
        note: Note {
            at: now.max(batch.bottled_at),
            kind: NoteKind::Corrected,
            bottles: None,
            value: None,
            unit: None,
            text: Some(in_a_note(who, &changes)),
            takes_back: None,
        },
        before: stored.to_owned(),
        batch,
        text,
        changes,
        warnings: told,
    })
}

/// The stored text with single entries changed, as JSON has them: a number, a text, true, false; null leaves one out.
///
/// # Errors
/// What cannot be put there.
pub(crate) fn with_json(stored: &str, some: &Map<String, Value>) -> Result<String, String> {
    let mut changes = Vec::new();
    for (key, value) in some {
        let literal = match value {
            Value::Null => None,
            Value::String(text) => Some(quoted(text)),
            // JSON's way to write figures is one of TOML's.
            Value::Number(_) | Value::Bool(_) => Some(value.to_string()),
            Value::Array(_) | Value::Object(_) => {
                return Err(format!(
                    "`{}` holds a list or an object; allowed: a number, a text, true, false or null, or the whole file",
                    fobwatch_core::plain::line(key, 80)
                ));
            }
        };
        changes.push((key.as_str(), literal));
    }
    let changes: Vec<(&str, Option<&str>)> = changes
        .iter()
        .map(|(key, value)| (*key, value.as_deref()))
        .collect();
    with(stored, &changes).ok_or_else(|| NOT_ONE_BY_ONE.to_owned())
}

/// Where entries cannot be put into the text line by line.
pub(crate) const NOT_ONE_BY_ONE: &str = "these entries cannot be put into the batch's file one by one; allowed: keys such as bottle.fill_ml, or the whole file";

/// Said loudly, whichever way it goes.
fn limit_moves(before: &Batch, after: &Batch) -> Option<String> {
    let [was, is] = [before, after].map(|batch| batch.bottle.pressure_limit.bar());
    let after = match is.total_cmp(&was) {
        std::cmp::Ordering::Equal => return None,
        std::cmp::Ordering::Greater => {
            "Alerts of pressure come later from now on. It is the figure of the bottles' maker, never a wish: look at the bottle again before you \
             rely on it."
        }
        std::cmp::Ordering::Less => {
            "Alerts of pressure come earlier from now on, and the bottles may be nearer to their limit than you thought: look at the page before \
             anybody goes to them."
        }
    };
    Some(format!(
        "YOUR PRESSURE LIMIT GOES FROM {was} BAR TO {is} BAR. {after}"
    ))
}

/// "Ada corrected: bottle.fill_ml was 475, is 470; ..."
fn in_a_note(who: &str, changes: &[Change]) -> String {
    let mut text = format!("{} corrected: ", fobwatch_core::plain::line(who, 80));
    for (place, change) in changes.iter().enumerate() {
        let told = fobwatch_core::plain::line(&change.to_string(), 300);
        if text.chars().count() + told.chars().count() + 80 > MOST_IN_A_NOTE {
            text.push_str(&format!(
                "and {} more, all in the batch file",
                changes.len() - place
            ));
            return text;
        }
        let end = if place + 1 < changes.len() { "; " } else { "" };
        text.push_str(&told);
        text.push_str(end);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::{written::same_entries, *};
    use crate::watch::tests::batch_text;

    fn now() -> Timestamp {
        "2026-03-05T10:00:00Z".parse().unwrap()
    }

    fn correct(stored: &str, given: &str) -> Result<Corrected, NotCorrected> {
        corrected(stored, given, "Ada", now(), [])
    }

    #[test]
    fn what_differs_is_told_and_the_old_entries_are_kept_to_the_letter() {
        let first = batch_text("plum 1");
        let second = with(
            &first,
            &[
                ("bottle.fill_ml", Some("470")),
                ("drink.hexose_g_per_l", Some("12.5")),
            ],
        )
        .unwrap();
        let once = correct(&first, &second).unwrap();
        let told: Vec<String> = once.changes.iter().map(ToString::to_string).collect();
        assert_eq!(told.len(), 2, "{told:?}");
        assert!(
            told[0].starts_with("bottle.fill_ml was ") && told[0].ends_with(", is 470"),
            "{told:?}"
        );
        let note = once.note.text.clone().unwrap();
        assert!(note.starts_with("Ada corrected: bottle.fill_ml was"), "{note}");
        assert_eq!(earlier(&once.text), std::slice::from_ref(&first));
        assert!(same_entries(&once.text, &second));

        // Whoever exports it, mends a figure and hands it in again need not care for the comments.
        let third = with(&once.text, &[("bottle.count", Some("9"))]).unwrap();
        let twice = correct(&once.text, &third).unwrap();
        assert_eq!(twice.changes.len(), 1);
        assert_eq!(earlier(&twice.text).len(), 2);
        assert_eq!(earlier(&twice.text)[1], first);
        let read = Batch::from_toml(&twice.text, "test").unwrap().0;
        assert_eq!(read.bottle.count, 9);

        assert!(correct(&twice.text, &third).unwrap().changes.is_empty());
    }

    #[test]
    fn name_and_future_are_refused_and_a_limit_is_told_loudly() {
        let first = batch_text("plum 1");
        let refused = |given: &str| correct(&first, given).unwrap_err().to_string();
        assert!(refused(&batch_text("plum 2")).starts_with("`name` is plum 2; allowed: plum 1"));
        let later = with(&first, &[("bottled_at", Some("\"2026-03-06T10:00:00Z\""))]).unwrap();
        assert!(refused(&later).starts_with("`bottled_at` is 2026-03-06T10:00:00Z; allowed: up to now"));
        let told = correct(&first, &later)
            .unwrap_err()
            .told(&TimeZone::get("Europe/Berlin").unwrap());
        assert_eq!(
            told,
            "`bottled_at` is Friday 6 March 2026, 11:00 CET; allowed: up to now, Thursday 5 March 2026, 11:00 CET: what is watched was sealed"
        );
        let absurd = with(&first, &[("bottle.fill_ml", Some("9000"))]).unwrap();
        assert!(refused(&absurd).contains("bottle.fill_ml"));
        let missing = with(&first, &[("bottle.pressure_limit_bar", None)]).unwrap();
        assert!(refused(&missing).contains("bottle.pressure_limit_bar"));

        let raised = with(&first, &[("bottle.pressure_limit_bar", Some("9.5"))]).unwrap();
        let raised = correct(&first, &raised).unwrap();
        assert!(
            raised.warnings[0].starts_with("YOUR PRESSURE LIMIT GOES FROM")
                && raised.warnings[0].contains("TO 9.5 BAR"),
            "{:?}",
            raised.warnings
        );
    }
}
