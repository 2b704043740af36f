//! From the volts of a transducer or the tilt of a float to a quantity.

use std::collections::BTreeMap;

use fobwatch_core::{
    quantity::{Dimension, Unit},
    reading::{Measured, Quantity, Source},
};

use super::{Wrong, Zero};

/// The most points of a calibration.
pub const MAX_POINTS: usize = 200;

/// A ratiometric transducer is believed between these parts of its supply; beyond them a wire is broken or shorted
/// (common practice, no source: such parts are specified from 10 to 90 %).
const BELIEVED: std::ops::RangeInclusive<f64> = 0.02..=0.98;
const BELIEVED_ALLOWED: &str = "2 to 98 % of the supply";

/// How a raw value becomes a quantity: a line through two points, or a table of one's own.
///
/// Between two points of a table the line through them counts, and beyond its ends the line through the last two: a
/// pressure above the last point has to come out as one, not as a missing value.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    quantity: Quantity,
    raw: Dimension,
    unit: Unit,
    points: Vec<(f64, f64)>,
    supply: Option<Supply>,
}

/// What a ratiometric transducer is fed with: its output goes with the supply.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Supply {
    /// Volts at the transducer; of a converter that measures against them, what it counts there.
    pub whole: f64,
    /// Volts for which the points are stated, or the same counts.
    pub nominal: f64,
}

/// Why points are no calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadCalibration {
    /// Too few or too many.
    #[error("2 to {MAX_POINTS} points, each [raw, value]")]
    Count,
    /// Not finite.
    #[error("finite numbers")]
    NotFinite,
    /// The same raw value twice, or out of order.
    #[error("raw values that rise from point to point")]
    NotRising,
    /// The unit does not measure the quantity.
    #[error("a unit of the quantity, as bar for pressure, degC for a temperature, SG for gravity")]
    Unit,
    /// A value that cannot be.
    #[error("values that the quantity can have")]
    Impossible,
    /// A supply for something that is not volts, or no supply voltage.
    #[error("a supply of 0.1 to 60 V, for a transducer that gives volts")]
    Supply,
}

/// All calibrations of the configuration, by source and quantity, and what gauges read in open air.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibrations {
    all: BTreeMap<(Source, Quantity), Calibration>,
    /// In Pa.
    zeros: BTreeMap<Source, f64>,
}

impl Calibration {
    /// A calibration of `quantity` from `points` of (raw, value in `unit`); raw is in volts, in counts, or in degrees of
    /// inclination where the quantity is the gravity of a float.
    ///
    /// # Errors
    /// The points do not rise, are not finite, or the quantity cannot have those values.
    pub fn new(
        quantity: Quantity,
        raw: Dimension,
        unit: Unit,
        points: Vec<(f64, f64)>,
        supply: Option<Supply>,
    ) -> Result<Self, BadCalibration> {
        if !(2..=MAX_POINTS).contains(&points.len()) {
            return Err(BadCalibration::Count);
        }
        if !points
            .iter()
            .all(|(raw, value)| raw.is_finite() && value.is_finite())
        {
            return Err(BadCalibration::NotFinite);
        }
        if !points.windows(2).all(|pair| pair[0].0 < pair[1].0) {
            return Err(BadCalibration::NotRising);
        }
        for (_, value) in &points {
            match Measured::new(quantity, *value, unit) {
                Ok(_) => {}
                Err(fobwatch_core::reading::BadMeasurement::WrongUnit { .. }) => {
                    return Err(BadCalibration::Unit);
                }
                Err(_) => return Err(BadCalibration::Impossible),
            }
        }
        if let Some(supply) = supply {
            let known = match raw {
                Dimension::Voltage => 0.1..=60.0,
                Dimension::Counts => 1.0..=16_777_216.0,
                _ => return Err(BadCalibration::Supply),
            };
            if !known.contains(&supply.whole) || !known.contains(&supply.nominal) {
                return Err(BadCalibration::Supply);
            }
        }
        Ok(Self {
            quantity,
            raw,
            unit,
            points,
            supply,
        })
    }

