//! A recorded folder: what `fobwatch export --batch` or `write` left there.

use crate::Failure;
use crate::pace::{Outgoing, Pace, Speed};
use fobwatch_simulator::{CSV_HEADER, Quantity, Unit};
use jiff::{SignedDuration, Timestamp};
use std::path::Path;

/// Most refused rows that are told one by one.
const MOST_TOLD: usize = 20;

/// 2^28: below it a SenML time is relative (RFC 8428, 4.5.3).
const FIRST_ABSOLUTE_S: i64 = 1 << 28;

/// A row of readings.csv.
struct Row {
    at: Timestamp,
    source: String,
    quantity: Quantity,
    value: f64,
    unit: Unit,
}

impl Row {
    fn read(line: &str) -> Result<Self, String> {
        const SHAPE: &str = "a row is not time,source,quantity,value,unit";
        let (at, rest) = line.split_once(',').ok_or(SHAPE)?;
        let mut end = rest.rsplitn(4, ',');
        let mut next = || end.next().ok_or(SHAPE);
        let (unit, value, quantity, source) = (next()?, next()?, next()?, next()?);
        let source = source
            .strip_prefix('"')
            .and_then(|inner| inner.strip_suffix('"'))
            .map_or_else(|| source.to_owned(), |inner| inner.replace("\"\"", "\""));
        let allowed = |names: Vec<&str>| names.join(", ");
        let quantity = Quantity::ALL
            .into_iter()
            .find(|known| known.name() == quantity)
            .ok_or_else(|| {
                let names = Quantity::ALL.iter().map(|known| known.name()).collect();
                format!("the quantity is `{quantity}`; allowed: {}", allowed(names))
            })?;
        let unit = Unit::ALL
            .into_iter()
            .find(|known| known.symbol() == unit && known.fits(quantity))
            .ok_or_else(|| {
                let fit = Unit::ALL.iter().filter(|known| known.fits(quantity));
                let names = fit.map(|known| known.symbol()).collect();
                format!("the unit is `{unit}`; allowed: {}", allowed(names))
            })?;
        let at: Timestamp = at
            .parse()
            .map_err(|_| format!("the time is `{at}`; allowed: an RFC 3339 time"))?;
        if at.as_second() < FIRST_ABSOLUTE_S {
            return Err(format!(
                "the time is {at}; allowed: from 1978-07-04T21:24:16Z on, since SenML takes a smaller number as seconds from now"
            ));
        }
        Ok(Self {
            at,
            value: value
                .parse()
                .ok()
                .filter(|value: &f64| value.is_finite())
                .ok_or_else(|| format!("the value is `{value}`; allowed: a finite number"))?,
            source,
            quantity,
            unit,
        })
    }

    /// With its value as it stands in the file wherever SenML knows the unit: nothing is lost on the way.
    fn senml(&self) -> String {
        let (unit, value) = match self.unit {
            Unit::Pa | Unit::Cel | Unit::K => (self.unit.symbol(), self.value),
            Unit::DegC => (Unit::Cel.symbol(), self.value),
            Unit::Sg => ("/", self.value),
            Unit::Bar | Unit::Mbar | Unit::Hpa | Unit::Kpa | Unit::Psi => (
                Unit::Pa.symbol(),
                Unit::Pa.from_usual(self.unit.to_usual(self.value)),
            ),
            Unit::DegF => (Unit::Cel.symbol(), self.unit.to_usual(self.value)),
            Unit::DegP => ("/", self.unit.to_usual(self.value)),
        };
        let name = serde_json::Value::from(format!("{}/{}", self.source, self.quantity.name()));
        let micros = self.at.as_microsecond();
        let (seconds, rest) = (micros.div_euclid(1_000_000), micros.rem_euclid(1_000_000));
        format!(r#"[{{"n":{name},"u":"{unit}","v":{value},"t":{seconds}.{rest:06}}}]"#)
    }

    fn csv(&self) -> String {
        let source = if self.source.contains([',', '"']) {
            format!("\"{}\"", self.source.replace('"', "\"\""))
        } else {
            self.source.clone()
        };
        let (at, quantity, unit) = (self.at, self.quantity.name(), self.unit.symbol());
        format!("{at},{source},{quantity},{},{unit}", self.value)
    }
}

/// Reads a folder to be played in the order of its rows, its first one dated `begins` if that is given. Rows that are none are
/// told and left out.
pub(crate) fn load(folder: &Path, begins: Option<Timestamp>, speed: Speed) -> Result<Pace, Failure> {
    let place = folder.join("readings.csv");
    let text = std::fs::read_to_string(&place)
        .map_err(|error| Failure::Usage(format!("{}: {error}", place.display())))?;
    let mut lines = text.lines();
    if lines.next().map(str::trim_end) != Some(CSV_HEADER) {
        return Err(Failure::Usage(format!(
            "{}: line 1 is not the header; allowed: {CSV_HEADER}",
            place.display()
        )));
    }
    let (mut rows, mut refused) = (Vec::new(), 0);
    for (number, line) in (2..).zip(lines).filter(|(_, line)| !line.trim().is_empty()) {
        match Row::read(line) {
            Ok(row) => rows.push(row),
            Err(why) => {
                refused += 1;
                if refused <= MOST_TOLD {
                    eprintln!("{}, line {number} is left out: {why}", place.display());
                }
            }
        }
    }
    let Some(first) = rows.first().map(|row| row.at) else {
        return Err(Failure::Usage(format!("{} holds no readings", place.display())));
    };
    if refused > 0 {
        eprintln!("{refused} rows are left out.");
    }
    let by = begins.map_or(SignedDuration::ZERO, |begins| begins.duration_since(first));
    let mut due = Timestamp::MIN;
    let mut readings = Vec::with_capacity(rows.len());
    for mut row in rows {
        row.at = row
            .at
            .checked_add(by)
            .map_err(|error| Failure::Usage(format!("--begins: {error}")))?;
        // Rows stand in the order of their arrival; a late one goes out where it stands.
        due = due.max(row.at);
        readings.push(Outgoing {
            due,
            senml: row.senml(),
            csv: row.csv(),
            source: row.source,
        });
    }
    let starts = readings.first().map_or(first, |reading| reading.due);
    if folder.join("notes.jsonl").exists() {
        eprintln!(
            "Notes are not sent: `fobwatch note` writes them, and batch.toml is for `fobwatch batch add`."
        );
    }
    Ok(Pace::of(&folder.display().to_string(), starts, readings, speed))
}
