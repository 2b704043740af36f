//! One table of a scenario, read key by key: what is wrong is told with the key, the value and what is allowed, and the rest is read all the same.

use super::BadEntry;
use std::collections::BTreeSet;
use toml::{Table, Value};

/// One table on its way through the checks: remembers which keys were asked for.
pub(super) struct Section<'a> {
    path: String,
    pub(super) table: Option<&'a Table>,
    pub(super) asked: BTreeSet<&'static str>,
}

impl<'a> Section<'a> {
    pub(super) fn root(table: &'a Table) -> Self {
        Self {
            path: String::new(),
            table: Some(table),
            asked: BTreeSet::new(),
        }
    }

    pub(super) fn key(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }

    pub(super) fn value(&mut self, key: &'static str) -> Option<&'a Value> {
        self.asked.insert(key);
        self.table?.get(key)
    }

    pub(super) fn refuse(
        &self,
        key: &str,
        given: &str,
        allowed: impl Into<String>,
        problems: &mut Vec<BadEntry>,
    ) {
        problems.push(BadEntry {
            key: self.key(key),
            given: given.to_owned(),
            allowed: allowed.into(),
        });
    }

    pub(super) fn optional(
        &mut self,
        key: &'static str,
        (low, high): (f64, f64),
        problems: &mut Vec<BadEntry>,
    ) -> Option<f64> {
        let value = self.value(key)?;
        #[expect(
            clippy::cast_precision_loss,
            reason = "an integer beyond 2^53 is out of every range"
        )]
        let number = match value {
            Value::Integer(whole) => Some(*whole as f64),
            Value::Float(number) => Some(*number),
            _ => None,
        };
        match number {
            Some(number) if (low..=high).contains(&number) => Some(number),
            _ => {
                self.refuse(
                    key,
                    &value.to_string(),
                    format!("a number from {low} to {high}"),
                    problems,
                );
                None
            }
        }
    }

    pub(super) fn number(
        &mut self,
        key: &'static str,
        usual: f64,
        range: (f64, f64),
        problems: &mut Vec<BadEntry>,
    ) -> f64 {
        self.optional(key, range, problems).unwrap_or(usual)
    }

    pub(super) fn yes(&mut self, key: &'static str, usual: bool, problems: &mut Vec<BadEntry>) -> bool {
        match self.value(key) {
            None => usual,
            Some(Value::Boolean(answer)) => *answer,
            Some(other) => {
                self.refuse(key, &other.to_string(), "true or false", problems);
                usual
            }
        }
    }

    /// A name of 1 to 80 characters (sentences: 400) without control characters.
    pub(super) fn text(
        &mut self,
        key: &'static str,
        usual: &str,
        longest: usize,
        problems: &mut Vec<BadEntry>,
    ) -> String {
        match self.value(key) {
            None => usual.to_owned(),
            Some(Value::String(text))
                if !text.trim().is_empty()
                    && text.chars().count() <= longest
                    && !text.chars().any(char::is_control) =>
            {
                text.clone()
            }
            Some(other) => {
                let allowed = format!("1 to {longest} characters without control characters");
                self.refuse(key, &other.to_string(), allowed, problems);
                usual.to_owned()
            }
        }
    }

    pub(super) fn choice<T: serde::de::DeserializeOwned>(
        &mut self,
        key: &'static str,
        allowed: &str,
        problems: &mut Vec<BadEntry>,
    ) -> Option<T> {
        let value = self.value(key)?;
        let found = value.clone().try_into().ok();
        if found.is_none() {
            self.refuse(key, &value.to_string(), allowed, problems);
        }
        found
    }

    pub(super) fn table(&mut self, key: &'static str, problems: &mut Vec<BadEntry>) -> Section<'a> {
        let path = self.key(key);
        let table = match self.value(key) {
            None => None,
            Some(Value::Table(table)) => Some(table),
            Some(other) => {
                self.refuse(key, &other.to_string(), format!("a table [{path}]"), problems);
                None
            }
        };
        Section {
            path,
            table,
            asked: BTreeSet::new(),
        }
    }

    pub(super) fn tables(&mut self, key: &'static str, problems: &mut Vec<BadEntry>) -> Vec<Section<'a>> {
        let path = self.key(key);
        match self.value(key) {
            None => Vec::new(),
            Some(Value::Array(entries)) if entries.iter().all(Value::is_table) => entries
                .iter()
                .enumerate()
                .map(|(index, entry)| Section {
                    path: format!("{path}[{index}]"),
                    table: entry.as_table(),
                    asked: BTreeSet::new(),
                })
                .collect(),
            Some(other) => {
                self.refuse(
                    key,
                    &other.to_string(),
                    format!("a list of tables [[{path}]]"),
                    problems,
                );
                Vec::new()
            }
        }
    }

    /// Complains about every key that nobody asked for.
    pub(super) fn done(self, problems: &mut Vec<BadEntry>) {
        let Some(table) = self.table else { return };
        for key in table.keys().filter(|key| !self.asked.contains(key.as_str())) {
            let nearest = self.asked.iter().min_by_key(|known| distance(known, key));
            let allowed = nearest.map_or_else(|| "no key".to_owned(), |known| format!("perhaps `{known}`"));
            self.refuse(key, "an unknown key", allowed, problems);
        }
    }
}

/// Levenshtein distance.
fn distance(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.chars().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, y) in b.iter().enumerate() {
            let changed = corner + usize::from(x != *y);
            corner = row[j + 1];
            row[j + 1] = changed.min(corner + 1).min(row[j] + 1);
        }
    }
    row[b.len()]
}
