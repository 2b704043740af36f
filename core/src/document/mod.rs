//! TOML read by hand, so that every problem of a file is told at once, each with its line, key, value and what is allowed.
//!
//! A derived deserialiser stops at the first problem; a person who copies a file wants the whole list.

mod masked;
mod section;

use std::{collections::BTreeSet, fmt};

use toml::de::DeTable;

pub use section::Section;

/// One rejected entry.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// Line of the entry, from 1.
    pub line: usize,
    /// Key path, as `bottle.fill_ml`; empty when the text is no TOML.
    pub key: String,
    /// What stands there, or "missing".
    pub given: String,
    /// What would be accepted.
    pub allowed: String,
}

/// All problems of one file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BadDocument {
    /// The file, as the user named it.
    pub place: String,
    /// At least one, by line.
    pub problems: Vec<Problem>,
}

/// A document under reading: hands out sections and collects what is wrong with them.
#[derive(Debug)]
pub struct Document<'t> {
    text: &'t str,
    place: &'t str,
    root: DeTable<'t>,
    problems: Vec<Problem>,
}

impl<'t> Document<'t> {
    /// Parses the text; syntax errors are kept with the other problems.
    #[must_use]
    pub fn parse(text: &'t str, place: &'t str) -> Self {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let (root, errors) = DeTable::parse_recoverable(text);
        let mut document = Self {
            text,
            place,
            root: root.into_inner(),
            problems: Vec::new(),
        };
        for error in errors {
            let start = error.span().map_or(0, |span| span.start);
            document.problems.push(Problem {
                line: document.line_at(start),
                key: String::new(),
                given: shown(&masked::masked_line(text, start)),
                allowed: format!("TOML ({})", error.message()),
            });
        }
        document
    }

    /// Reads the whole document with `read`, which sees the top table as a [`Section`].
    ///
    /// # Errors
    /// Every problem found: syntax, keys nobody asked for, and what `read` refused.
    pub fn read<T>(mut self, read: impl FnOnce(&mut Section<'_, 't>) -> Option<T>) -> Result<T, BadDocument> {
        let root = std::mem::take(&mut self.root);
        let whole = self.problems.is_empty();
        let mut section = Section::new(&mut self, &root, String::new(), 0);
        let value = read(&mut section);
        section.finish();
        if !whole {
            // After a syntax error the rest of the file is a guess: missing keys would be false alarms.
            self.problems.retain(|problem| problem.given != "missing");
        }
        match value {
            Some(value) if self.problems.is_empty() => Ok(value),
            _ => {
                self.problems.sort_by_key(|problem| problem.line);
                let mut seen = BTreeSet::new();
                self.problems
                    .retain(|problem| seen.insert((problem.line, problem.key.clone())));
                Err(BadDocument {
                    place: self.place.to_owned(),
                    problems: self.problems,
                })
            }
        }
    }

    fn line_at(&self, offset: usize) -> usize {
        let before = self.text.as_bytes().get(..offset).unwrap_or(self.text.as_bytes());
        1 + before.iter().filter(|byte| **byte == b'\n').count()
    }
}

/// A value as a message shows it: one line, at most 60 characters, control characters replaced, and nothing that logs in.
fn shown(value: &str) -> String {
    crate::plain::line(&masked::masked(value), 60)
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.key.is_empty() {
            write!(
                f,
                "line {}: cannot be read at `{}`; allowed: {}",
                self.line, self.given, self.allowed
            )
        } else {
            write!(
                f,
                "line {}: `{}` is {}; allowed: {}",
                self.line, self.key, self.given, self.allowed
            )
        }
    }
}

impl fmt::Display for BadDocument {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let plural = if self.problems.len() == 1 {
            "problem"
        } else {
            "problems"
        };
        write!(f, "{} has {} {plural}", self.place, self.problems.len())?;
        for problem in &self.problems {
            write!(f, "\n  {problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for BadDocument {}
