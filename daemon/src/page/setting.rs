//! How a sentence is set: what belongs together is not torn apart at the end of a line.

/// Units that stand behind a figure.
const UNITS: [&str; 12] = [
    "%", "bar", "psi", "kPa", "hPa", "mL", "L", "g", "g/L", "mL/L", "h", "\u{b0}C",
];
/// A word longer than this keeps no figure with it: the line would be torn elsewhere.
const LONGEST: usize = 14;

/// A figure stays with its unit, an hour with its zone.
pub(super) fn set(text: &str) -> String {
    joined(text, |before, word| {
        let ends_in_figure = before.ends_with(|last: char| last.is_ascii_digit());
        (ends_in_figure && UNITS.contains(&bare(word))) || (is_hour(before) && is_zone(bare(word)))
    })
}

/// The same of a headline, where a figure also stays with the word before it: "hibiscus 12", "at 13:10 CET", "25 October".
pub(super) fn headline(text: &str) -> String {
    joined(&set(text), |before, word| {
        let starts_with_figure = word.starts_with(|first: char| first.is_ascii_digit());
        starts_with_figure && before.chars().count() <= LONGEST && word.chars().count() <= LONGEST
    })
}

fn bare(word: &str) -> &str {
    word.trim_end_matches(['.', ',', ';', ':', ')', '?', '!'])
}

/// "13:10".
fn is_hour(word: &str) -> bool {
    word.split_once(':').is_some_and(|(hours, minutes)| {
        [hours, minutes]
            .iter()
            .all(|part| part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit()))
    })
}

/// "CET", "UTC-03".
fn is_zone(word: &str) -> bool {
    word.len() >= 3
        && word
            .bytes()
            .all(|byte| byte.is_ascii_uppercase() || byte.is_ascii_digit() || b"+-".contains(&byte))
}

/// The words with a blank between them that breaks no line wherever `together` says so.
fn joined(text: &str, together: impl Fn(&str, &str) -> bool) -> String {
    let mut out = String::with_capacity(text.len());
    let mut before = "";
    for (place, word) in text.split(' ').enumerate() {
        if place > 0 {
            out.push(if together(before, word) { '\u{a0}' } else { ' ' });
        }
        out.push_str(word);
        before = word;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_stay_with_their_units_and_hours_with_their_zones() {
        assert_eq!(
            set("at worst 4.1 %: about 12 of 60 g/L, at 13:10 CET, or 13:10 UTC-03. Bar none"),
            "at worst 4.1\u{a0}%: about 12 of 60\u{a0}g/L, at 13:10\u{a0}CET, or 13:10\u{a0}UTC-03. Bar none"
        );
        assert_eq!(set("a bar, 5 OK"), "a bar, 5 OK");
    }

    #[test]
    fn a_headline_keeps_a_number_with_its_name() {
        assert_eq!(
            headline("Tomorrow, at 02:20 CEST, plum 3 goes to the fridge."),
            "Tomorrow, at\u{a0}02:20\u{a0}CEST, plum\u{a0}3 goes to the fridge."
        );
    }
}
