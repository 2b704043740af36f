//! Alcohol of a drink from the CO2 that was made in its bottle.

use crate::{
    batch::Batch,
    forecast::Quantiles,
    physics::sugar::abv_percent_of_co2,
    quantity::{AlcoholByVolume, Co2Volumes},
};

/// Lactic acid bacteria with fructose at hand make acetate and mannitol beside their CO2, and no alcohol: so much less of it at most
/// (stoichiometry of heterolactic fermentation; how much of a starter they are is common practice, no source).
const LESS: f64 = 0.7;

/// Balling's and the equation's alcohol beside the CO2 differ by less than this; a bottle differs from the pilot by some per cent, too.
const MORE: f64 = 1.1;

/// Alcohol that a drink with so much CO2 holds: what was entered, and what goes with the CO2 made since. Where the batch file says nothing
/// of CO2 or alcohol at the filling, both are taken as none: a drink that worked before it was sealed holds more.
#[must_use]
pub fn alcohol(batch: &Batch, co2: Quantiles<Co2Volumes>) -> Quantiles<AlcoholByVolume> {
    let before = batch.drink.alcohol.map_or(0.0, AlcoholByVolume::percent);
    let filled = batch.drink.co2.map_or(0.0, Co2Volumes::grams_per_litre);
    let with = |co2: Co2Volumes, factor: f64| {
        let made = (co2.grams_per_litre() - filled).max(0.0);
        let percent = before + factor * abv_percent_of_co2(made);
        AlcoholByVolume::from_percent(percent.clamp(0.0, 100.0)).unwrap_or(AlcoholByVolume::ZERO)
    };
    Quantiles {
        p05: with(co2.p05, LESS),
        p50: with(co2.p50, 1.0),
        p95: with(co2.p95, MORE),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_volumes_hold_about_half_a_percent() {
        let (mut batch, _) = Batch::from_toml(
            include_str!("../../../config/example-batch.toml"),
            "example-batch.toml",
        )
        .unwrap();
        let volumes = |v| Co2Volumes::from_volumes(v).unwrap();
        let told = |batch: &Batch, v| {
            let co2 = Quantiles {
                p05: volumes(v),
                p50: volumes(v),
                p95: volumes(v),
            };
            alcohol(batch, co2)
        };
        // 1.9 volumes made in the closed bottle are 0.5 % vol: four ethanol beside four CO2, OIML R 22.
        let half = told(&batch, 1.92);
        assert!((half.p50.percent() - 0.5).abs() < 0.01, "{half:?}");
        assert!(half.p05 < half.p50 && half.p50 < half.p95);
        batch.drink.alcohol = AlcoholByVolume::from_percent(0.3).ok();
        batch.drink.co2 = Some(volumes(0.92));
        let more = told(&batch, 1.92);
        assert!((more.p50.percent() - 0.56).abs() < 0.01, "{more:?}");
    }
}
