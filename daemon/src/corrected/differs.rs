//! What two batch files say differently, key by key.

use std::{collections::BTreeMap, fmt};

use serde::{Deserialize, Serialize};
use toml::de::{DeTable, DeValue};

/// One entry that differs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Change {
    /// Its key, as `bottle.fill_ml`.
    pub(crate) key: String,
    /// What stood there; `None`: nothing.
    pub(crate) was: Option<String>,
    /// What stands there.
    pub(crate) is: Option<String>,
}

impl fmt::Display for Change {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { key, was, is } = self;
        match (was, is) {
            (Some(was), Some(is)) => write!(f, "{key} was {was}, is {is}"),
            (None, Some(is)) => write!(f, "{key} was left out, is {is}"),
            (Some(was), None) => write!(f, "{key} was {was}, is left out"),
            (None, None) => write!(f, "{key} is as it was"),
        }
    }
}

/// Every entry of a TOML text by its key; numbers as they count, so that 475 and 475.0 are one. Empty where it is no TOML.
pub(crate) fn entries_of(text: &str) -> BTreeMap<String, String> {
    let mut all = BTreeMap::new();
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if let Ok(table) = DeTable::parse(text) {
        flatten("", table.get_ref(), &mut all);
    }
    all
}

/// What differs, by key.
pub(super) fn between(before: &str, after: &str) -> Vec<Change> {
    let (before, mut after) = (entries_of(before), entries_of(after));
    let mut changes: Vec<Change> = Vec::new();
    for (key, was) in before {
        let is = after.remove(&key);
        if is.as_ref() != Some(&was) {
            let was = Some(was);
            changes.push(Change { key, was, is });
        }
    }
    changes.extend(after.into_iter().map(|(key, is)| Change {
        key,
        was: None,
        is: Some(is),
    }));
    changes.sort_by(|a, b| a.key.cmp(&b.key));
    changes
}

fn flatten(place: &str, table: &DeTable<'_>, all: &mut BTreeMap<String, String>) {
    for (key, value) in table {
        let key = key.get_ref();
        let place = if place.is_empty() {
            key.to_string()
        } else {
            format!("{place}.{key}")
        };
        one(&place, value.get_ref(), all);
    }
}

fn one(place: &str, value: &DeValue<'_>, all: &mut BTreeMap<String, String>) {
    match value {
        DeValue::Table(table) => flatten(place, table, all),
        DeValue::Array(array) => {
            for (number, value) in array.iter().enumerate() {
                one(&format!("{place}[{}]", number + 1), value.get_ref(), all);
            }
        }
        DeValue::String(text) => {
            all.insert(place.to_owned(), text.to_string());
        }
        DeValue::Integer(number) => {
            all.insert(place.to_owned(), counted(&number.to_string()));
        }
        DeValue::Float(number) => {
            all.insert(place.to_owned(), counted(&number.to_string()));
        }
        DeValue::Boolean(yes) => {
            all.insert(place.to_owned(), yes.to_string());
        }
        DeValue::Datetime(at) => {
            all.insert(place.to_owned(), at.to_string());
        }
    }
}

fn counted(number: &str) -> String {
    let plain = number.replace('_', "");
    plain
        .parse::<f64>()
        .map_or_else(|_| number.to_owned(), |number| number.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_one_however_it_is_written() {
        let before = "a = 475\n[b]\nc = [1, 2]\nd = \"x\"\ne = 1\n";
        let after = "a = 475.0\nb = { c = [1, 3], d = \"x\", f = true }\n";
        let told: Vec<String> = between(before, after).iter().map(ToString::to_string).collect();
        assert_eq!(
            told,
            [
                "b.c[2] was 2, is 3",
                "b.e was 1, is left out",
                "b.f was left out, is true"
            ]
        );
    }
}
