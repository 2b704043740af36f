//! Notes of one batch, as a person hands them in: one JSON object, or several, one a line; checked against the batch and what was noted of it,
//! so that all are taken or none.

use fobwatch_core::{
    batch::{Batch, Material},
    engine::ClockSource,
    note::{Note, NoteKind, counting},
};
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use serde_json::{Value, json};

use crate::{decode::notes, moment, wording::local};

/// A wall clock that runs ahead by so little is nobody's mistake.
const WALL_AHEAD: SignedDuration = SignedDuration::from_mins(10);
/// Readings move the clock only when they come, so a note may be ahead of it, as far as a reading may.
const READINGS_AHEAD: SignedDuration = SignedDuration::from_hours(24);

/// What notes of a batch must fit.
#[derive(Clone, Debug)]
pub(crate) struct Bounds {
    /// Bottles are numbered from 1 to this.
    pub(crate) bottles: u32,
    /// The bottle with the sensors is of plastic, so that it tells something when it is squeezed.
    pub(crate) squeezable: bool,
    /// When they were sealed: nothing was done to them before.
    pub(crate) sealed_at: Timestamp,
    /// The time of a note that gives none; a later one would be a plan.
    pub(crate) now: Timestamp,
    /// What tells the present.
    pub(crate) clock: ClockSource,
    /// The clock by which people are told.
    pub(crate) zone: TimeZone,
    /// All that was noted of it, with what was taken back.
    pub(crate) known: Vec<Note>,
}

impl Bounds {
    /// Those of `batch`.
    pub(crate) fn of(
        batch: &Batch,
        known: Vec<Note>,
        (now, clock): (Timestamp, ClockSource),
        zone: &TimeZone,
    ) -> Self {
        Self {
            bottles: batch.bottle.count,
            squeezable: batch.sensor_vessel().material == Material::Pet,
            sealed_at: batch.bottled_at,
            now,
            clock,
            zone: zone.clone(),
            known,
        }
    }

