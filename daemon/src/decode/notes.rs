//! Notes as JSON, one object a line.

use std::io::Read;

use fobwatch_core::{
    note::{Note, NoteKind},
    quantity::Unit,
    reading::{Measured, Quantity},
};
use serde_json::{Map, Value};

use super::{
    BadRow, Wrong,
    line::Lines,
    shown,
    value::{self, refused},
};

const KEYS: [&str; 7] = ["time", "kind", "bottles", "value", "unit", "text", "takes_back"];
const MAX_BOTTLES: usize = 10_000;
const MAX_TEXT: usize = 2_000;

/// Notes of a file in its order; a bad line is an error with its number, and the next one is read all the same.
#[derive(Debug)]
pub struct Lined<R> {
    lines: Lines<R>,
    line: Vec<u8>,
}

/// Begins to read a file of notes.
pub fn lines<R: Read>(input: R) -> Lined<R> {
    Lined {
        lines: Lines::new(input),
        line: Vec::new(),
    }
}

impl<R: Read> Iterator for Lined<R> {
    type Item = Result<Note, BadRow>;

    fn next(&mut self) -> Option<Self::Item> {
        self.lines.next_filled(&mut self.line, read)
    }
}

/// One note from its JSON object.
///
/// # Errors
/// What is missing, unknown or impossible, and what is allowed.
pub fn read(bytes: &[u8]) -> Result<Note, Wrong> {
    let value: Value = serde_json::from_slice(bytes).map_err(|error| Wrong::json(&error))?;
    object(&value)
}

fn object(value: &Value) -> Result<Note, Wrong> {
    let Value::Object(note) = value else {
        return Err(refused("the note", &value.to_string(), "a JSON object"));
    };
    if let Some(key) = note.keys().find(|key| !KEYS.contains(&key.as_str())) {
        let nearest = KEYS
            .into_iter()
            .find(|known| strsim::jaro_winkler(known, key) > 0.75);
        let known = format!("known here: {}", KEYS.join(", "));
        let hint = nearest.map_or_else(|| known.clone(), |near| format!("did you mean `{near}`? {known}"));
        let given = shown(key);
        return Err(Wrong::UnknownKey { given, hint });
    }
    let at = value::time(
        "`time`",
        required(
            note,
            "time",
            "a time with its offset, as 2026-03-05T15:00:00+01:00",
        )?,
    )?;
    let kind: NoteKind = required(note, "kind", "one of the kinds of notes")?.parse()?;
    let bottles = bottles(note)?;
    let takes_back = takes_back(kind, note.get("takes_back"))?;
    let number = match note.get("value") {
        None | Some(Value::Null) => None,
        Some(given) => match given.as_f64().filter(|number| number.is_finite()) {
            Some(number) => Some(number),
            None => return Err(refused("`value`", &given.to_string(), "a finite number")),
        },
    };
    let unit = text(note, "unit")?;
    measured(kind, number, unit)?;
    let text = text(note, "text")?;
    if let Some(text) = text {
        let plain = |c: char| !c.is_control() || c == '\n' || c == '\t';
        if text.chars().count() > MAX_TEXT || !text.chars().all(plain) {
            return Err(refused(
                "`text`",
                text,
                "up to 2000 characters without control characters",
            ));
        }
    }
    Ok(Note {
        at,
        kind,
        bottles,
        value: number,
        unit: unit.map(str::to_owned),
        text: text.map(str::to_owned),
        takes_back,
    })
}

/// A note as one line without its end; it reads back the same.
#[must_use]
pub fn write(note: &Note) -> String {
    written(note).to_string()
}

/// The same as a JSON object.
#[must_use]
pub fn written(note: &Note) -> Value {
    let mut out = Map::new();
    out.insert("time".to_owned(), Value::from(note.at.to_string()));
    out.insert("kind".to_owned(), Value::from(note.kind.name()));
    let mut put = |key: &str, value: Option<Value>| {
        if let Some(value) = value {
            out.insert(key.to_owned(), value);
        }
    };
    put("bottles", note.bottles.clone().map(Value::from));
    put("value", note.value.map(Value::from));
    put("unit", note.unit.clone().map(Value::from));
    put("text", note.text.clone().map(Value::from));
    put("takes_back", note.takes_back.as_deref().map(written));
    Value::Object(out)
}

/// The note that is taken back: a whole one, and none that says how the past is to be read.
fn takes_back(kind: NoteKind, given: Option<&Value>) -> Result<Option<Box<Note>>, Wrong> {
    const ALLOWED: &str = "the whole note that is taken back, with kind `taken_back` and no other";
    match (kind, given) {
        (NoteKind::TakenBack, None | Some(Value::Null)) => Err(refused("`takes_back`", "", ALLOWED)),
        (NoteKind::TakenBack, Some(given)) => {
            let meant = given.get("kind").and_then(Value::as_str);
            if matches!(meant, Some("taken_back" | "corrected")) {
                const ONCE: &str = "a note of another kind; what was taken back by mistake is noted again";
                return Err(refused("`takes_back`", &given.to_string(), ONCE));
            }
            object(given).map(Box::new).map(Some)
        }
        (_, None | Some(Value::Null)) => Ok(None),
        (_, Some(given)) => Err(refused("`takes_back`", &given.to_string(), ALLOWED)),
    }
}

