//! The table of contents and pressures: what is dissolved at a temperature and a gauge pressure, or which gauge pressure
//! holds a content. Equilibrium alone, no fermentation; the engine of the `table` command.

use serde::Serialize;

use crate::{
    physics::{
        air,
        solubility::{self, Solutes},
        water,
    },
    quantity::{
        AbsolutePressure, AlcoholByVolume, Co2Volumes, GaugePressure, MassConcentration, NotAQuantity,
        PartialPressure, Temperature,
    },
};

/// Temperature at which a bottle of the table is closed, in degC (as the `table` command tells).
const CLOSED_AT_C: f64 = 20.0;

/// What is above the drink.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum TableHeadspace {
    /// Closed on air at 20 degC, its oxygen since eaten: nitrogen stands beside CO2 and vapour.
    #[default]
    Air,
    /// CO2 and vapour alone.
    Purged,
}

/// What the lines are made for.
#[derive(Clone, Debug, PartialEq)]
pub enum Columns {
    /// Gauge pressures, 0 to 10 bar: the lines give the content.
    Pressures(Vec<GaugePressure>),
    /// Contents: the lines give the gauge pressure, which has to lie in 0 to 10 bar.
    Contents(Vec<Co2Volumes>),
}

/// A table as asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Temperatures of the drink, 0 to 40 degC.
    pub temperatures: Vec<Temperature>,
    /// Pressures or contents.
    pub columns: Columns,
    /// Sugar, 0 to 400 g/L. Taken as half sucrose and half hexose, as in a drink at work: 100 g/L cost 11 % of the
    /// content; sucrose alone would cost 8 %, hexose alone 14 %.
    pub sugar: MassConcentration,
    /// Alcohol, 0 to 20 % vol.
    pub alcohol: AlcoholByVolume,
    /// What is above the drink.
    pub headspace: TableHeadspace,
    /// Pressure of the surrounding air, 0.3 to 1.2 bar (a summit, a deep pit).
    pub ambient: AbsolutePressure,
}

/// One line, written as `{"record":"content", ...}`; six significant digits.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(tag = "record", rename = "content")]
pub struct Content {
    /// Temperature of the drink in degC.
    pub temperature_c: f64,
    /// Gauge pressure in bar.
    pub pressure_bar: f64,
    /// Dissolved CO2 in volumes per litre of finished drink.
    pub co2_volumes: f64,
    /// The same in grams per litre.
    pub co2_g_per_l: f64,
}

/// A value of the table that is refused.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{what} is {given}; allowed: {allowed}")]
pub struct Refused {
    /// Which value, as a person says it.
    pub what: String,
    /// What was given, with its unit.
    pub given: String,
    /// What would have been accepted.
    pub allowed: &'static str,
}

const TEMPERATURES: &str = "0 to 40 degC";
const PRESSURES: &str = "0 to 10 bar gauge";

impl Table {
    /// Pure water, headspace of air, one standard atmosphere: the defaults of the surface.
    #[must_use]
    pub fn new(temperatures: Vec<Temperature>, columns: Columns) -> Self {
        Self {
            temperatures,
            columns,
            sugar: MassConcentration::ZERO,
            alcohol: AlcoholByVolume::ZERO,
            headspace: TableHeadspace::Air,
            ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
        }
    }

    /// The lines, temperature first, then pressure or content, in the order given.
    ///
    /// Weiss 1974 and the rest of [`crate::physics`]; what is dissolved at that temperature and pressure, not the
    /// target's sense.
    ///
    /// # Errors
    /// All values that lie outside their range, at once. A content whose gauge pressure lies outside 0 to 10 bar is one.
    pub fn lines(&self) -> Result<Vec<Content>, Vec<Refused>> {
        let mut refused = self.check();
        if !refused.is_empty() {
            return Err(refused);
        }
        let mut lines = Vec::new();
        for &temperature in &self.temperatures {
            match &self.columns {
                Columns::Pressures(pressures) => {
                    for &pressure in pressures {
                        match self.content(temperature, pressure) {
                            Ok(content) => lines.push(line(temperature, pressure, content)),
                            Err(error) => refused.push(impossible(&error)),
                        }
                    }
                }
                Columns::Contents(contents) => {
                    for &content in contents {
                        match self.pressure(temperature, content) {
                            Ok(pressure) if in_range(pressure.bar(), 0.0, 10.0) => {
                                lines.push(line(temperature, pressure, content));
                            }
                            Ok(pressure) => refused.push(Refused {
                                what: format!(
                                    "pressure of {} volumes at {} degC",
                                    tidy(content.volumes()),
                                    tidy(temperature.celsius())
                                ),
                                given: format!("{:.3} bar gauge", pressure.bar()),
                                allowed: PRESSURES,
                            }),
                            Err(error) => refused.push(impossible(&error)),
                        }
                    }
                }
            }
        }
        if refused.is_empty() {
            Ok(lines)
        } else {
            Err(refused)
        }
    }

