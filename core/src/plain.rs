//! Texts that came from elsewhere, as messages, logs and terminals show them.

/// Whether a character is not seen itself but moves others about: a control character, or one that turns the direction of what follows
/// (Unicode Standard Annex 9, explicit directional embeddings, overrides and isolates). A name with one could turn a warning round.
#[must_use]
pub fn is_hidden(c: char) -> bool {
    c.is_control() || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// One line of at most `most` characters; a control character, with which a sensor or stranger could move a terminal's cursor or forge a
/// line of a log, is replaced.
#[must_use]
pub fn line(text: &str, most: usize) -> String {
    let mut letters = text.chars();
    let plain = |c: char| if is_hidden(c) { '\u{fffd}' } else { c };
    let mut out: String = letters.by_ref().take(most).map(plain).collect();
    if letters.next().is_some() {
        out.push('\u{2026}');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_turns_no_sentence_round() {
        assert_eq!(line("a\u{202e}b\u{2066}", 9), "a\u{fffd}b\u{fffd}");
        for hidden in ['\u{202e}', '\u{2067}', '\n'] {
            let name = format!("pilot{hidden}b");
            assert!(crate::reading::Source::new(&name).is_err());
            assert!(crate::batch::BatchName::new(&name).is_err());
        }
        // What is written from right to left by itself is fine.
        assert!(crate::batch::BatchName::new("\u{5dc}\u{5d9}\u{5de}\u{5d5}\u{5df} 4").is_ok());
    }

    #[test]
    fn a_text_from_elsewhere_is_one_short_line() {
        assert_eq!(line("pilot", 5), "pilot");
        assert_eq!(line("pilots", 5), "pilot\u{2026}");
        assert_eq!(
            line("a\x1b[2J\r\nb\u{9b}", 60),
            "a\u{fffd}[2J\u{fffd}\u{fffd}b\u{fffd}"
        );
    }

    #[test]
    fn no_error_about_an_unknown_name_shows_what_moves_a_cursor() {
        let given = "\x1b[2J\rforged";
        let told = [
            given.parse::<crate::reading::Quantity>().unwrap_err().to_string(),
            given.parse::<crate::quantity::Unit>().unwrap_err().to_string(),
            given.parse::<crate::note::NoteKind>().unwrap_err().to_string(),
            given.parse::<crate::alert::AlertName>().unwrap_err().to_string(),
            given.parse::<crate::culture::Tended>().unwrap_err().to_string(),
            given.parse::<crate::recipe::SugarKind>().unwrap_err().to_string(),
            crate::reading::Source::new(given).unwrap_err().to_string(),
            crate::batch::BatchName::new(given).unwrap_err().to_string(),
        ];
        for told in told {
            assert!(
                told.contains("forged") && !told.contains(char::is_control),
                "{told:?}"
            );
        }
    }
}
