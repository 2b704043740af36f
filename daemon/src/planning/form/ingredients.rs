//! Ingredients as people type them, a line each.

use fobwatch_core::recipe::SugarKind;

use super::{INGREDIENTS, Refused};
use crate::basic_string::quoted;

/// Ingredients as they are typed, one a line: grams, the kind where it holds sugar, the name, the sugars of a label as "80%", and behind a
/// semicolon the allergens.
pub(super) fn ingredients(text: &str) -> Result<String, Refused> {
    let mut written = String::new();
    for (line, number) in text
        .lines()
        .zip(1_u32..)
        .filter(|(line, _)| !line.trim().is_empty())
    {
        let (said, allergens) = line.split_once(';').unwrap_or((line, ""));
        let mut words = said.split_whitespace();
        let first = words.next().unwrap_or_default();
        let grams = first.trim_end_matches('g').replace(',', ".");
        let grams: f64 = match grams.parse() {
            Ok(grams) if f64::is_finite(grams) => grams,
            _ => {
                let shown: String = line.chars().filter(|c| !c.is_control()).take(40).collect();
                return Err(Refused::at(
                    INGREDIENTS,
                    format!(
                        "Line {number} is {shown}; allowed: grams, kind and name, as 220 table_sugar white sugar, or 40 hibiscus flowers."
                    ),
                ));
            }
        };
        let mut rest: Vec<&str> = words.collect();
        if rest.first() == Some(&"g") {
            rest.remove(0);
        }
        let percent = rest.iter().find_map(|word| percent(word));
        rest.retain(|word| self::percent(word).is_none());
        let no_sugar = rest.first() == Some(&"none") && rest.len() > 1;
        if no_sugar {
            rest.remove(0);
        }
        let (kind, words) = if no_sugar { (None, 0) } else { kind(&rest) };
        // One that varies too much counts, without its label, as what its name says: with a warning.
        let kind = kind.filter(|kind| percent.is_some() || !kind.needs_a_label());
        if kind.is_some() {
            rest.drain(..words);
        }
        let name = match kind {
            Some(kind) if rest.is_empty() => kind.name().replace('_', " "),
            _ => rest.join(" "),
        };
        written.push_str(&format!(
            "\n[[recipe.ingredients]]\nname = {}\ngrams = {grams:?}\n",
            quoted(&name)
        ));
        if no_sugar {
            written.push_str("kind = \"none\"\n");
        }
        if let Some(kind) = kind {
            written.push_str(&format!("kind = \"{}\"\n", kind.name()));
        }
        if let Some(percent) = percent {
            written.push_str(&format!("sugar_percent = {percent:?}\n"));
        }
        let allergens: Vec<String> = allergens
            .split(',')
            .map(str::trim)
            .filter(|one| !one.is_empty())
            .map(quoted)
            .collect();
        if !allergens.is_empty() {
            written.push_str(&format!("allergens = [{}]\n", allergens.join(", ")));
        }
    }
    Ok(written)
}

/// The kind of sugar at the beginning, in two words or one, and how many words that is.
fn kind(words: &[&str]) -> (Option<SugarKind>, usize) {
    for count in [2, 1] {
        let said = words.get(..count).map(|words| words.join(" "));
        if let Some(kind) = said.and_then(|said| said.parse().ok()) {
            return (Some(kind), count);
        }
    }
    (None, 0)
}

/// "80%": sugars by a label.
fn percent(word: &str) -> Option<f64> {
    let number: f64 = word.strip_suffix('%')?.replace(',', ".").parse().ok()?;
    number.is_finite().then_some(number)
}
