//! `[[serial]]`: a serial port and how its lines are read.

use fobwatch_core::document::Section;
use jiff::Timestamp;

use super::channel;
use crate::decode::{
    self, Calibrations, Decoded,
    delimited::{self, Delimiter, Mapping},
    senml,
};

const PORT: &str = "the name of a port, as \"/dev/serial/by-id/usb-...\", that no other [[serial]] block has";

/// A serial port. Eight data bits, no parity, one stop bit.
#[derive(Clone, Debug, PartialEq)]
pub struct Port {
    /// Its name.
    pub name: String,
    /// Bits per second.
    pub baud: u32,
    /// How its lines are read.
    pub format: LineFormat,
}

/// How a line is read.
#[derive(Clone, Debug, PartialEq)]
pub enum LineFormat {
    /// One SenML message a line.
    Senml,
    /// Delimited text.
    Delimited(Mapping),
}

impl Port {
    /// The readings of one line.
    #[must_use]
    pub fn decode(&self, line: &[u8], arrival: Timestamp, calibrations: &Calibrations) -> Decoded {
        decode::forgiving(|| match &self.format {
            LineFormat::Senml => senml::read(line, arrival, calibrations),
            LineFormat::Delimited(mapping) => delimited::read(line, mapping, arrival, calibrations),
        })
    }
}

pub(super) fn read(
    section: &mut Section<'_, '_>,
    others: &[Port],
    calibrations: &Calibrations,
) -> Option<Port> {
    section.require("port", PORT);
    section.require("format", "\"senml\" or \"delimited\"");
    let name = section.text("port", PORT, |text| {
        let whole = (1..=4_000).contains(&text.len()) && !text.chars().any(char::is_control);
        (whole && others.iter().all(|other| other.name != text)).then(|| text.to_owned())
    });
    let baud = section.whole("baud", 50, 4_000_000).unwrap_or(115_200);
    let delimited = section.text("format", "\"senml\" or \"delimited\"", |text| match text {
        "senml" => Some(false),
        "delimited" => Some(true),
        _ => None,
    });
    let mapping = mapping(section, calibrations);
    let format = if delimited? {
        section.require("columns", "one or more [[serial.columns]]");
        LineFormat::Delimited(mapping)
    } else {
        for key in ["delimiter", "time_column", "time_form", "columns"] {
            section.refuse_entry(key, "only with format = \"delimited\"");
        }
        LineFormat::Senml
    };
    Some(Port {
        name: name?,
        baud,
        format,
    })
}

fn mapping(section: &mut Section<'_, '_>, calibrations: &Calibrations) -> Mapping {
    let allowed = "one character that is no digit, sign, point, letter or quote; \"tab\" or \"blanks\"";
    let delimiter = section.text("delimiter", allowed, |text| match text {
        "tab" => Some(Delimiter::Character('\t')),
        "blanks" => Some(Delimiter::Blanks),
        _ => {
            let mut chars = text.chars();
            let (first, rest) = (chars.next()?, chars.next());
            let plain = !first.is_alphanumeric() && !first.is_control() && !"+-.\"".contains(first);
            (rest.is_none() && plain).then_some(Delimiter::Character(first))
        }
    });
    let time_column = section.whole("time_column", 1, 1_000);
    let form = channel::time_form(section);
    let columns = section.sections("columns", |section, _| {
        section.require("column", "a whole number from 1 to 1000");
        let column = section.whole("column", 1, 1_000);
        let channel = channel::read(section, calibrations);
        let column = column?;
        if time_column == Some(column) {
            section.refuse_entry("column", "a column that is not `time_column`");
        }
        Some((usize::try_from(column).ok()?, channel?))
    });
    Mapping {
        delimiter: delimiter.unwrap_or(Delimiter::Character(',')),
        time: time_column
            .and_then(|column| usize::try_from(column).ok())
            .map(|column| (column, form)),
        columns,
    }
}
