//! What the made-up batches were made of, and the diaries of their cultures: for labels, shelf cards and the page of the cultures.

use fobwatch_core::culture::DiaryEntry;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

/// `[recipe]` of a batch by its name; empty for a stranger. The sugar is that of the drink as the simulator has it.
pub(super) fn recipe(name: &str) -> &'static str {
    match name {
        "hibiscus 12" => {
            r#"
[recipe]
makes_ml = 1000
dilution = "1:3"
lot = "12 A"
made_by = "the demo"
sugar_from = "drink"
steps = ["Simmer the flowers for ten minutes, strain.", "Stir in the sugar, let it cool.", "Add water and the culture."]
[[recipe.ingredients]]
name = "sugar"
kind = "table_sugar"
grams = 240
[[recipe.ingredients]]
name = "honey"
kind = "honey"
grams = 80
[[recipe.ingredients]]
name = "hibiscus flowers"
grams = 40
lot = "H 7"
"#
        }
        "lime and mint 4" => {
            r#"
[recipe]
makes_ml = 4000
dilution = "straight"
lot = "4 C"
made_by = "the demo"
sugar_from = "drink"
[[recipe.ingredients]]
name = "sugar"
kind = "table_sugar"
grams = 240
[[recipe.ingredients]]
name = "grape sugar"
kind = "dextrose"
grams = 66
[[recipe.ingredients]]
name = "lime juice"
kind = "lemon_juice"
grams = 160
[[recipe.ingredients]]
name = "mint"
grams = 30
"#
        }
        "plum 1" => {
            r#"
[recipe]
makes_ml = 4000
lot = "1"
made_by = "the demo"
sugar_from = "drink"
[[recipe.ingredients]]
name = "plum juice"
kind = "juice"
sugar_percent = 11
grams = 650
[[recipe.ingredients]]
name = "sugar"
kind = "table_sugar"
grams = 220
"#
        }
        _ => "",
    }
}

/// The diaries by `start`.
pub(super) fn diary(start: Timestamp) -> Vec<DiaryEntry> {
    let ago = |days: i64, deed: &str, culture: &str, more: Value| {
        let mut entry = json!({
            "record": "diary", "culture": culture, "deed": deed, "time": start - SignedDuration::from_hours(24 * days),
        });
        if let (Value::Object(entry), Value::Object(more)) = (&mut entry, more) {
            entry.extend(more);
        }
        entry
    };
    let all = [
        ago(
            60,
            "started",
            "jar two",
            json!({ "allergens": ["barley"], "text": "made up for the demo" }),
        ),
        ago(40, "split_from", "jar three", json!({ "parent": "jar two" })),
        ago(
            9,
            "fed",
            "jar two",
            json!({ "grams": 20, "text": "ginger and sugar" }),
        ),
        ago(
            8,
            "fed",
            "jar three",
            json!({ "grams": 15, "text": "rye flour", "allergens": ["rye"] }),
        ),
        ago(7, "taken", "jar two", json!({ "grams": 100 })),
        ago(
            2,
            "looked",
            "jar three",
            json!({ "text": "foams, smells of bread" }),
        ),
        ago(1, "chilled", "jar two", json!({})),
    ];
    // Made up here and tested; one that did not read would be missing from a page of the demo.
    all.into_iter()
        .filter_map(|entry| serde_json::from_value(entry).ok())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_entry_reads() {
        assert_eq!(diary("2026-03-06T12:00:00Z".parse().unwrap()).len(), 7);
    }
}
