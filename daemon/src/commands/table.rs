//! `fobwatch table`

use clap::{Args, ValueEnum};
use fobwatch_core::{
    quantity::{
        AbsolutePressure, AlcoholByVolume, Co2Volumes, GaugePressure, MassConcentration, Temperature,
    },
    table::{Columns, Table, TableHeadspace},
};

use super::{Ended, json, say};

/// Tell what is dissolved at a temperature and a gauge pressure, or the pressure of a content.
#[derive(Debug, Args)]
#[command(
    after_help = "Examples:\n  fobwatch table --temperature 4,10,20 --pressure 0.5,1,2\n  fobwatch table --temperature 20 --volumes \
                  2.5,3 --sugar 60\n\nDegrees C and bar gauge. Content is what is dissolved at that temperature and pressure."
)]
pub(super) struct TableCommand {
    /// Temperatures in degC, 0 to 40
    #[arg(long, value_delimiter = ',', required = true, allow_negative_numbers = true)]
    temperature: Vec<f64>,
    /// Gauge pressures in bar, 0 to 10
    #[arg(
        long,
        value_delimiter = ',',
        required_unless_present = "volumes",
        conflicts_with = "volumes",
        allow_negative_numbers = true
    )]
    pressure: Vec<f64>,
    /// Contents in volumes: gives the gauge pressure instead
    #[arg(long, value_delimiter = ',', allow_negative_numbers = true)]
    volumes: Vec<f64>,
    /// Sugar in g/L
    #[arg(long, default_value_t = 0.0, value_name = "G_PER_L")]
    sugar: f64,
    /// Alcohol in % vol
    #[arg(long, default_value_t = 0.0, value_name = "PERCENT")]
    abv: f64,
    /// What is above the drink
    #[arg(long, value_enum, default_value = "air")]
    headspace: Above,
    /// Pressure of the surrounding air in bar
    #[arg(long, default_value_t = 1.013_25, value_name = "BAR")]
    ambient: f64,
    /// One JSON record a line
    #[arg(long)]
    json: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Above {
    /// closed on air at 20 degC, its oxygen since eaten
    Air,
    /// CO2 and vapour alone
    Purged,
}

impl TableCommand {
    pub(super) fn run(self) -> Result<(), Ended> {
        let lines = self.table()?.lines().map_err(|refused| {
            let all: Vec<String> = refused.iter().map(ToString::to_string).collect();
            Ended::Refused(all.join("\n       "))
        })?;
        for line in &lines {
            if self.json {
                say(&json(line)?)?;
            } else {
                say(&format!(
                    "At {} degC and {} bar gauge: {} volumes, {} g/L of CO2.",
                    line.temperature_c,
                    four(line.pressure_bar),
                    four(line.co2_volumes),
                    four(line.co2_g_per_l)
                ))?;
            }
        }
        Ok(())
    }

    fn table(&self) -> Result<Table, Ended> {
        let refused = |error: fobwatch_core::quantity::NotAQuantity| Ended::Refused(error.to_string());
        let temperatures: Result<Vec<_>, _> = self
            .temperature
            .iter()
            .map(|c| Temperature::from_celsius(*c))
            .collect();
        let columns = if self.volumes.is_empty() {
            let pressures: Result<Vec<_>, _> = self
                .pressure
                .iter()
                .map(|p| GaugePressure::from_bar(*p))
                .collect();
            Columns::Pressures(pressures.map_err(refused)?)
        } else {
            let contents: Result<Vec<_>, _> = self
                .volumes
                .iter()
                .map(|v| Co2Volumes::from_volumes(*v))
                .collect();
            Columns::Contents(contents.map_err(refused)?)
        };
        let mut table = Table::new(temperatures.map_err(refused)?, columns);
        table.sugar = MassConcentration::from_grams_per_litre(self.sugar).map_err(refused)?;
        table.alcohol = AlcoholByVolume::from_percent(self.abv).map_err(refused)?;
        table.ambient = AbsolutePressure::from_bar(self.ambient).map_err(refused)?;
        table.headspace = match self.headspace {
            Above::Air => TableHeadspace::Air,
            Above::Purged => TableHeadspace::Purged,
        };
        Ok(table)
    }
}

/// The number with at least four significant digits; what is zero to seven decimals is zero.
fn four(value: f64) -> String {
    let decimals = [10.0, 1.0, 0.1, 0.01, 0.001, 5e-8]
        .into_iter()
        .zip(2_usize..)
        .find(|(least, _)| value.abs() >= *least)
        .map_or(3, |(_, decimals)| decimals);
    format!("{value:.decimals$}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_four_significant_digits_or_more() {
        for (value, text) in [
            (0.5, "0.5000"),
            (12.345_67, "12.35"),
            (1.867_6, "1.868"),
            (0.060_512_3, "0.06051"),
            (0.004_321_9, "0.004322"),
            (-0.25, "-0.2500"),
            (0.0, "0.000"),
        ] {
            assert_eq!(four(value), text);
        }
    }
}
