//! `fobwatch note`: what a person saw, tasted or did; what was noted, and taking it back.

use std::path::PathBuf;

use clap::Args;
use fobwatch_core::note::{Firmness, Liveliness, Note, NoteKind, counting};
use serde::Serialize;
use serde_json::{Map, Value, json as object};

use super::{
    Ended, json,
    keeper::{Empty, Noted, Where},
    local,
    meant::who,
    number, quoted, read, say,
};
use crate::{
    decode::notes,
    moment, page,
    watch::{Clock, WallClock},
    wording::plain,
};

/// Note what you saw, tasted or did with bottles; without a kind, tell what was noted.
#[derive(Debug, Args)]
#[command(
    after_help = "Kinds: moved_to_fridge, taken_out, vented, opened, gravity, gauge, squeezed, tasted, given_away, broken, confirmed, other; and \
                  taken_back, for a note that was wrong.\n\n\
                  Examples:\n  fobwatch note 'hibiscus 12' moved_to_fridge\n  fobwatch note 'hibiscus 12' opened --bottles 3 --text 'a \
                  good hiss'\n  fobwatch note 'hibiscus 12' moved_to_fridge --bottles 1-4,6 --time 2026-03-05T15:00:00+01:00\n  \
                  fobwatch note 'hibiscus 12' gauge --value 2.1 --unit bar\n  fobwatch note 'hibiscus 12' --file notes.jsonl\n  \
                  fobwatch note 'hibiscus 12'\n  fobwatch note 'hibiscus 12' taken_back --time '2026-03-05 15:00' --reason 'it was bottle 4'\n\n\
                  What is taken back counts as never said, from the sealing on; it stays in exports, with who took it back and when. \
                  Without --bottles a note means all bottles, the pilot included. A note never silences a pressure alert."
)]
pub(super) struct NoteCommand {
    /// The batch, by its name or slug
    #[arg(value_name = "NAME")]
    batch: String,
    /// What happened; without it, what was noted is told
    #[arg(value_name = "KIND", value_parser = kind)]
    kind: Option<NoteKind>,
    /// Which bottles, by their numbers, as 3 or 1,2 or 1-4,6
    #[arg(long, value_name = "NUMBERS", requires = "kind", value_parser = bottles)]
    bottles: Option<Numbers>,
    /// A number that was read; negative ones as --value=-0.5
    #[arg(long, value_name = "NUMBER", requires = "unit", allow_negative_numbers = true, value_parser = number)]
    value: Option<f64>,
    /// Its unit, as bar or SG
    #[arg(long, value_name = "UNIT", requires = "value")]
    unit: Option<String>,
    /// In words; with taken_back the beginning of the note that is meant, where several are of that minute
    #[arg(long, value_name = "TEXT", requires = "kind")]
    text: Option<String>,
    /// When it happened, as '2026-03-05 15:00' on your own clock, or with its offset; without it, now. With taken_back the minute of the note that
    /// is meant
    #[arg(long, value_name = "TIME", requires = "kind", value_parser = time)]
    time: Option<jiff::Timestamp>,
    /// With taken_back: why
    #[arg(long, value_name = "TEXT", requires = "kind")]
    reason: Option<String>,
    /// With taken_back: who takes it back; without it, the user that runs this
    #[arg(long, visible_alias = "as", value_name = "WHO", requires = "kind")]
    who: Option<String>,
    /// Take notes from a file instead, one JSON object a line: all or none
    #[arg(long, value_name = "FILE", conflicts_with_all = ["kind", "bottles", "value", "unit", "text", "time", "reason", "who"])]
    file: Option<PathBuf>,
    /// One JSON record a note
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    place: Where,
}

/// Numbers of bottles.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Numbers(Vec<u32>);

#[derive(Serialize)]
struct NoteLine<'a> {
    record: &'static str,
    batch: &'a str,
    #[serde(flatten)]
    note: &'a Noted,
}

