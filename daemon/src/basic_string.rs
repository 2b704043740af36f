//! Texts as TOML writes them.

use fobwatch_core::plain;
use serde_json::Value;

/// A text as TOML writes it: JSON's escapes are among those of TOML, which also wants, as terminals do, those of what JSON may leave
/// as it is (TOML 1.0, basic strings: U+007F).
pub(crate) fn quoted(text: &str) -> String {
    let json = Value::from(text).to_string();
    let mut out = String::with_capacity(json.len());
    for letter in json.chars() {
        if plain::is_hidden(letter) {
            out.push_str(&format!("\\u{:04x}", u32::from(letter)));
        } else {
            out.push(letter);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whatever_a_person_types_is_one_text_of_a_document() {
        for text in [
            "lime \"and\" mint 4\\",
            "a\u{7f}b\n[bottle]\n",
            "\u{202e}plum \u{1fad9}",
        ] {
            let document = format!("name = {}\n", quoted(text));
            assert_eq!(document.lines().count(), 1, "{document}");
            let read: toml::Table = document.parse().unwrap();
            assert_eq!(read["name"].as_str(), Some(text));
        }
    }
}
