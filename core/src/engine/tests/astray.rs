//! Leaks, creeping gauges, stalls, temperatures and fridges: raised when they should, and not beside what explains them.

use super::fixture::{Life, live, monitor};
use crate::{
    alert::{AlertName, AlertRecord, Transition},
    engine::Action,
    forecast::{Quantiles, Suspicion},
};

fn alerts(actions: &[Action]) -> Vec<AlertRecord> {
    let records = actions.iter().filter_map(|action| match action {
        Action::Alert(record) => Some(record.clone()),
        _ => None,
    });
    records.collect()
}

fn raised(actions: &[Action]) -> Vec<AlertName> {
    let all = alerts(actions).into_iter();
    all.filter(|record| record.state == Transition::Raised)
        .map(|record| record.alert)
        .collect()
}

fn gain(p50: f64) -> Quantiles<f64> {
    Quantiles {
        p05: p50 - 0.01,
        p50,
        p95: p50 + 0.01,
    }
}

fn leaking() -> Life {
    Life {
        content: |h| (0.02 * h).min(2.0),
        worst: |h| (0.02 * h).min(1.5),
        suspicion: |h| (h >= 40.0).then_some((Suspicion::Leak, 37)),
        gained: |_| gain(0.0),
        ..Life::default()
    }
}

#[test]
fn a_leak_is_told_once_and_explains_the_lack_of_gain() {
    let mut monitor = monitor();
    let actions = live(
        &mut monitor,
        &leaking(),
        0.0,
        90.0,
        |h| (0.02 * h).min(0.6) + 0.002 * (h * 7.0).sin(),
        |_| 21.0,
    );
    let told = alerts(&actions);
    let leak: Vec<_> = told
        .iter()
        .filter(|a| a.alert == AlertName::LeakSuspected)
        .collect();
    assert_eq!(leak.len(), 1, "{leak:#?}");
    let hours = leak[0].at.duration_since(monitor.batch().bottled_at).as_hours();
    assert!((40..42).contains(&hours), "{hours}");
    assert!(
        leak[0].message.contains("leak is suspected")
            && leak[0].message.contains("Treat all bottles as live")
    );
    assert!(!raised(&actions).contains(&AlertName::Stalled), "{told:#?}");
    assert!(
        !monitor.hears_a_gauge(monitor.clock()),
        "its gauge vouches for no other bottle"
    );
}

#[test]
fn a_gauge_that_reads_what_is_expected_for_half_a_day_was_wronged() {
    let life = Life {
        suspicion: |h| (40.0..41.0).contains(&h).then_some((Suspicion::Leak, 37)),
        ..Life::default()
    };
    let mut monitor = monitor();
    // The fixture's fits expect the worst bottle's pressure of the gauge.
    let actions = live(&mut monitor, &life, 0.0, 60.0, |h| 0.03 * h, |_| 21.0);
    let told = alerts(&actions);
    let leak: Vec<Transition> = told
        .iter()
        .filter(|a| a.alert == AlertName::LeakSuspected)
        .map(|a| a.state)
        .collect();
    assert_eq!(leak, [Transition::Raised, Transition::Cleared]);
    assert!(monitor.hears_a_gauge(monitor.clock()));
}