impl NoteCommand {
    /// What would let the note count in the forecast, where nothing is reckoned from it.
    fn unreckoned(&self) -> Option<&'static str> {
        let text = self.text.as_deref().unwrap_or_default();
        match self.kind? {
            NoteKind::Opened | NoteKind::Tasted if Liveliness::in_words(text).is_none() => Some(
                "It counts in the forecast, too, with one of these words in --text: flat, light, right, lively, gushing; or with a word of your \
                 own that you said of two bottles or more which had been cold for a day.",
            ),
            NoteKind::Squeezed if Firmness::in_words(text).is_none() => {
                Some("It counts in the forecast, too, with one of these words in --text: soft, firm, hard.")
            }
            NoteKind::Gravity if self.value.is_none() => {
                Some("It counts in the forecast, too, with its number: --value 1.026 --unit SG.")
            }
            NoteKind::Gauge if self.value.is_none() => {
                Some("It counts in the forecast, too, with its number: --value 1.4 --unit bar.")
            }
            _ => None,
        }
    }

    pub(super) fn run(self) -> Result<(), Ended> {
        match self.kind {
            Some(NoteKind::TakenBack) => return self.take_back(),
            None if self.file.is_none() => return self.tell(),
            _ if self.reason.is_some() || self.who.is_some() => {
                return Err(Ended::Refused(
                    "--reason and --who stand only with taken_back; allowed here: --text".to_owned(),
                ));
            }
            _ => {}
        }
        let lines = match &self.file {
            Some(file) => read(file)?,
            None => self.line().to_string(),
        };
        let lines = lines.strip_prefix('\u{feff}').unwrap_or(&lines);
        let mut found = self.place.find(Empty::Refuse)?;
        let batch = found.batch(&self.batch)?;
        let noted = found
            .keeper
            .note(&batch, lines)
            .map_err(|ended| self.placed(ended))?;
        found.warn();
        for note in &noted {
            if self.json {
                say(&json(&NoteLine {
                    record: "note",
                    batch: batch.batch.as_str(),
                    note,
                })?)?;
            } else {
                let at = local(note.time, &found.zone);
                let which = self.which(batch.bottles);
                say(&format!("Noted of {}: {}{which}, {at}.", batch.batch, note.kind))?;
            }
        }
        let from = noted.iter().filter_map(|note| note.counts_from).max();
        if !self.json
            && self.unreckoned().is_none()
            && let Some(from) = from
        {
            say(&format!(
                "The figures weigh it from {} on.",
                local(from, &found.zone)
            ))?;
        }
        if !self.json
            && let Some(hint) = self.unreckoned()
        {
            say(hint)?;
        }
        let moved = noted.iter().any(|note| note.kind == NoteKind::MovedToFridge);
        if moved && !self.json {
            say(
                "The fridge slows the culture; it does not stop it. Alerts end once cooling is seen, or the numbers of the \
                 bottles were given.",
            )?;
        }
        Ok(())
    }

    /// What was noted, oldest first; as JSON each note as an export has it.
    fn tell(&self) -> Result<(), Ended> {
        let mut found = self.place.find(Empty::Refuse)?;
        let batch = found.batch(&self.batch)?;
        let notes = found.keeper.notes(&batch)?;
        found.warn();
        if self.json {
            return notes.iter().try_for_each(|note| say(&notes::write(note)));
        }
        if notes.is_empty() {
            return say(&format!("Nothing was noted of {} yet.", batch.batch));
        }
        say(&format!("Noted of {}:", batch.batch))?;
        for line in page::noted(&notes, WallClock.now(), &found.display) {
            say(&format!("  {}", plain(&line)))?;
        }
        Ok(())
    }

    /// Takes back the one note of the minute that was named.
    fn take_back(&self) -> Result<(), Ended> {
        let name = quoted(&self.batch);
        if self.bottles.is_some() || self.value.is_some() {
            return Err(Ended::Refused(format!(
                "taken_back takes no --bottles and no --value; allowed: --time with the minute of the note that is meant, and --text with its \
                 beginning, as `fobwatch note {name}` tells them"
            )));
        }
        let Some(at) = self.time else {
            return Err(Ended::Refused(format!(
                "which note is to be taken back? allowed: --time with its minute, as --time '2026-03-05 15:00'; `fobwatch note {name}` tells them"
            )));
        };
        let mut found = self.place.find(Empty::Refuse)?;
        let batch = found.batch(&self.batch)?;
        let mut all = counting(found.keeper.notes(&batch)?);
        all.retain(|note| note.kind != NoteKind::Corrected);
        let meant: Vec<(String, &Note)> = all
            .iter()
            .filter(|note| (0..60).contains(&note.at.duration_since(at).as_secs()))
            .map(|note| (plain(&page::note_in_words(note)), note))
            .collect();
        let said = self.text.as_deref().unwrap_or_default().trim();
        let mut of_text = meant.iter().filter(|(words, _)| words.starts_with(said));
        let (Some((words, note)), None) = (of_text.next(), of_text.next()) else {
            let told: Vec<String> = meant.iter().map(|(words, _)| quoted(words)).collect();
            return Err(Ended::Refused(match told.as_slice() {
                [] => format!(
                    "no note of {} that counts is of that minute, {}; allowed: one of those that `fobwatch note {name}` tells",
                    batch.batch,
                    local(at, &found.zone)
                ),
                told => format!(
                    "which of the notes of that minute is meant? allowed: --text with the beginning of one: {}",
                    told.join(", ")
                ),
            }));
        };
        let who = who(self.who.as_deref());
        let back = note.taken_back(WallClock.now(), &who, self.reason.as_deref());
        let mut line = notes::written(&back);
        if let Some(line) = line.as_object_mut() {
            // The batch's clock may be another one than this machine's.
            line.remove("time");
        }
        let taken = found.keeper.note(&batch, &line.to_string())?;
        found.warn();
        if self.json {
            return taken.iter().try_for_each(|note| {
                say(&json(&NoteLine {
                    record: "note",
                    batch: batch.batch.as_str(),
                    note,
                })?)
            });
        }
        say(&format!(
            "Taken back of {}: {words}, {}. It counts as never said; everything since the sealing is reckoned again without it.",
            batch.batch,
            local(note.at, &found.zone)
        ))
    }

    /// " (all 8 bottles)": whoever named none may have meant one.
    fn which(&self, all: u32) -> String {
        let of_bottles = matches!(
            self.kind,
            Some(
                NoteKind::Opened
                    | NoteKind::MovedToFridge
                    | NoteKind::TakenOut
                    | NoteKind::Vented
                    | NoteKind::GivenAway
                    | NoteKind::Broken
            )
        );
        if of_bottles && self.bottles.is_none() && all > 1 {
            format!(" (all {all} bottles; one of them: --bottles 3)")
        } else {
            String::new()
        }
    }

    /// The note as its line of JSON.
    fn line(&self) -> Value {
        let mut note = Map::new();
        let mut put = |key: &str, value: Option<Value>| {
            if let Some(value) = value {
                note.insert(key.to_owned(), value);
            }
        };
        put("kind", self.kind.map(|kind| object!(kind.name())));
        put("bottles", self.bottles.as_ref().map(|numbers| object!(numbers.0)));
        put("value", self.value.map(|value| object!(value)));
        put("unit", self.unit.as_ref().map(|unit| object!(unit)));
        put("text", self.text.as_ref().map(|text| object!(text)));
        put("time", self.time.map(|time| object!(time.to_string())));
        Value::Object(note)
    }

    /// A refusal with the name of the file that it is about.
    fn placed(&self, ended: Ended) -> Ended {
        match (ended, &self.file) {
            (Ended::Refused(why), Some(file)) => Ended::Refused(format!(
                "{}: no note of it was taken\n  {}",
                file.display(),
                why.replace('\n', "\n  ")
            )),
            (ended, _) => ended,
        }
    }
}

fn kind(text: &str) -> Result<NoteKind, String> {
    text.parse::<NoteKind>().map_err(|error| error.to_string())
}

pub(super) fn time(text: &str) -> Result<jiff::Timestamp, String> {
    moment::read(text, &jiff::tz::TimeZone::system())
}

fn bottles(text: &str) -> Result<Numbers, String> {
    crate::decode::bottles(text).map(Numbers)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bottles_are_numbers_lists_and_ranges() {
        assert_eq!(bottles("3"), Ok(Numbers(vec![3])));
        assert_eq!(bottles("1,2"), Ok(Numbers(vec![1, 2])));
        assert_eq!(bottles("1-4, 6"), Ok(Numbers(vec![1, 2, 3, 4, 6])));
        assert_eq!(bottles("2,1,1-2"), Ok(Numbers(vec![1, 2])));
        for bad in ["", "0", "1,", "4-1", "-3", "a", "1.5", "1-99999999", "4294967296"] {
            assert!(bottles(bad).is_err(), "{bad}");
        }
    }
}
