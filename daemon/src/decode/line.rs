//! Lines of bytes with a cap on their length.

use std::io::{BufRead, BufReader, Read};

use super::{BadRow, MAX_LINE, Place, Wrong};

/// Lines of a file with their numbers, without their ends (LF or CRLF). A line that is too long is told and skipped.
#[derive(Debug)]
pub(super) struct Lines<R> {
    input: BufReader<R>,
    number: u64,
    failed: bool,
}

impl<R: Read> Lines<R> {
    pub(super) fn new(input: R) -> Self {
        Self {
            input: BufReader::with_capacity(64 * 1024, input),
            number: 0,
            failed: false,
        }
    }

    /// What the next line that is not blank holds, as `read` has it; `None` at the end. `line` is its room.
    pub(super) fn next_filled<T>(
        &mut self,
        line: &mut Vec<u8>,
        read: impl FnOnce(&[u8]) -> Result<T, Wrong>,
    ) -> Option<Result<T, BadRow>> {
        loop {
            let number = match self.next_into(line)? {
                Ok(number) => number,
                Err(bad) => return Some(Err(bad)),
            };
            if !line.iter().all(u8::is_ascii_whitespace) {
                return Some(read(line).map_err(|wrong| BadRow {
                    place: Place::Line(number),
                    wrong,
                }));
            }
        }
    }

    /// Reads the next line into `line`; answers with its number, or `None` at the end.
    pub(super) fn next_into(&mut self, line: &mut Vec<u8>) -> Option<Result<u64, BadRow>> {
        if self.failed {
            return None;
        }
        line.clear();
        self.number += 1;
        let place = Place::Line(self.number);
        let mut too_long = false;
        loop {
            let chunk = match self.input.fill_buf() {
                Ok(chunk) => chunk,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(error) => {
                    self.failed = true;
                    let wrong = Wrong::Io(error.to_string());
                    return Some(Err(BadRow { place, wrong }));
                }
            };
            if chunk.is_empty() {
                if line.is_empty() && !too_long {
                    return None;
                }
                break;
            }
            let end = chunk.iter().position(|byte| *byte == b'\n');
            let part = &chunk[..end.unwrap_or(chunk.len())];
            if line.len() + part.len() > MAX_LINE {
                too_long = true;
            } else {
                line.extend_from_slice(part);
            }
            let used = part.len() + usize::from(end.is_some());
            self.input.consume(used);
            if end.is_some() {
                break;
            }
        }
        if too_long {
            let wrong = Wrong::TooLong { most: MAX_LINE };
            return Some(Err(BadRow { place, wrong }));
        }
        if line.last() == Some(&b'\r') {
            line.pop();
        }
        if self.number == 1 && line.starts_with("\u{feff}".as_bytes()) {
            line.drain(..3);
        }
        Some(Ok(self.number))
    }
}
