//! Bytes as they come -> whole lines, with a cap.

use crate::decode::MAX_LINE;

/// From where lines count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Cut {
    FromTheFirstByte,
    FromTheFirstLineEnd,
}

/// Gathers bytes into lines ended by LF, CR or both; blank ones are left out.
#[derive(Debug)]
pub(crate) struct Cutter {
    partial: Vec<u8>,
    skipping: bool,
}

impl Cutter {
    pub(crate) fn new(cut: Cut) -> Self {
        Self {
            partial: Vec::new(),
            skipping: cut == Cut::FromTheFirstLineEnd,
        }
    }

    /// The lines that these bytes end, in order; `None` stands for one that grew too long.
    pub(crate) fn push(&mut self, bytes: &[u8]) -> Vec<Option<Vec<u8>>> {
        let mut lines = Vec::new();
        for byte in bytes {
            if matches!(byte, b'\n' | b'\r') {
                let line = std::mem::take(&mut self.partial);
                let skipped = std::mem::replace(&mut self.skipping, false);
                if !skipped && !line.iter().all(u8::is_ascii_whitespace) {
                    lines.push(Some(line));
                }
            } else if !self.skipping {
                if self.partial.len() == MAX_LINE {
                    self.partial = Vec::new();
                    self.skipping = true;
                    lines.push(None);
                } else {
                    self.partial.push(*byte);
                }
            }
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn lines_survive_any_cut_and_an_endless_one_is_told_once() {
        let mut cutter = Cutter::new(Cut::FromTheFirstByte);
        assert!(cutter.push(b"1.2").is_empty());
        assert_eq!(cutter.push(b"5,20\r"), [Some(b"1.25,20".to_vec())]);
        assert_eq!(cutter.push(b"\n\n  \nx\n"), [Some(b"x".to_vec())]);
        let endless = vec![b'7'; 3 * MAX_LINE];
        assert_eq!(cutter.push(&endless), [None]);
        assert_eq!(cutter.push(b"7\nnext\n"), [Some(b"next".to_vec())]);
    }

    #[test]
    fn the_tail_of_a_line_that_began_before_the_opening_is_no_line() {
        let mut cutter = Cutter::new(Cut::FromTheFirstLineEnd);
        assert_eq!(cutter.push(b".25,20\r\n2.25,20\r\n"), [Some(b"2.25,20".to_vec())]);
    }

    proptest! {
        #[test]
        fn where_the_bytes_are_cut_does_not_matter(
            bytes in proptest::collection::vec(any::<u8>(), 0..300), at in 0_usize..300
        ) {
            let mut whole = Cutter::new(Cut::FromTheFirstByte);
            let expected = whole.push(&bytes);
            let mut parts = Cutter::new(Cut::FromTheFirstByte);
            let at = at.min(bytes.len());
            let mut got = parts.push(&bytes[..at]);
            got.extend(parts.push(&bytes[at..]));
            prop_assert_eq!(got, expected);
        }
    }
}
