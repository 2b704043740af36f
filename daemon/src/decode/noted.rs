//! Notes of one batch, as a person hands them in: one JSON object, or several, one a line; checked against the batch, so
//! that all are taken or none.

use fobwatch_core::{
    engine::ClockSource,
    note::{Note, NoteKind},
};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

use super::notes;

/// A wall clock that runs ahead by so little is nobody's mistake.
const WALL_AHEAD: SignedDuration = SignedDuration::from_mins(10);
/// Readings move the clock only when they come, so a note may be ahead of it, as far as a reading may.
const READINGS_AHEAD: SignedDuration = SignedDuration::from_hours(24);

/// What notes of a batch must fit.
#[derive(Clone, Copy, Debug)]
pub struct Bounds {
    /// Bottles are numbered from 1 to this.
    pub bottles: u32,
    /// When they were sealed: nothing was done to them before.
    pub sealed_at: Timestamp,
    /// The time of a note that gives none; a later one would be a plan.
    pub now: Timestamp,
    /// What tells the present.
    pub clock: ClockSource,
}

impl Bounds {
    /// Reads notes; one without a time gets the present.
    ///
    /// # Errors
    /// Every problem, each with its line where there are several: then none may be taken.
    pub fn read(&self, body: &[u8]) -> Result<Vec<Note>, String> {
        if let Ok(Value::Object(_)) = serde_json::from_slice(body) {
            let note = self.one(body)?;
            return if is_own(&note) {
                Err(ONLY_OUR_OWN.to_owned())
            } else {
                Ok(vec![note])
            };
        }
        let (mut taken, mut wrong, mut own) = (Vec::new(), Vec::new(), false);
        for (line, number) in body.split(|byte| *byte == b'\n').zip(1_u32..) {
            if line.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            match self.one(line) {
                // An exported file tells of them; the batch file that came with it is the corrected one.
                Ok(note) if is_own(&note) => own = true,
                Ok(note) => taken.push(note),
                Err(why) => wrong.push(format!("line {number}: {why}")),
            }
        }
        if taken.is_empty() && wrong.is_empty() && own {
            wrong.push(ONLY_OUR_OWN.to_owned());
        } else if taken.is_empty() && wrong.is_empty() {
            wrong.push("there is no note in it; allowed: one JSON object a line".to_owned());
        }
        if wrong.is_empty() {
            Ok(taken)
        } else {
            Err(wrong.join("\n"))
        }
    }

    fn one(&self, body: &[u8]) -> Result<Note, String> {
        let note = notes::read(&self.with_time(body)).map_err(|wrong| wrong.to_string())?;
        let ahead = match self.clock {
            ClockSource::Ticks => WALL_AHEAD,
            ClockSource::Readings => READINGS_AHEAD,
        };
        let present = self.now.max(self.sealed_at);
        let latest = present.checked_add(ahead).unwrap_or(Timestamp::MAX);
        if !(self.sealed_at..=latest).contains(&note.at) {
            return Err(format!(
                "`time` is {}; allowed: from {}, when the batch was sealed, to the present, {}",
                note.at, self.sealed_at, present
            ));
        }
        let bottles = self.bottles;
        match note.bottles.iter().flatten().find(|number| **number > bottles) {
            Some(beyond) => Err(format!(
                "`bottles` names number {beyond}; allowed: 1 to {bottles}, the bottles of this batch"
            )),
            None => Ok(note),
        }
    }

    /// The note, with the present time where it gives none; what is no JSON object is left for the decoder to refuse.
    fn with_time(&self, body: &[u8]) -> Vec<u8> {
        let Ok(Value::Object(mut note)) = serde_json::from_slice(body) else {
            return body.to_vec();
        };
        if note.get("time").is_some_and(|time| !time.is_null()) {
            return body.to_vec();
        }
        let present = self.now.max(self.sealed_at);
        note.insert("time".to_owned(), json!(present.to_string()));
        serde_json::to_vec(&note).unwrap_or_else(|_no_json| body.to_vec())
    }
}

/// A note that nobody writes but the program itself.
fn is_own(note: &Note) -> bool {
    note.kind == NoteKind::Corrected
}

const ONLY_OUR_OWN: &str = "`kind` is corrected, which is noted when entries are corrected; allowed: any other kind here, and `fobwatch batch correct`";

#[cfg(test)]
mod tests {
    use super::*;

    fn bounds() -> Bounds {
        Bounds {
            bottles: 8,
            sealed_at: "2026-03-02T07:00:00Z".parse().unwrap(),
            now: "2026-03-05T15:00:00Z".parse().unwrap(),
            clock: ClockSource::Ticks,
        }
    }

    #[test]
    fn a_note_without_a_time_is_of_now() {
        let notes = bounds().read(b"{\n \"kind\": \"vented\"\n}").unwrap();
        assert_eq!(notes.len(), 1);
        assert_eq!(notes[0].at, bounds().now);
    }

    #[test]
    fn one_bad_line_refuses_them_all_and_each_problem_is_told() {
        let text =
            b"{\"kind\":\"tasted\"}\r\n\n{\"kind\":\"opened\",\"bottles\":[9]}\n{\"kind\":\"sung_to\"}\n\
            {\"kind\":\"moved_to_fridge\",\"time\":\"2025-03-05T12:00:00Z\"}\n\
            {\"kind\":\"moved_to_fridge\",\"time\":\"2026-03-06T12:00:00Z\"}\n";
        let why = bounds().read(text).unwrap_err();
        let lines: Vec<&str> = why.lines().collect();
        assert_eq!(lines.len(), 4, "{why}");
        for (line, expected) in lines.iter().zip([
            "line 3: `bottles` names number 9; allowed: 1 to 8",
            "line 4: note kind `sung_to` is not known",
            "line 5: `time` is 2025-03-05T12:00:00Z; allowed: from 2026-03-02T07:00:00Z",
            "line 6: `time` is 2026-03-06T12:00:00Z; allowed: from",
        ]) {
            assert!(line.starts_with(expected), "{line}\n{expected}");
        }
        let good = b"{\"kind\":\"tasted\"}\r\n\n{\"kind\":\"opened\",\"bottles\":[8]}";
        assert_eq!(bounds().read(good).unwrap().len(), 2);
    }

    #[test]
    fn a_correction_is_noted_by_the_program_alone() {
        let own = b"{\"kind\":\"corrected\"}";
        assert!(bounds().read(own).unwrap_err().contains("batch correct"));
        let exported = b"{\"kind\":\"corrected\"}\n{\"kind\":\"vented\"}\n";
        assert_eq!(bounds().read(exported).unwrap().len(), 1);
        assert!(
            bounds()
                .read(b"{\"kind\":\"corrected\"}\n{\"kind\":\"corrected\"}\n")
                .is_err()
        );
    }

    #[test]
    fn what_holds_no_note_is_refused() {
        for empty in [&b""[..], b"\n \n", b"[]", b"7", b"\xff"] {
            assert!(bounds().read(empty).is_err(), "{empty:?}");
        }
    }
}
