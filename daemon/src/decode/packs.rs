//! A file of SenML: one pack a line, as `export` writes it, or one pack alone over several lines.
//!
//! A record without a time of its own is refused: in a file nobody knows what it counted from, and handed in twice it would
//! be two readings.

use std::{collections::VecDeque, io::Read};

use fobwatch_core::reading::Reading;
use jiff::{SignedDuration, Timestamp};

use super::{BadRow, Calibrations, Decoded, MAX_MESSAGE, Place, line::Lines, senml, value::refused};

/// Readings of a file in its order; a bad record is an error, and the next one is read all the same.
#[derive(Debug)]
pub struct Packs<'c, R> {
    lines: Option<Lines<std::io::Chain<std::io::Cursor<Vec<u8>>, R>>>,
    line: Vec<u8>,
    waiting: VecDeque<Result<Reading, BadRow>>,
    calibrations: &'c Calibrations,
}

/// Begins to read. A file that is one pack is read whole, as far as a message may be long.
pub fn read<R: Read>(mut input: R, calibrations: &Calibrations) -> Packs<'_, R> {
    let mut head = Vec::new();
    let most = u64::try_from(MAX_MESSAGE).unwrap_or(u64::MAX);
    // What could not be read is met again, and told, when the lines are.
    let whole = (&mut input)
        .take(most)
        .read_to_end(&mut head)
        .is_ok_and(|length| length < MAX_MESSAGE);
    let mut packs = Packs {
        lines: None,
        line: Vec::new(),
        waiting: VecDeque::new(),
        calibrations,
    };
    let text = head.strip_prefix("\u{feff}".as_bytes()).unwrap_or(&head);
    if whole && serde_json::from_slice::<serde::de::IgnoredAny>(text).is_ok() {
        packs.unpack(text, None);
    } else {
        packs.lines = Some(Lines::new(std::io::Cursor::new(head).chain(input)));
    }
    packs
}

impl<R> Packs<'_, R> {
    fn unpack(&mut self, pack: &[u8], line: Option<u64>) {
        let placed = |bad: BadRow| match (line, bad.place) {
            (Some(line), _) => BadRow {
                place: Place::Line(line),
                wrong: bad.wrong,
            },
            (None, place) => BadRow {
                place,
                wrong: bad.wrong,
            },
        };
        let first = Timestamp::UNIX_EPOCH;
        let later = first
            .saturating_add(SignedDuration::from_hours(1))
            .unwrap_or(first);
        let Decoded {
            readings,
            refused: bad,
        } = senml::read(pack, first, self.calibrations);
        let again = senml::read(pack, later, self.calibrations).readings;
        for (reading, again) in readings.into_iter().zip(again) {
            self.waiting.push_back(if reading.at == again.at {
                Ok(reading)
            } else {
                let allowed = "seconds since 1970, since in a file nobody knows what it counts from";
                Err(placed(BadRow {
                    place: Place::Message,
                    wrong: refused("`t`", "missing or relative", allowed),
                }))
            });
        }
        self.waiting.extend(bad.into_iter().map(|bad| Err(placed(bad))));
    }
}

impl<R: Read> Iterator for Packs<'_, R> {
    type Item = Result<Reading, BadRow>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(next) = self.waiting.pop_front() {
                return Some(next);
            }
            let mut line = std::mem::take(&mut self.line);
            let number = match self.lines.as_mut()?.next_into(&mut line)? {
                Ok(number) => number,
                Err(bad) => return Some(Err(bad)),
            };
            if !line.iter().all(u8::is_ascii_whitespace) {
                self.unpack(&line, Some(number));
            }
            self.line = line;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read_all(text: &str) -> (Vec<Reading>, Vec<String>) {
        let none = Calibrations::default();
        let (mut good, mut bad) = (Vec::new(), Vec::new());
        for row in read(text.as_bytes(), &none) {
            match row {
                Ok(reading) => good.push(reading),
                Err(error) => bad.push(error.to_string()),
            }
        }
        (good, bad)
    }

    const ONE: &str = r#"[{"n":"pilot/pressure","u":"Pa","v":50000,"t":1772434814.5}]"#;

    #[test]
    fn packs_a_line_and_one_pack_over_lines_are_read() {
        let (good, bad) = read_all(&format!("{ONE}\r\n\n{ONE}"));
        assert!(bad.is_empty(), "{bad:?}");
        assert_eq!(good.len(), 2);
        assert!(
            good.iter()
                .all(|reading| reading.at.to_string() == "2026-03-02T07:00:14.5Z")
        );
        let text = senml::write(&good[0]).unwrap();
        assert_eq!(read_all(&text).0, good[..1]);
        let (good, bad) = read_all(
            "[\n{\"bn\":\"pilot/\",\"bt\":1772434814.5,\"bu\":\"Pa\"},\n{\"n\":\"pressure\",\"v\":50000},\n{\"n\":\"pressure\",\"t\":60,\"v\":50001}]",
        );
        assert!(bad.is_empty(), "{bad:?}");
        assert_eq!(good.len(), 2);
    }

    #[test]
    fn a_long_file_is_read_to_its_end() {
        let many = MAX_MESSAGE / ONE.len() + 100;
        let (good, bad) = read_all(&format!("{ONE}\n").repeat(many));
        assert!(bad.is_empty(), "{bad:?}");
        assert_eq!(good.len(), many);
    }

    #[test]
    fn what_has_no_time_of_its_own_or_is_no_senml_is_told_with_its_line() {
        let relative = ONE.replace("1772434814.5", "-60");
        let untimed = ONE.replace(",\"t\":1772434814.5", "");
        let (good, bad) = read_all(&format!(
            "{ONE}\n{relative}\n{untimed}\nnothing\n{}\n",
            ONE.replace("Pa", "furlong")
        ));
        assert_eq!(good.len(), 1);
        let expected = [
            "line 2: `t` is",
            "line 3: `t` is",
            "line 4: is not JSON",
            "line 5: unit `furlong`",
        ];
        assert_eq!(bad.len(), expected.len(), "{bad:#?}");
        for (bad, expected) in bad.iter().zip(expected) {
            assert!(bad.starts_with(expected), "{bad}\n{expected}");
        }
    }
}