    fn check(&self) -> Vec<Refused> {
        let mut refused = Vec::new();
        let mut within = |what: &str, value: f64, unit: &str, low: f64, high: f64, allowed: &'static str| {
            if !in_range(value, low, high) {
                refused.push(Refused {
                    what: what.to_owned(),
                    given: format!("{} {unit}", tidy(value)),
                    allowed,
                });
            }
        };
        for temperature in &self.temperatures {
            within(
                "temperature",
                temperature.celsius(),
                "degC",
                0.0,
                40.0,
                TEMPERATURES,
            );
        }
        if let Columns::Pressures(pressures) = &self.columns {
            for pressure in pressures {
                within("pressure", pressure.bar(), "bar gauge", 0.0, 10.0, PRESSURES);
            }
        }
        within(
            "sugar",
            self.sugar.grams_per_litre(),
            "g/L",
            0.0,
            400.0,
            "0 to 400 g/L",
        );
        within(
            "alcohol",
            self.alcohol.percent(),
            "% vol",
            0.0,
            20.0,
            "0 to 20 % vol",
        );
        within(
            "ambient pressure",
            self.ambient.bar(),
            "bar",
            0.3,
            1.2,
            "0.3 to 1.2 bar",
        );
        refused
    }

    fn content(&self, temperature: Temperature, pressure: GaugePressure) -> Result<Co2Volumes, NotAQuantity> {
        let others = self.others(temperature)?;
        let total = pressure.to_absolute(self.ambient)?;
        let co2 = PartialPressure::from_pascal((total.pascal() - others.pascal()).max(0.0))?;
        solubility::dissolved(temperature, co2, others, &self.solutes()?)
    }

    fn pressure(&self, temperature: Temperature, content: Co2Volumes) -> Result<GaugePressure, NotAQuantity> {
        let others = self.others(temperature)?;
        let co2 = solubility::pressure_over(temperature, content, others, &self.solutes()?)?;
        AbsolutePressure::from_pascal(co2.pascal() + others.pascal())?.to_gauge(self.ambient)
    }

    /// Pressure of vapour and nitrogen.
    fn others(&self, temperature: Temperature) -> Result<PartialPressure, NotAQuantity> {
        let vapour = water::vapour_pressure(temperature)?;
        let nitrogen = match self.headspace {
            TableHeadspace::Air => {
                air::nitrogen_left(Temperature::from_celsius(CLOSED_AT_C)?, self.ambient, temperature)?
                    .pascal()
            }
            TableHeadspace::Purged => 0.0,
        };
        PartialPressure::from_pascal(vapour.pascal() + nitrogen)
    }

    fn solutes(&self) -> Result<Solutes, NotAQuantity> {
        let half = MassConcentration::from_grams_per_litre(0.5 * self.sugar.grams_per_litre())?;
        Ok(Solutes {
            sucrose: half,
            hexose: half,
            unfermentable: MassConcentration::ZERO,
            alcohol: self.alcohol,
        })
    }
}

fn line(temperature: Temperature, pressure: GaugePressure, content: Co2Volumes) -> Content {
    Content {
        temperature_c: tidy(temperature.celsius()),
        pressure_bar: six_digits(tidy(pressure.bar())),
        co2_volumes: six_digits(content.volumes()),
        co2_g_per_l: six_digits(content.grams_per_litre()),
    }
}

fn impossible(error: &NotAQuantity) -> Refused {
    Refused {
        what: error.quantity.to_owned(),
        given: format!("{}", error.given),
        allowed: error.allowed,
    }
}

