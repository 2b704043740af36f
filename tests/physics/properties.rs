//! What holds for every bottle.

use fobwatch_core::batch::Headspace;
use fobwatch_core::physics::bottle::ClosedBottle;
use fobwatch_core::physics::solubility::{Solutes, dissolved, pressure_over};
use fobwatch_core::physics::sugar::{Yield, co2_from, hexose_for};
use fobwatch_core::physics::water;
use fobwatch_core::quantity::{
    AbsolutePressure, AlcoholByVolume, Co2Volumes, GaugePressure, LiquidVolume, MassConcentration, Share,
};
use proptest::prelude::*;

use crate::{
    bottle::{sealing, shape},
    reference::{celsius, partial_bar},
};

prop_compose! {
    fn bottles(fullest: f64)(
        capacity in 200.0..2_000.0f64,
        share in 0.5..fullest,
        sucrose in 0.0..120.0f64,
        hexose in 0.0..80.0f64,
        abv in 0.0..3.0f64,
        headspace in prop::sample::select(vec![Headspace::Air, Headspace::Foam, Headspace::Purged]),
    ) -> ClosedBottle {
        let solutes = Solutes {
            sucrose: MassConcentration::from_grams_per_litre(sucrose).unwrap(),
            hexose: MassConcentration::from_grams_per_litre(hexose).unwrap(),
            alcohol: AlcoholByVolume::from_percent(abv).unwrap(),
            ..Solutes::WATER
        };
        ClosedBottle::new(&shape(capacity, capacity * share), &sealing(headspace), solutes)
    }
}

fn eaten(share: f64) -> Share {
    Share::from_one(share).unwrap()
}

