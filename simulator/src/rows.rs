//! Plays as text: CSV rows, notes, truth, SenML.

use crate::live::{Emitted, Note};
use crate::quantity::Unit;
use crate::truth::Truth;
use jiff::Timestamp;
use std::fmt::Write;

/// Header of a CSV file of readings.
pub const CSV_HEADER: &str = "time,source,quantity,value,unit";

fn millis(at: Timestamp) -> String {
    format!("{at:.3}")
}

impl Emitted {
    /// The reading as a CSV row without line end.
    #[must_use]
    pub fn csv_row(&self) -> String {
        let (at, quantity, unit) = (millis(self.at), self.quantity.name(), self.unit.symbol());
        format!("{at},{},{quantity},{},{unit}", self.source, self.value)
    }

    /// The reading as a SenML pack of one record (RFC 8428): `n` is "source/quantity", the unit is a
    /// registered one (gravity has none and keeps SG), `t` is absolute seconds since 1970.
    #[must_use]
    pub fn senml(&self) -> String {
        let usual = self.unit.to_usual(self.value);
        let unit = match self.quantity.usual_unit() {
            Unit::Bar => Unit::Pa,
            Unit::DegC => Unit::Cel,
            other => other,
        };
        let value = (unit.from_usual(usual) * 1.0e6).round() / 1.0e6;
        let record = serde_json::json!([{
            "n": format!("{}/{}", self.source, self.quantity.name()),
            "u": unit.symbol(),
            "v": value,
            "t": seconds(self.at),
        }]);
        record.to_string()
    }
}

#[expect(
    clippy::cast_precision_loss,
    reason = "milliseconds since 1970 are below 2^53"
)]
fn seconds(at: Timestamp) -> f64 {
    at.as_millisecond() as f64 / 1000.0
}

/// Readings as a CSV file in the order given.
#[must_use]
pub fn readings_csv(readings: &[Emitted]) -> String {
    let mut text = format!("{CSV_HEADER}\n");
    for reading in readings {
        text.push_str(&reading.csv_row());
        text.push('\n');
    }
    text
}

/// Notes, one JSON object a line.
#[must_use]
pub fn notes_jsonl(notes: &[Note]) -> String {
    notes
        .iter()
        .map(|note| serde_json::json!({"time": note.time, "kind": note.kind}).to_string() + "\n")
        .collect()
}

/// The truth as a CSV file.
#[must_use]
pub fn truth_csv(truth: &Truth) -> String {
    let mut text = String::from(
        "time,co2_volumes,total_co2_g_per_l,dissolved_g_per_l,pilot_bar,worst_bar,highest_bar,liquid_c,room_c,\
         ambient_bar,sugar_g_per_l,abv_percent,gravity\n",
    );
    for m in &truth.moments {
        let written = writeln!(
            text,
            "{},{:.4},{:.4},{:.4},{:.4},{:.4},{:.4},{:.3},{:.3},{:.4},{:.3},{:.4},{:.5}",
            m.at,
            m.co2_volumes,
            m.total_co2_g_per_l,
            m.dissolved_g_per_l,
            m.pilot_bar,
            m.worst_bar,
            m.highest_bar,
            m.liquid_c,
            m.room_c,
            m.ambient_bar,
            m.sugar_g_per_l,
            m.abv_percent,
            m.gravity
        );
        debug_assert!(written.is_ok(), "writing to a string cannot fail");
    }
    text
}