#[test]
fn a_bottle_that_was_never_tight_is_told_until_its_pressure_runs_as_in_a_tight_one() {
    let life = Life {
        never_tight: |h| (40.0..60.0).contains(&h).then_some(0.05 * h),
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(&mut monitor, &life, 0.0, 50.0, |h| 0.01 * h, |_| 21.0);
    let told = alerts(&actions);
    let leak: Vec<_> = told
        .iter()
        .filter(|a| a.alert == AlertName::LeakSuspected)
        .collect();
    let [leak] = leak.as_slice() else {
        panic!("{told:#?}")
    };
    let hours = leak.at.duration_since(monitor.batch().bottled_at).as_hours();
    assert!((40..42).contains(&hours), "{hours}");
    assert!(
        leak.message.contains("never have been tight")
            && leak.message.contains("about 2.0 volumes")
            && !leak.message.contains("  "),
        "{}",
        leak.message
    );
    assert!(!monitor.hears_a_gauge(monitor.clock()));
    let held = monitor.state.evidence.never_tight().expect("held").co2.volumes();
    assert!(
        (held - 2.5).abs() < 0.03,
        "what it holds follows the looks: {held}"
    );

    let later = alerts(&live(&mut monitor, &life, 50.0, 75.0, |h| 0.01 * h, |_| 21.0));
    let ended = later
        .iter()
        .find(|a| a.alert == AlertName::LeakSuspected)
        .expect("ends");
    assert_eq!(ended.state, Transition::Cleared);
    let hours = ended.at.duration_since(monitor.batch().bottled_at).as_hours();
    assert!(
        (71..73).contains(&hours),
        "half a day after the last look that said so: {hours}"
    );
    assert!(monitor.hears_a_gauge(monitor.clock()) && monitor.state.evidence.never_tight().is_none());
}

#[test]
fn a_gauge_that_creeps_away_is_suspect_and_comes_back_to_life() {
    let life = Life {
        suspicion: |h| (40.0..50.0).contains(&h).then_some((Suspicion::Creeping, 30)),
        ..Life::default()
    };
    let mut monitor = monitor();
    let gauge = |h: f64| {
        if (30.0..50.0).contains(&h) {
            0.05 * h
        } else {
            0.03 * h
        }
    };
    let actions = live(&mut monitor, &life, 0.0, 70.0, gauge, |_| 21.0);
    let told = alerts(&actions);
    let suspect: Vec<_> = told
        .iter()
        .filter(|a| a.alert == AlertName::SensorSuspect)
        .collect();
    assert_eq!(
        suspect.iter().map(|a| a.state).collect::<Vec<_>>(),
        [Transition::Raised, Transition::Cleared],
        "{suspect:#?}"
    );
    assert!(
        suspect[0].message.contains("crept away"),
        "{}",
        suspect[0].message
    );
}

#[test]
fn a_stall_is_told_after_sixty_hours_and_ends_when_it_goes_on() {
    let life = Life {
        content: |h| {
            if h < 90.0 {
                (0.02 * h).min(0.9)
            } else {
                0.9 + 0.02 * (h - 90.0)
            }
        },
        worst: |_| 1.0,
        gained: |h| {
            gain(if h < 80.0 {
                0.5
            } else if h < 110.0 {
                0.0
            } else {
                0.3
            })
        },
        ..Life::default()
    };
    let mut monitor = monitor();
    let actions = live(
        &mut monitor,
        &life,
        0.0,
        120.0,
        |h| (0.02 * h).min(1.0) + 0.002 * (h * 7.0).sin(),
        |_| 21.0,
    );
    let told = alerts(&actions);
    let stall: Vec<_> = told.iter().filter(|a| a.alert == AlertName::Stalled).collect();
    assert_eq!(
        stall.iter().map(|a| a.state).collect::<Vec<_>>(),
        [Transition::Raised, Transition::Cleared],
        "{stall:#?}"
    );
    assert!(stall[0].message.contains("has stopped short of the target"));
    assert!(stall[0].message.contains("Treat the bottles as live"));
}

#[test]
fn a_dead_culture_never_began_and_a_cold_one_does_not_stall() {
    let life = Life {
        content: |_| 0.05,
        worst: |_| 0.0,
        gained: |_| gain(0.0),
        ..Life::default()
    };
    let gauge = |h: f64| 0.01 + 0.002 * (h * 7.0).sin();
    let mut warm = monitor();
    let actions = live(&mut warm, &life, 0.0, 70.0, gauge, |_| 21.0);
    let told = alerts(&actions);
    let stall = told.iter().find(|a| a.alert == AlertName::Stalled).unwrap();
    assert!(stall.message.contains("never began"), "{}", stall.message);
    let mut cold = monitor();
    let actions = live(&mut cold, &life, 0.0, 70.0, gauge, |_| 11.0);
    assert_eq!(raised(&actions), [AlertName::OutsideTemperature]);
}

#[test]
fn one_that_never_began_is_told_though_the_gauge_leaves_a_little_gain_open_and_one_that_began_is_not() {
    let told_at = |content: fn(f64) -> f64| {
        let life = Life {
            content,
            worst: |_| 0.0,
            gained: |_| gain(0.075),
            ..Life::default()
        };
        let mut monitor = monitor();
        let actions = live(
            &mut monitor,
            &life,
            0.0,
            80.0,
            |h| 0.01 + 0.002 * (h * 7.0).sin(),
            |_| 21.0,
        );
        let told = alerts(&actions)
            .into_iter()
            .find(|a| a.alert == AlertName::Stalled)?;
        let h = told.at.duration_since(monitor.batch().bottled_at).as_secs_f64() / 3_600.0;
        Some((h, told.message.clone()))
    };
    let (h, message) = told_at(|_| 0.12).expect("told");
    assert!((69.0..71.0).contains(&h), "{h}");
    assert!(message.contains("never began"), "{message}");
    assert_eq!(told_at(|h| (0.02 * h).min(0.9)), None);
}

#[test]
fn the_temperature_is_told_after_an_hour_with_a_deadband_and_not_on_the_way_into_the_fridge() {
    let life = Life::default();
    let mut hot = monitor();
    let celsius = |h: f64| {
        if (10.0..20.0).contains(&h) {
            33.0
        } else if h < 22.0 {
            31.8
        } else {
            25.0
        }
    };
    let actions = live(&mut hot, &life, 0.0, 30.0, |h| 0.03 * h, celsius);
    let told: Vec<_> = alerts(&actions)
        .into_iter()
        .filter(|a| a.alert == AlertName::OutsideTemperature)
        .collect();
    let at = |index: usize| {
        told[index]
            .at
            .duration_since(hot.batch().bottled_at)
            .as_secs_f64()
            / 3_600.0
    };
    assert_eq!(told.len(), 2, "{told:#?}");
    assert!((11.0..=11.5).contains(&at(0)), "{}", at(0));
    assert!((22.0..24.0).contains(&at(1)), "{}", at(1));
    let mut moved = monitor();
    let cooling = |h: f64| {
        if h < 10.0 {
            21.0
        } else {
            4.0 + 17.0 * (-(h - 10.0) / 3.5).exp()
        }
    };
    let actions = live(
        &mut moved,
        &life,
        0.0,
        30.0,
        |h| 0.03 * h.min(12.0) + 0.002 * (h * 7.0).sin(),
        cooling,
    );
    assert!(
        !raised(&actions).contains(&AlertName::OutsideTemperature),
        "{:#?}",
        raised(&actions)
    );
    // The fixture's fits make 0.03 volumes an hour for ever: too much for a fridge.
    let told = alerts(&live(
        &mut moved,
        &life,
        30.0,
        45.0,
        |h| 0.36 + 0.005 * h,
        |_| 4.5,
    ));
    assert_eq!(
        told.iter()
            .filter(|a| a.alert == AlertName::RisingInFridge)
            .count(),
        1,
        "{told:#?}"
    );
}