    /// What a raw value stands for.
    fn apply(&self, raw: f64) -> Result<Measured, Wrong> {
        let mut raw = raw;
        if let Some(supply) = self.supply {
            if !BELIEVED.contains(&(raw / supply.whole)) {
                return Err(Wrong::AtTheRail {
                    given: raw,
                    supply: supply.whole,
                    unit: if self.raw == Dimension::Counts {
                        "counts"
                    } else {
                        "V"
                    },
                    allowed: BELIEVED_ALLOWED,
                });
            }
            raw *= supply.nominal / supply.whole;
        }
        let above = self.points.partition_point(|(point, _)| *point <= raw);
        let end = above.clamp(1, self.points.len() - 1);
        let ((x0, y0), (x1, y1)) = (self.points[end - 1], self.points[end]);
        let value = y0 + (y1 - y0) * ((raw - x0) / (x1 - x0));
        Measured::new(self.quantity, value, self.unit)
            .map_err(|error| Wrong::measurement(error, value, self.unit))
    }
}

impl Calibrations {
    /// Adds one; answers with false when that source and quantity has one already.
    pub fn insert(&mut self, source: Source, calibration: Calibration) -> bool {
        let key = (source, calibration.quantity);
        if self.all.contains_key(&key) {
            return false;
        }
        self.all.insert(key, calibration);
        true
    }

    /// Whether a raw value of that source becomes that quantity.
    #[must_use]
    pub fn has(&self, source: &Source, quantity: Quantity, raw: Dimension) -> bool {
        let found = self.all.get(&(source.clone(), quantity));
        found.is_some_and(|calibration| calibration.raw == raw)
    }

    /// From now on these are taken off the pressures of their gauges.
    pub fn set_zeros(&mut self, zeros: &[Zero]) {
        let zeros = zeros
            .iter()
            .map(|zero| (zero.source.clone(), zero.reads.pascal()));
        self.zeros = zeros.collect();
    }

    /// The typed value of `value` `unit`, by way of a calibration where the unit is raw.
    ///
    /// # Errors
    /// The number and unit are no such quantity, or the unit is raw and nothing calibrates it.
    pub fn measure(
        &self,
        source: &Source,
        quantity: Quantity,
        value: f64,
        unit: Unit,
    ) -> Result<Measured, Wrong> {
        let measured = self.as_shown(source, quantity, value, unit)?;
        match (&measured, self.zeros.get(source)) {
            (Measured::Pressure(shown), Some(zero)) => {
                let pascal = shown.pascal() - zero;
                Measured::new(Quantity::Pressure, pascal, Unit::Pascal)
                    .map_err(|error| Wrong::measurement(error, pascal, Unit::Pascal))
            }
            _ => Ok(measured),
        }
    }

