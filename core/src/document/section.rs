//! One table of a document.

use std::collections::BTreeSet;

use jiff::Timestamp;
use toml::{
    Spanned,
    de::{DeTable, DeValue},
};

use super::{Document, Problem, shown};

/// One table: each reader takes a key, says what is wrong with it, and remembers that the key is known.
#[derive(Debug)]
pub struct Section<'d, 't> {
    document: &'d mut Document<'t>,
    table: &'d DeTable<'t>,
    path: String,
    start: usize,
    known: BTreeSet<&'static str>,
}

impl<'d, 't> Section<'d, 't> {
    pub(super) fn new(
        document: &'d mut Document<'t>,
        table: &'d DeTable<'t>,
        path: String,
        start: usize,
    ) -> Self {
        Self {
            document,
            table,
            path,
            start,
            known: BTreeSet::new(),
        }
    }

    /// Whether the key stands there at all.
    #[must_use]
    pub fn has(&self, key: &str) -> bool {
        self.table.get(key).is_some()
    }

    /// The keys that stand there, for tables whose keys are free.
    #[must_use]
    pub fn keys(&self) -> Vec<String> {
        self.table.keys().map(|key| key.get_ref().to_string()).collect()
    }

    /// A number for which `accept` holds; `None` if absent or refused.
    pub fn number(&mut self, key: &'static str, allowed: &str, accept: impl Fn(f64) -> bool) -> Option<f64> {
        let value = self.take(key)?;
        match finite(value.get_ref()) {
            Some(number) if accept(number) => Some(number),
            _ => self.refuse(key, value, allowed),
        }
    }

    /// A whole number from `least` to `most`.
    pub fn whole(&mut self, key: &'static str, least: u32, most: u32) -> Option<u32> {
        let value = self.take(key)?;
        let number = match value.get_ref() {
            DeValue::Integer(integer) => u32::from_str_radix(integer.as_str(), integer.radix()).ok(),
            _ => None,
        };
        match number {
            Some(number) if (least..=most).contains(&number) => Some(number),
            _ => self.refuse(key, value, &format!("a whole number from {least} to {most}")),
        }
    }

    /// A text that `read` turns into something.
    pub fn text<T>(
        &mut self,
        key: &'static str,
        allowed: &str,
        read: impl FnOnce(&str) -> Option<T>,
    ) -> Option<T> {
        let value = self.take(key)?;
        match value.get_ref().as_str().and_then(read) {
            Some(read) => Some(read),
            None => self.refuse(key, value, allowed),
        }
    }

    /// True or false.
    pub fn truth(&mut self, key: &'static str) -> Option<bool> {
        let value = self.take(key)?;
        match value.get_ref().as_bool() {
            Some(truth) => Some(truth),
            None => self.refuse(key, value, "true or false"),
        }
    }

    /// A list of texts, each turned into something by `read`.
    pub fn texts<T>(
        &mut self,
        key: &'static str,
        allowed: &str,
        read: impl Fn(&str) -> Option<T>,
    ) -> Option<Vec<T>> {
        let value = self.take(key)?;
        let list: Option<Vec<T>> = value.get_ref().as_array().and_then(|list| {
            list.iter()
                .map(|entry| entry.get_ref().as_str().and_then(&read))
                .collect()
        });
        match list {
            Some(list) => Some(list),
            None => self.refuse(key, value, allowed),
        }
    }

