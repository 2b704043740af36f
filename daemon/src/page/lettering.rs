//! Letters in a picture: how wide they run, rows that fit their room, and labels of which none lies on another.
//!
//! Pictures are files too: what draws them cannot be asked how wide its letters are.

/// Width of a letter, of the letters' height, in a plain sans that runs wide: no row may leave its room.
fn width_of(letter: char) -> f64 {
    match letter {
        ' ' | 'i' | 'j' | 'l' | '.' | ',' | ':' | ';' | '\'' | '|' | '!' => 0.33,
        'f' | 'r' | 't' | '(' | ')' | '-' | 'I' => 0.43,
        'm' | 'w' | 'W' | 'M' | '%' | '@' => 1.0,
        letter if letter.is_ascii_uppercase() => 0.74,
        letter if letter.is_ascii() || ('\u{a0}'..'\u{2000}').contains(&letter) => 0.62,
        _ => 1.3,
    }
}

/// Width of a text, in heights of a letter.
pub(crate) fn wide(text: &str) -> f64 {
    text.chars().map(width_of).sum()
}

/// Words in rows of at most `room`, in heights of a letter; a word that is longer is broken.
pub(crate) fn wrapped(text: &str, room: f64) -> Vec<String> {
    let mut rows: Vec<String> = Vec::new();
    let mut row = String::new();
    let mut used = 0.0;
    for word in text.split_whitespace() {
        if used > 0.0 && used + width_of(' ') + wide(word) > room {
            rows.push(std::mem::take(&mut row));
            used = 0.0;
        }
        if used > 0.0 {
            row.push(' ');
            used += width_of(' ');
        }
        for letter in word.chars() {
            let wide = width_of(letter);
            if used + wide > room && !row.is_empty() {
                rows.push(std::mem::take(&mut row));
                used = 0.0;
            }
            row.push(letter);
            used += wide;
        }
    }
    rows.push(row);
    rows
}

/// A short text that begins at a place, in pixels.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Label {
    pub(super) text: String,
    pub(super) x: f64,
    pub(super) y: f64,
    /// Where it would have stood if no other had.
    pub(super) from: f64,
}

impl Label {
    pub(super) fn new(text: String, x: f64, y: f64) -> Self {
        Self { text, x, y, from: y }
    }

    /// It was moved so far from what it names that a line has to lead there.
    pub(super) fn is_led(&self, size: f64) -> bool {
        self.from - self.y > 0.6 * size
    }
}

/// Moves up whatever would lie on another; `size`: the letters' height in pixels.
pub(super) fn apart(mut labels: Vec<Label>, size: f64) -> Vec<Label> {
    labels.sort_by(|a, b| b.y.total_cmp(&a.y));
    let line = 1.15 * size;
    let mut placed: Vec<Label> = Vec::new();
    for mut label in labels {
        let end = |label: &Label| label.x + size * (wide(&label.text) + 0.3);
        while let Some(below) = placed.iter().find(|other| {
            // A hair less than a line: what was moved up by one is free.
            (other.y - label.y).abs() < line - 1e-6 && other.x < end(&label) && label.x < end(other)
        }) {
            label.y = below.y - line;
        }
        placed.push(label);
    }
    placed
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_no_longer_than_their_room_and_lose_no_word() {
        let text = "Alive and under pressure: keep it cold. Averyveryverylongwordthatfitsnowhereatall end";
        let rows = wrapped(text, 7.0);
        assert!(
            rows.len() > 5 && rows.iter().all(|row| wide(row) <= 7.0 && !row.is_empty()),
            "{rows:?}"
        );
        assert!(wrapped(&"W".repeat(80), 20.0).len() >= 4);
        let joined: String = rows.concat().chars().filter(|c| !c.is_whitespace()).collect();
        let all: String = text.chars().filter(|c| !c.is_whitespace()).collect();
        assert_eq!(joined, all);
    }

    #[test]
    fn labels_that_would_lie_on_another_move_up_and_those_beside_stay() {
        let label = |text: &str, x, y| Label::new(text.to_owned(), x, y);
        let placed = apart(
            vec![
                label("plum 1", 10.0, 100.0),
                label("plum 2", 12.0, 99.0),
                label("plum 3", 14.0, 98.0),
                label("plum 4", 300.0, 99.5),
            ],
            12.0,
        );
        let y = |text: &str| placed.iter().find(|label| label.text == text).unwrap().y;
        assert!((y("plum 1") - 100.0).abs() < 1e-9 && (y("plum 4") - 99.5).abs() < 1e-9);
        assert!(placed.iter().filter(|label| label.is_led(12.0)).count() == 2);
        assert!(y("plum 1") - y("plum 2") > 12.0 && y("plum 2") - y("plum 3") > 12.0);
    }
}