    /// What the sensor itself shows.
    fn as_shown(
        &self,
        source: &Source,
        quantity: Quantity,
        value: f64,
        unit: Unit,
    ) -> Result<Measured, Wrong> {
        let (raw, name, value) = match unit {
            Unit::Volt => (Dimension::Voltage, "V", value),
            Unit::Millivolt => (Dimension::Voltage, "mV", value / 1_000.0),
            Unit::Degree => (Dimension::Angle, "deg", value),
            Unit::Count => (Dimension::Counts, "count", value),
            _ => {
                return Measured::new(quantity, value, unit)
                    .map_err(|error| Wrong::measurement(error, value, unit));
            }
        };
        let found = self.all.get(&(source.clone(), quantity));
        let Some(calibration) = found.filter(|calibration| calibration.raw == raw) else {
            return Err(Wrong::NotCalibrated {
                source_name: source.to_string(),
                quantity: quantity.name(),
                unit: name,
            });
        };
        calibration.apply(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pilot() -> Source {
        Source::new("pilot").unwrap()
    }

    fn transducer(points: Vec<(f64, f64)>, supply: Option<Supply>) -> Calibrations {
        let calibration =
            Calibration::new(Quantity::Pressure, Dimension::Voltage, Unit::Bar, points, supply).unwrap();
        let mut all = Calibrations::default();
        assert!(all.insert(pilot(), calibration));
        all
    }

    fn bar(all: &Calibrations, value: f64, unit: Unit) -> f64 {
        all.measure(&pilot(), Quantity::Pressure, value, unit)
            .unwrap()
            .stored_value()
            / 1.0e5
    }

    #[test]
    fn a_ratiometric_transducer_follows_its_supply() {
        // The common 0.5 to 4.5 V at 5 V: half of the supply is half of the span, whatever the supply.
        let points = vec![(0.5, 0.0), (4.5, 10.0)];
        for volts in [4.8, 5.0, 5.2] {
            let supply = Supply {
                whole: volts,
                nominal: 5.0,
            };
            let all = transducer(points.clone(), Some(supply));
            assert!((bar(&all, volts / 2.0, Unit::Volt) - 5.0).abs() < 1e-12);
            assert!((bar(&all, volts * 500.0, Unit::Millivolt) - 5.0).abs() < 1e-12);
            for broken in [0.0, volts] {
                let wrong = all
                    .measure(&pilot(), Quantity::Pressure, broken, Unit::Volt)
                    .unwrap_err();
                assert!(matches!(wrong, Wrong::AtTheRail { .. }), "{wrong}");
            }
        }
    }

    #[test]
    fn counts_of_a_converter_are_a_share_of_its_whole_range() {
        // 0.5 to 4.5 V of 5 V, as a converter of 12 bits that measures against the same 5 V counts them.
        let points = vec![(409.6, 0.0), (3_686.4, 10.0)];
        let supply = Supply {
            whole: 4_096.0,
            nominal: 4_096.0,
        };
        let calibration = Calibration::new(
            Quantity::Pressure,
            Dimension::Counts,
            Unit::Bar,
            points,
            Some(supply),
        )
        .unwrap();
        let mut all = Calibrations::default();
        assert!(all.insert(pilot(), calibration));
        assert!((bar(&all, 2_048.0, Unit::Count) - 5.0).abs() < 1e-12);
        let told = |value, unit| {
            let wrong = all.measure(&pilot(), Quantity::Pressure, value, unit);
            wrong.unwrap_err().to_string()
        };
        assert!(told(0.0, Unit::Count).contains("0 counts is at the rail"));
        assert!(told(4_095.0, Unit::Count).contains("a broken or shorted wire reads so"));
        assert!(told(2.5, Unit::Volt).contains("unit V is of a raw sensor"));
    }

    #[test]
    fn two_points_make_a_line_that_goes_on_above_them() {
        let all = transducer(vec![(1.0, 0.0), (2.0, 1.5)], None);
        assert!((bar(&all, 1.5, Unit::Volt) - 0.75).abs() < 1e-12);
        assert!((bar(&all, 4.0, Unit::Volt) - 4.5).abs() < 1e-12);
    }

    #[test]
    fn a_table_bends_at_its_points() {
        let float = Calibration::new(
            Quantity::Gravity,
            Dimension::Angle,
            Unit::SpecificGravity,
            vec![(25.0, 1.000), (45.0, 1.030), (60.0, 1.060)],
            None,
        )
        .unwrap();
        let mut all = Calibrations::default();
        all.insert(pilot(), float);
        for (degrees, gravity) in [(35.0, 1.015), (45.0, 1.030), (52.5, 1.045), (65.0, 1.070)] {
            let measured = all
                .measure(&pilot(), Quantity::Gravity, degrees, Unit::Degree)
                .unwrap();
            assert!((measured.stored_value() - gravity).abs() < 1e-12, "{degrees}");
        }
    }

    #[test]
    fn a_raw_value_without_a_calibration_says_which_one_is_missing() {
        let wrong = Calibrations::default()
            .measure(&pilot(), Quantity::Pressure, 2.5, Unit::Volt)
            .unwrap_err();
        assert!(
            wrong
                .to_string()
                .contains("[[calibration]] for source `pilot`, quantity `pressure`")
        );
    }

    #[test]
    fn points_that_are_no_calibration_are_refused() {
        let make = |points: Vec<(f64, f64)>, unit| {
            Calibration::new(Quantity::Pressure, Dimension::Voltage, unit, points, None).unwrap_err()
        };
        assert_eq!(make(vec![(0.5, 0.0)], Unit::Bar), BadCalibration::Count);
        assert_eq!(
            make(vec![(0.5, 0.0), (0.5, 1.0)], Unit::Bar),
            BadCalibration::NotRising
        );
        assert_eq!(
            make(vec![(0.5, 0.0), (4.5, f64::NAN)], Unit::Bar),
            BadCalibration::NotFinite
        );
        assert_eq!(
            make(vec![(0.5, 0.0), (4.5, 10.0)], Unit::Celsius),
            BadCalibration::Unit
        );
        assert_eq!(
            make(vec![(0.5, 0.0), (4.5, 900.0)], Unit::Bar),
            BadCalibration::Impossible
        );
    }
}
