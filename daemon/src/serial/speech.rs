//! Whether what comes over a line is text at all: at a wrong speed it is not.

/// Bytes that are looked at together.
const WINDOW: u32 = 96;

/// Counts bytes that no text of sensors holds. At a wrong speed bits fall into wrong places, so about half of the bytes
/// are not ASCII or are control characters; noise on a line of the right speed spoils a few.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Speech {
    bytes: u32,
    strange: u32,
    told: bool,
}

impl Speech {
    /// Takes bytes as they come; true once when they have turned out to be no text.
    pub(crate) fn hears(&mut self, bytes: &[u8]) -> bool {
        let mut is_news = false;
        for byte in bytes {
            self.bytes += 1;
            let text = byte.is_ascii_graphic() || matches!(byte, b' ' | b'\t' | b'\r' | b'\n');
            self.strange += u32::from(!text);
            if self.bytes == WINDOW {
                let wrong = self.strange * 4 >= WINDOW;
                is_news |= wrong && !self.told;
                *self = Self {
                    told: wrong,
                    ..Self::default()
                };
            }
        }
        is_news
    }

    /// A line was understood: whatever came before was noise.
    pub(crate) fn understood(&mut self) {
        *self = Self::default();
    }

    /// What to tell the user.
    pub(crate) fn sentence(baud: u32) -> String {
        format!(
            "what comes is no text: most likely the device does not speak at {baud} bits per second; set `baud` to the speed of \
             its program or manual (9600 and 115200 are usual)"
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wrong_speed_is_told_once_and_noise_never() {
        let mut speech = Speech::default();
        let garbage: Vec<u8> = (0..400_u32)
            .map(|i| u8::try_from(i * 37 % 256).unwrap())
            .collect();
        assert!(speech.hears(&garbage));
        assert!(!speech.hears(&garbage), "told already");
        speech.hears(b"1.25,20.5\n".repeat(40).as_slice());
        assert!(speech.hears(&garbage), "it was text in between");

        let mut noisy = Speech::default();
        for _ in 0..100 {
            assert!(!noisy.hears(b"1.2\xff5,20.5\n1.2\x005,20.5\n"));
        }
    }
}
