//! Points as lines: the InfluxDB line protocol, version 2 ("Line protocol", InfluxDB OSS v2 documentation).
//!
//! Our own encoder: the crate that carries the lines leaves line ends in tags and backslashes in texts as they are.

use std::fmt::Write;

use jiff::Timestamp;

/// One point. The same measurement, tags and time make the same point: sent twice, it is there once.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Point {
    pub(super) measurement: &'static str,
    /// Few values each, in the order of their names; an empty value is left out.
    pub(super) tags: Vec<(&'static str, String)>,
    /// Finite numbers; with none of them the point is no line.
    pub(super) fields: Vec<(&'static str, f64)>,
    pub(super) at: Timestamp,
}

impl Point {
    /// Adds the line with its end; nothing if no field is a number.
    pub(super) fn write(&self, lines: &mut String) {
        let mut fields = self
            .fields
            .iter()
            .filter(|(_, value)| value.is_finite())
            .peekable();
        if fields.peek().is_none() {
            return;
        }
        lines.push_str(self.measurement);
        for (name, value) in self.tags.iter().filter(|(_, value)| !value.is_empty()) {
            lines.push(',');
            lines.push_str(name);
            lines.push('=');
            tag(value, lines);
        }
        for (place, (name, value)) in (0_u32..).zip(fields) {
            lines.push(if place == 0 { ' ' } else { ',' });
            lines.push_str(name);
            // The shortest text that reads back as the same number; never with an exponent's plus sign or a bare point.
            write!(lines, "={value}").ok();
        }
        writeln!(lines, " {}", self.at.as_microsecond()).ok();
    }
}

/// A tag's value. What separates is escaped; a line end, which nothing can escape, becomes a blank; so does a backslash at the end,
/// which would escape what follows.
fn tag(value: &str, lines: &mut String) {
    let (kept, ends) = match value.strip_suffix('\\') {
        Some(kept) => (kept, true),
        None => (value, false),
    };
    for c in kept.chars() {
        match c {
            ',' | '=' | ' ' => {
                lines.push('\\');
                lines.push(c);
            }
            c if c.is_control() => lines.push_str("\\ "),
            c => lines.push(c),
        }
    }
    if ends {
        lines.push_str("\\ ");
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn line(tags: Vec<(&'static str, String)>, fields: Vec<(&'static str, f64)>) -> String {
        let point = Point {
            measurement: "reading",
            tags,
            fields,
            at: Timestamp::from_microsecond(1_772_438_400_000_001).unwrap(),
        };
        let mut lines = String::new();
        point.write(&mut lines);
        lines
    }

    type Read = (Vec<(String, String)>, Vec<(String, f64)>, i64);

    /// A reader of its own after the documentation: escapes before `,`, `=` and blank; the rest is literal.
    fn read(line: &str) -> Read {
        let mut parts: Vec<String> = vec![String::new()];
        let mut chars = line.trim_end_matches('\n').chars().peekable();
        while let Some(c) = chars.next() {
            match (c, chars.peek()) {
                ('\\', Some(next)) if ",= ".contains(*next) => {
                    let next = chars.next().unwrap();
                    parts.last_mut().unwrap().extend(['\u{1}', next]);
                }
                (' ', _) => parts.push(String::new()),
                (c, _) => parts.last_mut().unwrap().push(c),
            }
        }
        assert_eq!(parts.len(), 3, "{line:?}");
        let split = |text: &str, by: char| -> Vec<String> {
            let mut out = vec![String::new()];
            let mut chars = text.chars();
            while let Some(c) = chars.next() {
                if c == '\u{1}' {
                    out.last_mut().unwrap().extend(['\u{1}', chars.next().unwrap()]);
                } else if c == by {
                    out.push(String::new());
                } else {
                    out.last_mut().unwrap().push(c);
                }
            }
            out
        };
        let plain = |text: &str| text.replace('\u{1}', "");
        let pair = |text: &String| {
            let both = split(text, '=');
            assert_eq!(both.len(), 2, "{line:?}");
            (plain(&both[0]), plain(&both[1]))
        };
        let tags = split(&parts[0], ',')[1..].iter().map(pair).collect();
        let fields = split(&parts[1], ',')
            .iter()
            .map(pair)
            .map(|(name, value)| (name, value.parse().unwrap()))
            .collect();
        (tags, fields, parts[2].parse().unwrap())
    }

    #[test]
    fn a_point_is_the_line_of_the_documentation() {
        let told = line(
            vec![
                ("batch", "lime and mint 4".to_owned()),
                ("empty", String::new()),
                ("odd", "a,b=c".to_owned()),
            ],
            vec![("pressure_bar", 0.0122), ("gone", f64::NAN), ("tiny", 1e-7)],
        );
        assert_eq!(
            told,
            "reading,batch=lime\\ and\\ mint\\ 4,odd=a\\,b\\=c pressure_bar=0.0122,tiny=0.0000001 1772438400000001\n"
        );
        assert_eq!(line(Vec::new(), vec![("gone", f64::INFINITY)]), "");
    }

    proptest! {
        #[test]
        fn whatever_a_name_holds_one_line_comes_and_reads_back(name in ".{1,80}", value in any::<f64>()) {
            let told = line(vec![("batch", name.clone())], vec![("value", value), ("one", 1.0)]);
            prop_assert_eq!(told.matches('\n').count(), 1);
            let (tags, fields, at) = read(&told);
            prop_assert_eq!(at, 1_772_438_400_000_001);
            let blank = |c: char| if c.is_control() { ' ' } else { c };
            let mut wanted: String = name.chars().map(blank).collect();
            if wanted.ends_with('\\') {
                wanted.pop();
                wanted.push(' ');
            }
            prop_assert_eq!(&tags[0].1, &wanted);
            if value.is_finite() {
                prop_assert_eq!(fields[0].1.to_bits(), value.to_bits());
            }
        }
    }
}