/// Bounds take the rounding of unit conversions: 40 degC is 313.15 K give or take the last bit.
fn in_range(value: f64, low: f64, high: f64) -> bool {
    (low - 1e-9..=high + 1e-9).contains(&value)
}

/// Without the last bits that a conversion to SI and back leaves.
fn tidy(value: f64) -> f64 {
    // Adding zero turns -0.0 into 0.0.
    (value * 1e8).round() / 1e8 + 0.0
}

fn six_digits(value: f64) -> f64 {
    if value.abs() < 1e-9 {
        return 0.0;
    }
    let per_unit = 10f64.powf(5.0 - value.abs().log10().floor());
    (value * per_unit).round() / per_unit
}

#[cfg(test)]
mod tests {
    use super::*;

    fn degrees(celsius: &[f64]) -> Vec<Temperature> {
        celsius
            .iter()
            .map(|c| Temperature::from_celsius(*c).unwrap())
            .collect()
    }

    fn bars(bar: &[f64]) -> Columns {
        Columns::Pressures(bar.iter().map(|b| GaugePressure::from_bar(*b).unwrap()).collect())
    }

    #[test]
    fn lines_run_temperature_first_and_keep_the_numbers_as_given() {
        let table = Table::new(degrees(&[4.0, 40.0]), bars(&[0.0, 10.0]));
        let lines = table.lines().unwrap();
        let order: Vec<String> = lines
            .iter()
            .map(|l| format!("{} {}", l.temperature_c, l.pressure_bar))
            .collect();
        assert_eq!(order, ["4 0", "4 10", "40 0", "40 10"]);
    }

    #[test]
    fn a_content_gives_back_the_pressure_it_came_from() {
        for headspace in [TableHeadspace::Air, TableHeadspace::Purged] {
            let mut table = Table::new(degrees(&[0.0, 17.3, 40.0]), bars(&[0.3, 2.0, 9.9]));
            table.headspace = headspace;
            table.sugar = MassConcentration::from_grams_per_litre(80.0).unwrap();
            table.alcohol = AlcoholByVolume::from_percent(1.0).unwrap();
            for line in table.lines().unwrap() {
                let back = Table {
                    temperatures: degrees(&[line.temperature_c]),
                    columns: Columns::Contents(vec![Co2Volumes::from_volumes(line.co2_volumes).unwrap()]),
                    ..table.clone()
                };
                let back = back.lines().unwrap()[0];
                assert!(
                    (back.pressure_bar - line.pressure_bar).abs() < 1e-4,
                    "{line:?} {back:?}"
                );
            }
        }
    }

    #[test]
    fn all_values_out_of_range_are_named_at_once() {
        let mut table = Table::new(degrees(&[-0.5, 20.0, 41.0]), bars(&[-0.1, 1.0, 10.5]));
        table.sugar = MassConcentration::from_grams_per_litre(900.0).unwrap();
        let refused: Vec<String> = table
            .lines()
            .unwrap_err()
            .iter()
            .map(ToString::to_string)
            .collect();
        assert_eq!(
            refused,
            [
                "temperature is -0.5 degC; allowed: 0 to 40 degC",
                "temperature is 41 degC; allowed: 0 to 40 degC",
                "pressure is -0.1 bar gauge; allowed: 0 to 10 bar gauge",
                "pressure is 10.5 bar gauge; allowed: 0 to 10 bar gauge",
                "sugar is 900 g/L; allowed: 0 to 400 g/L",
            ]
        );
    }

    #[test]
    fn a_content_that_needs_more_than_ten_bar_is_refused() {
        let contents = Columns::Contents(vec![Co2Volumes::from_volumes(9.0).unwrap()]);
        let refused = Table::new(degrees(&[40.0]), contents).lines().unwrap_err();
        assert_eq!(refused[0].what, "pressure of 9 volumes at 40 degC");
        assert_eq!(refused[0].allowed, "0 to 10 bar gauge");
    }

    #[test]
    fn the_record_has_the_shape_of_the_interface() {
        let line = Table::new(degrees(&[20.0]), bars(&[2.0])).lines().unwrap()[0];
        assert!((line.pressure_bar - 2.0).abs() < 1e-12);
        assert!((line.co2_g_per_l / line.co2_volumes - 1.977).abs() < 1e-4);
    }
}