    /// Reads notes; one without a time gets the present.
    ///
    /// # Errors
    /// Every problem, each with its line where there are several: then none may be taken.
    pub(crate) fn read(&self, body: &[u8]) -> Result<Vec<Note>, String> {
        if let Ok(Value::Object(_)) = serde_json::from_slice(body) {
            let note = self.one(body)?;
            if is_own(&note) {
                return Err(ONLY_OUR_OWN.to_owned());
            }
            self.sensible(&note, &[], &counting(self.known.clone()))?;
            return Ok(vec![note]);
        }
        let (mut taken, mut wrong, mut own) = (Vec::new(), Vec::new(), false);
        for (line, number) in body.split(|byte| *byte == b'\n').zip(1_u32..) {
            if line.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            match self.one(line) {
                // An exported file tells of them; the batch file that came with it is the corrected one.
                Ok(note) if is_own(&note) => own = true,
                Ok(note) => taken.push((number, note)),
                Err(why) => wrong.push(format!("line {number}: {why}")),
            }
        }
        let all: Vec<Note> = taken.iter().map(|(_, note)| note.clone()).collect();
        let counted = counting(self.known.iter().chain(&all).cloned().collect());
        for (number, note) in &taken {
            // A file may be handed in twice.
            if !self.known.contains(note)
                && let Err(why) = self.sensible(note, &all, &counted)
            {
                wrong.push(format!("line {number}: {why}"));
            }
        }
        if taken.is_empty() && wrong.is_empty() && own {
            wrong.push(ONLY_OUR_OWN.to_owned());
        } else if taken.is_empty() && wrong.is_empty() {
            wrong.push("there is no note in it; allowed: one JSON object a line".to_owned());
        }
        if wrong.is_empty() {
            Ok(all)
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
                "`time` is {}; allowed: from {}, when the batch was sealed, to the present, {}, as \"{}\" on your own clock",
                local(note.at, &self.zone),
                local(self.sealed_at, &self.zone),
                local(present, &self.zone),
                moment::typed(present, &self.zone)
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

    /// What can be, after all that was noted, here and in the `file` that it stands in; `counted`: of both, what counts.
    fn sensible(&self, note: &Note, file: &[Note], counted: &[Note]) -> Result<(), String> {
        if let Some(meant) = &note.takes_back {
            if self.known.contains(note) {
                return Ok(());
            }
            if !self.known.iter().chain(file).any(|other| other == meant.as_ref()) {
                return Err(
                    "`takes_back` is no note of this batch; allowed: one that was noted, word for word as `fobwatch note NAME --json` tells it"
                        .to_owned(),
                );
            }
            if let Some(earlier) = self
                .known
                .iter()
                .find(|other| other.takes_back == note.takes_back)
            {
                return Err(format!(
                    "{}, {}: it counts as never said already",
                    earlier.text.as_deref().unwrap_or("somebody took it back"),
                    local(earlier.at, &self.zone)
                ));
            }
            return Ok(());
        }
        if let Some(back) = self
            .known
            .iter()
            .find(|other| other.takes_back.as_deref() == Some(note))
        {
            return Err(format!(
                "the very same note was taken back {}; allowed: one with another time or in other words",
                local(back.at, &self.zone)
            ));
        }
        if note.kind == NoteKind::Squeezed && !self.squeezable {
            return Err(
                "the bottle with the sensors is not of plastic, so there is nothing to squeeze; allowed: any other kind here. If it is one of plastic, \
                 correct the batch first: `fobwatch batch correct`, bottle.material or pilot.material"
                    .to_owned(),
            );
        }
        self.is_whole(note, counted)
    }

    /// A bottle that broke is not opened, tasted, given away or let off later.
    fn is_whole(&self, note: &Note, noted: &[Note]) -> Result<(), String> {
        let with_one = matches!(
            note.kind,
            NoteKind::Opened | NoteKind::Tasted | NoteKind::Vented | NoteKind::GivenAway
        );
        if !with_one {
            return Ok(());
        }
        let broken = noted
            .iter()
            .filter(|other| other.kind == NoteKind::Broken && other.at <= note.at);
        for other in broken {
            let numbers = other.bottles.iter().flatten();
            let mut both = numbers.filter(|number| note.bottles.iter().flatten().any(|own| own == *number));
            if let Some(number) = both.next() {
                return Err(format!(
                    "`bottles` names number {number}, which was noted as broken, {}; allowed: another bottle, or an earlier time. If that was wrong, \
                     take it back first, on the page or with `fobwatch note NAME taken_back --time '{}'`",
                    local(other.at, &self.zone),
                    moment::typed(other.at, &self.zone)
                ));
            }
        }
        Ok(())
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
            squeezable: false,
            sealed_at: "2026-03-02T07:00:00Z".parse().unwrap(),
            now: "2026-03-05T15:00:00Z".parse().unwrap(),
            clock: ClockSource::Ticks,
            zone: TimeZone::get("Europe/Berlin").unwrap(),
            known: Vec::new(),
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
            "line 5: `time` is Wednesday 5 March 2025, 13:00 CET; allowed: from Monday 2 March 2026, 08:00 CET, when the batch was sealed, to the \
             present, Thursday 5 March 2026, 16:00 CET, as \"2026-03-05 16:00\" on your own clock",
            "line 6: `time` is Friday 6 March 2026, 13:00 CET; allowed: from",
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
    fn a_note_is_taken_back_once_and_not_said_again_word_for_word() {
        let mut bounds = bounds();
        let line = r#"{"time":"2026-03-04T15:00:00Z","kind":"opened","bottles":[3],"text":"lively"}"#;
        let opened = bounds.read(line.as_bytes()).unwrap().remove(0);
        let by = |who: &str| notes::write(&opened.taken_back(bounds.now, who, None));
        let (ada, ben) = (by("Ada"), by("Ben"));
        let refused = |bounds: &Bounds, line: &str| bounds.read(line.as_bytes()).unwrap_err();
        assert!(refused(&bounds, &ada).starts_with("`takes_back` is no note of this batch; allowed:"));
        // Both in one file, as an export has them.
        assert_eq!(
            bounds.read(format!("{line}\n{ada}\n").as_bytes()).unwrap().len(),
            2
        );

        bounds.known.push(opened.clone());
        let back = bounds.read(ada.as_bytes()).unwrap().remove(0);
        assert_eq!(back.takes_back.as_deref(), Some(&opened));
        bounds.known.push(back);
        let again = refused(&bounds, &ben);
        assert_eq!(
            again,
            "Ada took it back, Thursday 5 March 2026, 16:00 CET: it counts as never said already"
        );
        assert!(
            refused(&bounds, line)
                .starts_with("the very same note was taken back Thursday 5 March 2026, 16:00 CET; allowed:")
        );
        // The file may come twice.
        assert_eq!(
            bounds.read(format!("{line}\n{ada}\n").as_bytes()).unwrap().len(),
            2
        );
        let later = line.replace("15:00:00", "15:01:00");
        assert!(bounds.read(later.as_bytes()).is_ok());
    }

    #[test]
    fn what_cannot_be_done_to_a_broken_bottle_or_to_glass_is_refused() {
        let mut bounds = bounds();
        let broken = br#"{"time":"2026-03-04T15:00:00Z","kind":"broken","bottles":[2,3]}"#;
        let broken = bounds.read(broken).unwrap().remove(0);
        bounds.known.push(broken.clone());
        let read = |bounds: &Bounds, line: &str| bounds.read(line.as_bytes());
        for kind in ["opened", "tasted", "vented", "given_away"] {
            let why = read(
                &bounds,
                &format!(r#"{{"kind":"{kind}","bottles":[1,3],"text":"flat"}}"#),
            )
            .unwrap_err();
            assert!(
                why.starts_with("`bottles` names number 3, which was noted as broken, Wednesday 4 March 2026, 16:00 CET; allowed: another bottle")
                    && why.contains("taken_back --time '2026-03-04 16:00'"),
                "{why}"
            );
        }
        assert!(read(&bounds, r#"{"kind":"opened","bottles":[1]}"#).is_ok());
        let before = r#"{"kind":"opened","bottles":[3],"time":"2026-03-04T14:00:00Z"}"#;
        assert!(read(&bounds, before).is_ok());
        bounds.known.push(broken.taken_back(bounds.now, "Ada", None));
        assert!(read(&bounds, r#"{"kind":"opened","bottles":[3]}"#).is_ok());

        let squeezed = r#"{"kind":"squeezed","text":"hard"}"#;
        let why = read(&bounds, squeezed).unwrap_err();
        assert!(
            why.contains("not of plastic") && why.contains("allowed:"),
            "{why}"
        );
        bounds.squeezable = true;
        assert!(read(&bounds, squeezed).is_ok());
    }

    #[test]
    fn what_holds_no_note_is_refused() {
        for empty in [&b""[..], b"\n \n", b"[]", b"7", b"\xff"] {
            assert!(bounds().read(empty).is_err(), "{empty:?}");
        }
    }
}
