//! What the rules see: the content that the gauge shows once the trapped nitrogen is taken off, half hour by half hour.

use fobwatch_core::{
    batch::Batch,
    physics::{
        bottle::{ClosedBottle, Sealing},
        solubility::Solutes,
    },
    quantity::{AbsolutePressure, AlcoholByVolume, GaugePressure, Share, Temperature},
    reading::Measured,
};

use crate::{
    play::{Row, hours},
    score::quantile,
};

/// Content of the labelled bottle in the target's sense, in volumes, at hours since the sealing, in rising order: medians of half
/// an hour of gauge and thermometer, usual air pressure, all oxygen eaten and all nitrogen left.
pub(crate) fn content(batch: &Batch, rows: &[Row]) -> Vec<(f64, f64)> {
    let mut halves: Vec<(i32, Vec<f64>, Vec<f64>)> = Vec::new();
    let mut sealed_at = None;
    for row in rows {
        let at_h = hours(batch.bottled_at, row.reading.at);
        #[expect(clippy::cast_possible_truncation, reason = "half hours of a batch")]
        let half = (2.0 * at_h).floor() as i32;
        let place = match halves.binary_search_by_key(&half, |(half, ..)| *half) {
            Ok(place) => place,
            Err(place) => {
                halves.insert(place, (half, Vec::new(), Vec::new()));
                place
            }
        };
        let Some((_, pressures, temperatures)) = halves.get_mut(place) else {
            continue;
        };
        match row.reading.measured {
            Measured::Pressure(pressure) => pressures.push(pressure.bar()),
            Measured::LiquidTemperature(temperature) => {
                sealed_at.get_or_insert(temperature);
                temperatures.push(temperature.celsius());
            }
            _ => {}
        }
    }
    let Some(bottles) = sealed_at.map(|temperature| Bottles::of(batch, temperature)) else {
        return Vec::new();
    };
    let points = halves.iter().filter_map(|(half, pressures, temperatures)| {
        let content = bottles.content(quantile(pressures, 0.5), quantile(temperatures, 0.5))?;
        Some((f64::from(*half) / 2.0 + 0.25, content))
    });
    points.collect()
}

struct Bottles {
    pilot: ClosedBottle,
    labelled: ClosedBottle,
    fridge: Temperature,
}

impl Bottles {
    fn of(batch: &Batch, temperature: Temperature) -> Self {
        let sealing = Sealing {
            headspace: batch.bottle.headspace,
            temperature,
            ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
        };
        let solutes = Solutes {
            sucrose: batch.drink.sucrose,
            hexose: batch.drink.hexose,
            unfermentable: batch.drink.unfermentable,
            alcohol: batch.drink.alcohol.unwrap_or(AlcoholByVolume::ZERO),
        };
        let mut shape = batch.sensor_vessel();
        let pilot = ClosedBottle::new(&shape, &sealing, solutes);
        shape.capacity = batch.bottle.capacity;
        shape.fill = batch.bottle.fill;
        shape.dead_volume = fobwatch_core::quantity::LiquidVolume::ZERO;
        let labelled = ClosedBottle::new(&shape, &sealing, solutes);
        Self {
            pilot,
            labelled,
            fridge: batch.target.fridge,
        }
    }

    fn content(&self, bar: f64, celsius: f64) -> Option<f64> {
        let gauge = GaugePressure::from_bar(bar).ok()?;
        let temperature = Temperature::from_celsius(celsius).ok()?;
        let air = AbsolutePressure::STANDARD_ATMOSPHERE;
        let all = self
            .pilot
            .at_gauge(gauge, air, temperature, Share::ALL)
            .ok()?
            .all_co2;
        let chilled = self.labelled.at_all_co2(all, self.fridge, Share::ALL).ok()?;
        Some(chilled.content.volumes())
    }
}