/// A gravity or gauge that was read needs its number and unit; elsewhere a number may stand, with any unit we know.
fn measured(kind: NoteKind, number: Option<f64>, unit: Option<&str>) -> Result<(), Wrong> {
    let unit: Option<Unit> = unit.map(str::parse).transpose()?;
    let quantity = match kind {
        NoteKind::Gravity => Quantity::Gravity,
        NoteKind::Gauge => Quantity::Pressure,
        _ => return Ok(()),
    };
    let Some(number) = number else {
        return Err(refused("`value`", "", "the number that was read"));
    };
    let Some(unit) = unit else {
        return Err(refused("`unit`", "", "the unit of the number, as SG or bar"));
    };
    Measured::new(quantity, number, unit).map_err(|error| Wrong::measurement(error, number, unit))?;
    Ok(())
}

fn bottles(note: &Map<String, Value>) -> Result<Option<Vec<u32>>, Wrong> {
    const ALLOWED: &str = "a list of 1 to 10000 bottle numbers from 1";
    let list = match note.get("bottles") {
        None | Some(Value::Null) => return Ok(None),
        Some(Value::Array(list)) if (1..=MAX_BOTTLES).contains(&list.len()) => list,
        Some(other) => return Err(refused("`bottles`", &other.to_string(), ALLOWED)),
    };
    let numbers = list.iter().map(|number| {
        let number_from_one = number.as_u64().filter(|number| *number >= 1);
        number_from_one
            .and_then(|number| u32::try_from(number).ok())
            .ok_or_else(|| refused("`bottles`", &number.to_string(), ALLOWED))
    });
    numbers.collect::<Result<Vec<_>, _>>().map(Some)
}

fn text<'n>(note: &'n Map<String, Value>, key: &str) -> Result<Option<&'n str>, Wrong> {
    match note.get(key) {
        None | Some(Value::Null) => Ok(None),
        Some(Value::String(text)) => Ok(Some(text)),
        Some(other) => Err(refused(&format!("`{key}`"), &other.to_string(), "a text")),
    }
}

fn required<'n>(note: &'n Map<String, Value>, key: &str, allowed: &'static str) -> Result<&'n str, Wrong> {
    text(note, key)?.ok_or_else(|| Wrong::Value {
        what: format!("`{key}`"),
        given: "missing".to_owned(),
        allowed,
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn notes_are_read_line_by_line_and_bad_ones_are_told() {
        let text = br#"{"time":"2026-03-05T15:00:00Z","kind":"moved_to_fridge","bottles":[1,2,3]}

{"time":"2026-03-05T15:00:00Z","kind":"moved"}
{"time":"2026-03-05T15:00:00","kind":"vented"}
{"kind":"vented"}
{"time":"2026-03-05T15:00:00Z","kind":"gauge","value":2.1}
{"time":"2026-03-05T15:00:00Z","kind":"gauge","value":2.1,"unit":"degC"}
{"time":"2026-03-05T15:00:00Z","kind":"opened","bottles":[0]}
{"time":"2026-03-05T15:00:00Z","kind":"opened","bottle":[1]}
[1]
{"time":"2026-03-06T15:00:00+01:00","kind":"gauge","value":2.1,"unit":"bar","text":"by eye"}"#;
        let (mut good, mut bad) = (Vec::new(), Vec::new());
        for line in lines(&text[..]) {
            match line {
                Ok(note) => good.push(note),
                Err(error) => bad.push(error.to_string()),
            }
        }
        assert_eq!(good.len(), 2);
        assert_eq!(good[0].bottles, Some(vec![1, 2, 3]));
        assert_eq!(
            (good[1].value, good[1].text.as_deref()),
            (Some(2.1), Some("by eye"))
        );
        let expected = [
            "line 3: note kind `moved` is not known; allowed: moved_to_fridge,",
            "line 4: `time` is `2026-03-05T15:00:00`; allowed: a time with its offset",
            "line 5: `time` is missing; allowed:",
            "line 6: `unit` is empty; allowed:",
            "line 7: unit degC does not measure pressure; allowed:",
            "line 8: `bottles` is `0`; allowed: a list",
            "line 9: key `bottle` is not known; did you mean `bottles`?",
            "line 10: the note is `[1]`; allowed: a JSON object",
        ];
        assert_eq!(bad.len(), expected.len(), "{bad:#?}");
        for (bad, expected) in bad.iter().zip(expected) {
            assert!(bad.starts_with(expected), "{bad}\n{expected}");
        }
    }

    proptest! {
        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = lines(&bytes[..]).count();
        }

        #[test]
        fn what_is_written_reads_back(
            which in 0_usize..11,
            micros in 0_i64..4_000_000_000_000_000,
            bottles in proptest::option::of(proptest::collection::vec(1_u32..100, 1..5)),
            gravity in 0.9_f64..1.2,
            text in proptest::option::of("[ -~]{0,40}"),
        ) {
            let kind = NoteKind::ALL[which];
            let unit = if kind == NoteKind::Gauge { "bar" } else { "SG" };
            let note = Note {
                at: jiff::Timestamp::from_microsecond(micros).unwrap(),
                kind,
                bottles,
                value: Some(gravity),
                unit: Some(unit.to_owned()),
                text,
                takes_back: None,
            };
            prop_assert_eq!(read(write(&note).as_bytes()).unwrap(), note);
        }
    }
}
