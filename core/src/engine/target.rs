//! A target that lies above the limit: then nobody may wait for it.

use crate::{
    batch::Batch,
    fit::Surroundings,
    forecast::Forecast,
    physics::{
        bottle::{ClosedBottle, Sealing},
        solubility::Solutes,
    },
    quantity::{AlcoholByVolume, GaugePressure, Share, Temperature},
};

/// How a target lies above its limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Above {
    /// With the target in it the fullest bottle stands at this pressure even in the fridge.
    InTheFridge(GaugePressure),
    /// In the room it passes the limit before the move that would end at the target is due.
    OnTheWay,
}

/// Gauge pressure of the fullest bottle in the fridge once it holds the target. The air shut in at the room's usual
/// temperature, its oxygen eaten; the sugar still whole, which only raises it.
pub(super) fn in_the_fridge(batch: &Batch, surroundings: &Surroundings) -> Option<GaugePressure> {
    let usual = Temperature::from_celsius(21.0).ok()?;
    let sealing = Sealing {
        headspace: batch.bottle.headspace,
        temperature: batch.expected_room.unwrap_or(usual),
        ambient: surroundings.usual_ambient,
    };
    let solutes = Solutes {
        sucrose: batch.drink.sucrose,
        hexose: batch.drink.hexose,
        unfermentable: batch.drink.unfermentable,
        alcohol: batch.drink.alcohol.unwrap_or(AlcoholByVolume::ZERO),
    };
    let shape = Batch {
        pilot: None,
        ..batch.clone()
    }
    .sensor_vessel();
    let fridge = batch.target.fridge;
    let plain = ClosedBottle::new(&shape, &sealing, solutes);
    let made = plain
        .at_content(batch.target.co2, fridge, Share::ALL)
        .ok()?
        .all_co2;
    let fullest = ClosedBottle::overfilled(&shape, batch.bottle.fill_tolerance, &sealing, solutes);
    let there = fullest.at_all_co2(made, fridge, Share::ALL).ok()?;
    there.pressure.to_gauge(surroundings.usual_ambient).ok()
}

/// By the medians of the forecast the limit is passed before the move is due, or no move comes due at all.
pub(super) fn limit_comes_first(forecast: &Forecast) -> bool {
    let limit = forecast.limit_at.and_then(|when| when.p50);
    let due = forecast.move_at.and_then(|when| when.p50);
    match (limit, due) {
        (Some(limit), Some(due)) => limit <= due,
        (Some(_), None) => true,
        (None, _) => false,
    }
}