    /// A list of pairs of finite numbers, as `[[0.5, 0.0], [4.5, 10.0]]`.
    pub fn pairs(&mut self, key: &'static str, allowed: &str) -> Option<Vec<(f64, f64)>> {
        let value = self.take(key)?;
        let pair = |entry: &Spanned<DeValue<'t>>| match entry.get_ref().as_array()?.iter().as_slice() {
            [first, second] => Some((finite(first.get_ref())?, finite(second.get_ref())?)),
            _ => None,
        };
        let list: Option<Vec<_>> = value
            .get_ref()
            .as_array()
            .and_then(|list| list.iter().map(pair).collect());
        match list {
            Some(list) => Some(list),
            None => self.refuse(key, value, allowed),
        }
    }

    /// A moment: RFC 3339 in quotes, or a TOML date-time with an offset.
    pub fn moment(&mut self, key: &'static str) -> Option<Timestamp> {
        let value = self.take(key)?;
        let moment = match value.get_ref() {
            DeValue::String(text) => text.parse::<Timestamp>().ok(),
            DeValue::Datetime(datetime) if datetime.offset.is_some() => {
                datetime.to_string().parse::<Timestamp>().ok()
            }
            _ => None,
        };
        match moment {
            Some(moment) => Some(moment),
            None => self.refuse(
                key,
                value,
                "a day and hour with the zone's offset, as \"2026-03-02T08:00:00+01:00\"",
            ),
        }
    }

    /// A table below this one, read by `read`; `None` if absent or refused.
    pub fn section<T>(
        &mut self,
        key: &'static str,
        read: impl FnOnce(&mut Section<'_, 't>) -> Option<T>,
    ) -> Option<T> {
        let value = self.take(key)?;
        let Some(table) = value.get_ref().as_table() else {
            return self.refuse(key, value, &format!("a table: [{}]", self.key_path(key)));
        };
        let mut section = Section::new(self.document, table, self.key_path(key), value.span().start);
        let read = read(&mut section);
        section.finish();
        read
    }

    /// A list of tables (`[[key]]`), each read by `read` with its index; refused ones are left out and told.
    pub fn sections<T>(
        &mut self,
        key: &'static str,
        mut read: impl FnMut(&mut Section<'_, 't>, usize) -> Option<T>,
    ) -> Vec<T> {
        let Some(value) = self.take(key) else {
            return Vec::new();
        };
        let Some(list) = value.get_ref().as_array() else {
            self.refuse::<()>(
                key,
                value,
                &format!("a list of tables: [[{}]]", self.key_path(key)),
            );
            return Vec::new();
        };
        let mut out = Vec::new();
        for (index, entry) in list.iter().enumerate() {
            let path = format!("{}[{index}]", self.key_path(key));
            let Some(table) = entry.get_ref().as_table() else {
                let given = entry.get_ref().type_str().to_owned();
                self.problem(entry.span().start, path, given, "a table");
                continue;
            };
            let mut section = Section::new(self.document, table, path, entry.span().start);
            out.extend(read(&mut section, index));
            section.finish();
        }
        out
    }

    /// Text entries of a table whose keys are free, as (key, value): anything that is not text is refused.
    pub fn free_texts(&mut self, allowed: &str) -> Vec<(String, String)> {
        let mut out = Vec::new();
        let table = self.table;
        for (key, value) in table {
            let name = key.get_ref().to_string();
            match value.get_ref().as_str() {
                Some(text) => out.push((name, text.to_owned())),
                None => {
                    let path = self.key_path(&name);
                    self.problem(value.span().start, path, given(value), allowed);
                }
            }
        }
        out
    }

    /// Refuses the entry `key` (which stands there) for a reason that only the caller knows.
    pub fn refuse_entry(&mut self, key: &'static str, allowed: &str) {
        let table = self.table;
        if let Some(value) = table.get(key) {
            self.refuse::<()>(key, value, allowed);
        }
    }

    /// Says that `key` must stand there, unless it does.
    pub fn require(&mut self, key: &'static str, allowed: &str) {
        self.known.insert(key);
        if !self.has(key) {
            let path = self.key_path(key);
            self.problem(self.start, path, "missing".to_owned(), allowed);
        }
    }

    /// Refuses keys that nobody asked for, with the nearest known name.
    pub(super) fn finish(self) {
        for (key, _) in self.table {
            let name = key.get_ref().as_ref();
            if self.known.contains(name) {
                continue;
            }
            let nearest = self.known.iter().max_by(|a, b| {
                let near = |known: &str| strsim::jaro_winkler(known, name);
                near(a).total_cmp(&near(b))
            });
            let known = self.known.iter().copied().collect::<Vec<_>>().join(", ");
            let allowed = match nearest {
                Some(nearest) if strsim::jaro_winkler(nearest, name) > 0.75 => {
                    format!("did you mean `{nearest}`? Known here: {known}")
                }
                _ => known,
            };
            let path = if self.path.is_empty() {
                shown(name)
            } else {
                format!("{}.{}", self.path, shown(name))
            };
            let line = self.document.line_at(key.span().start);
            self.document.problems.push(Problem {
                line,
                key: path,
                given: "not known".to_owned(),
                allowed,
            });
        }
    }

    fn take(&mut self, key: &'static str) -> Option<&'d Spanned<DeValue<'t>>> {
        self.known.insert(key);
        let table = self.table;
        table.get(key)
    }

    fn refuse<T>(&mut self, key: &str, value: &Spanned<DeValue<'t>>, allowed: &str) -> Option<T> {
        let path = self.key_path(key);
        self.problem(value.span().start, path, given(value), allowed);
        None
    }

    fn problem(&mut self, start: usize, key: String, given: String, allowed: &str) {
        let line = self.document.line_at(start);
        self.document.problems.push(Problem {
            line,
            key,
            given,
            allowed: allowed.to_owned(),
        });
    }

    fn key_path(&self, key: &str) -> String {
        if self.path.is_empty() {
            key.to_owned()
        } else {
            format!("{}.{key}", self.path)
        }
    }
}

/// The finite number that a value is, if it is one.
fn finite(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix())
            .ok()
            .and_then(|integer| format!("{integer}").parse::<f64>().ok()),
        DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
        _ => None,
    };
    number.filter(|number| number.is_finite())
}

fn given(value: &Spanned<DeValue<'_>>) -> String {
    match value.get_ref() {
        DeValue::String(text) => format!("\"{}\"", shown(text)),
        DeValue::Integer(integer) => shown(integer.as_str()),
        DeValue::Float(float) => shown(float.as_str()),
        DeValue::Boolean(truth) => truth.to_string(),
        DeValue::Datetime(datetime) => datetime.to_string(),
        DeValue::Array(_) => "a list".to_owned(),
        DeValue::Table(_) => "a table".to_owned(),
    }
}