proptest! {
    #[test]
    fn gauge_to_content_to_gauge(bottle in bottles(0.985), t in 0.0..40.0f64, bar in 0.3..10.0f64, o in 0.0..1.0f64, air in 0.85..1.05f64) {
        let ambient = AbsolutePressure::from_bar(air).unwrap();
        let there = bottle.at_gauge(GaugePressure::from_bar(bar).unwrap(), ambient, celsius(t), eaten(o)).unwrap();
        // A gauge below warm air and vapour means no CO2, and says nothing to return to.
        prop_assume!(there.co2.bar() > 1e-3);
        let by_content = bottle.at_content(there.content, celsius(t), eaten(o)).unwrap();
        let by_total = bottle.at_all_co2(there.all_co2, celsius(t), eaten(o)).unwrap();
        prop_assert!((by_content.pressure.bar() - air - bar).abs() < 1e-5, "{there:?} {by_content:?}");
        prop_assert!((by_total.pressure.bar() - air - bar).abs() < 1e-5, "{there:?} {by_total:?}");
    }

    #[test]
    fn content_to_gauge_to_content(bottle in bottles(0.985), t in 0.0..40.0f64, v in 0.2..6.0f64, o in 0.0..1.0f64, air in 0.85..1.05f64) {
        let ambient = AbsolutePressure::from_bar(air).unwrap();
        let there = bottle.at_content(Co2Volumes::from_volumes(v).unwrap(), celsius(t), eaten(o)).unwrap();
        prop_assert!((there.content.volumes() - v).abs() < 1e-8, "{there:?}");
        let back = bottle.at_gauge(there.pressure.to_gauge(ambient).unwrap(), ambient, celsius(t), eaten(o)).unwrap();
        prop_assert!((back.content.volumes() - v).abs() < 1e-6, "{there:?} {back:?}");
        prop_assert!((back.all_co2.grams_per_litre() / there.all_co2.grams_per_litre() - 1.0).abs() < 1e-6);
    }

    #[test]
    fn dissolved_to_pressure_to_dissolved(t in 0.0..40.0f64, bar in 0.01..10.0f64, other in 0.0..2.0f64, sugar in 0.0..150.0f64) {
        let solutes = Solutes { sucrose: MassConcentration::from_grams_per_litre(sugar).unwrap(), ..Solutes::WATER };
        let (co2, other) = (partial_bar(bar), partial_bar(other));
        let content = dissolved(celsius(t), co2, other, &solutes).unwrap();
        let back = pressure_over(celsius(t), content, other, &solutes).unwrap();
        prop_assert!((back.bar() / bar - 1.0).abs() < 1e-8, "{back:?}");
        // Sugar pushes it out.
        prop_assert!(sugar < 0.1 || content < dissolved(celsius(t), co2, other, &Solutes::WATER).unwrap());
    }

    #[test]
    fn sugar_to_co2_to_sugar(grams in 0.0..150.0f64, more in 0.01..10.0f64) {
        let hexose = |grams| MassConcentration::from_grams_per_litre(grams).unwrap();
        for yields in [Yield::Stoichiometric, Yield::Balling] {
            let co2 = co2_from(hexose(grams), yields).unwrap();
            prop_assert!((hexose_for(co2, yields).unwrap().grams_per_litre() - grams).abs() < 1e-9);
            prop_assert!(co2_from(hexose(grams + more), yields).unwrap() > co2);
        }
    }

    #[test]
    fn warmer_water_is_thinner_and_gives_more_vapour(t in 4.0..149.0f64, more in 0.01..1.0f64) {
        let (cold, warm) = (celsius(t), celsius(t + more));
        prop_assert!(water::vapour_pressure(warm).unwrap() > water::vapour_pressure(cold).unwrap());
        prop_assert!(water::density(warm).unwrap() < water::density(cold).unwrap());
    }

    #[test]
    fn more_content_presses_harder(bottle in bottles(0.985), t in 0.0..40.0f64, v in 0.0..6.0f64, more in 0.01..2.0f64) {
        let at = |v: f64| bottle.at_content(Co2Volumes::from_volumes(v).unwrap(), celsius(t), Share::ALL).unwrap();
        prop_assert!(at(v + more).pressure > at(v).pressure);
        prop_assert!(at(v + more).all_co2 > at(v).all_co2);
    }

    // The same CO2 in each litre of drink: with less room above it there is more pressure, so the fullest bottle is the worst.
    #[test]
    fn a_fuller_bottle_presses_harder(
        capacity in 200.0..2_000.0f64, share in 0.6..0.95f64, more in 0.002..0.035f64, t in 0.0..40.0f64, held in 1.0..12.0f64,
    ) {
        let shape = shape(capacity, capacity * share);
        let sealing = sealing(Headspace::Purged);
        let co2 = MassConcentration::from_grams_per_litre(held).unwrap();
        let plain = ClosedBottle::new(&shape, &sealing, Solutes::WATER);
        let fuller = ClosedBottle::overfilled(&shape, LiquidVolume::from_ml(capacity * more).unwrap(), &sealing, Solutes::WATER);
        let at = |bottle: &ClosedBottle| bottle.at_all_co2(co2, celsius(t), Share::ALL).unwrap();
        prop_assert!(at(&fuller).pressure > at(&plain).pressure);
    }

    #[test]
    fn more_pressure_is_more_content(bottle in bottles(0.985), t in 0.0..40.0f64, bar in 0.3..9.0f64, more in 0.001..1.0f64) {
        let ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
        let at = |bar: f64| bottle.at_gauge(GaugePressure::from_bar(bar).unwrap(), ambient, celsius(t), Share::ALL).unwrap();
        prop_assert!(at(bar + more).content > at(bar).content);
        prop_assert!(at(bar + more).all_co2 > at(bar).all_co2);
    }

    #[test]
    fn warmer_drink_holds_less_at_the_same_pressure(bottle in bottles(0.985), t in 0.0..38.0f64, bar in 0.5..9.0f64, more in 0.1..2.0f64) {
        let ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
        let gauge = GaugePressure::from_bar(bar).unwrap();
        let at = |t: f64| bottle.at_gauge(gauge, ambient, celsius(t), Share::ALL).unwrap().content;
        prop_assert!(at(t + more) < at(t));
    }

    #[test]
    fn a_closed_bottle_presses_harder_when_warmer(bottle in bottles(0.985), t in 0.0..38.0f64, held in 0.5..12.0f64, more in 0.1..2.0f64) {
        let co2 = MassConcentration::from_grams_per_litre(held).unwrap();
        let at = |t: f64| bottle.at_all_co2(co2, celsius(t), Share::ALL).unwrap();
        prop_assert!(at(t + more).pressure > at(t).pressure);
    }

    // A nearly brimful bottle is left out: its warm drink closes the headspace and takes that CO2 up.
    #[test]
    fn a_closed_bottle_holds_less_in_the_drink_when_warmer(
        bottle in bottles(0.96), t in 0.0..38.0f64, held in 0.5..12.0f64, more in 0.1..2.0f64,
    ) {
        let co2 = MassConcentration::from_grams_per_litre(held).unwrap();
        let at = |t: f64| bottle.at_all_co2(co2, celsius(t), Share::ALL).unwrap().content;
        prop_assert!(at(t + more) < at(t));
    }

    #[test]
    fn nothing_is_lost_between_drink_and_headspace(bottle in bottles(0.985), t in 0.0..40.0f64, held in 0.5..12.0f64) {
        let co2 = MassConcentration::from_grams_per_litre(held).unwrap();
        let got = bottle.at_all_co2(co2, celsius(t), Share::ALL).unwrap();
        prop_assert!((got.all_co2.grams_per_litre() / held - 1.0).abs() < 1e-8);
        // What is dissolved is all less the headspace's part, in litres that differ by swelling and warmth alone (2 %).
        let dissolved = held * got.capacity_ratio / (1.0 + got.capacity_ratio);
        let litres = dissolved / got.content.grams_per_litre();
        prop_assert!((0.995..1.03).contains(&litres), "{litres} {got:?}");
        prop_assert!(got.content <= Co2Volumes::from_grams_per_litre(held * 1.005).unwrap());
    }

    // What a broken sensor may claim: every answer is a number or a refusal, none a panic.
    #[test]
    fn absurd_readings_give_a_number_or_a_refusal(
        capacity in 1.0..1e6f64, share in 0.001..0.9999f64, t in -60.0..150.0f64, bar in -1.2..100.0f64,
        held in 0.0..2_000.0f64, volumes in 0.0..100.0f64, o in 0.0..1.0f64,
    ) {
        let bottle = ClosedBottle::new(&shape(capacity, capacity * share), &sealing(Headspace::Air), Solutes::WATER);
        let ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
        let answers = [
            bottle.at_gauge(GaugePressure::from_bar(bar).unwrap(), ambient, celsius(t), eaten(o)),
            bottle.at_all_co2(MassConcentration::from_grams_per_litre(held).unwrap(), celsius(t), eaten(o)),
            bottle.at_content(Co2Volumes::from_volumes(volumes).unwrap(), celsius(t), eaten(o)),
        ];
        for answer in answers.into_iter().flatten() {
            prop_assert!(answer.capacity_ratio.is_finite() && answer.capacity_ratio > 0.0, "{answer:?}");
            prop_assert!(answer.headspace.ml() > 0.0);
        }
    }
}
