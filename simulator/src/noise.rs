//! What a bad serial line puts between the readings.

use crate::random::{Chance, Stream};

/// Junk that a line carries beside its readings. The readings themselves stay whole.
#[derive(Clone, Debug)]
pub struct LineNoise(Chance);

impl LineNoise {
    /// The same seed gives the same junk.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(Chance::new(seed, Stream::LineNoise))
    }

    /// Junk that goes before `line`: about one time in twenty a half line, as often a few random bytes; each
    /// ends with a line feed. Empty the rest of the time.
    pub fn before(&mut self, line: &str) -> Vec<u8> {
        if self.0.happens(0.05) {
            let bytes = line.as_bytes();
            let mut half = bytes.get(..bytes.len() / 2).unwrap_or_default().to_vec();
            half.push(b'\n');
            return half;
        }
        if self.0.happens(0.05) {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "0 to 255 by construction"
            )]
            let mut junk: Vec<u8> = (0..12)
                .map(|_| self.0.between(0.0, 256.0) as u8)
                // Neither a line end in the middle nor flow control.
                .map(|byte| {
                    if matches!(byte, b'\n' | b'\r' | 0x11 | 0x13) {
                        b'?'
                    } else {
                        byte
                    }
                })
                .collect();
            junk.push(b'\n');
            return junk;
        }
        Vec::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn junk_is_whole_lines_and_repeats() {
        let (mut a, mut b) = (LineNoise::new(1), LineNoise::new(1));
        let mut seen = 0;
        for _ in 0..500 {
            let junk = a.before("2026-03-02T07:00:14.000Z,pilot,pressure,0.0122,bar");
            assert_eq!(
                junk,
                b.before("2026-03-02T07:00:14.000Z,pilot,pressure,0.0122,bar")
            );
            if let Some(last) = junk.last() {
                assert_eq!(*last, b'\n');
                seen += 1;
            }
        }
        assert!((20..100).contains(&seen), "{seen}");
    }
}
