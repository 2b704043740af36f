//! What a person found out, with no sensor at all.

use fobwatch_simulator::{Deed, Played, Scenario, Simulation, scenario::Happening};
use jiff::{SignedDuration, Timestamp};

use super::{evidence, fit, heard, hours};
use crate::{
    fit::{Evidence, Handling, Told, tastings},
    forecast::Forecast,
    note::{Firmness, Liveliness, Note, NoteKind, Palate, Sample},
    quantity::{GaugePressure, Gravity},
};

/// Part of the way to the target, on the half hour.
fn part_of_the_way(played: &Played, part: f64) -> Timestamp {
    let sealed = hours(played, 0);
    let target = played.truth.target_at().expect("drawn to reach it");
    let half_hours = (part * target.duration_since(sealed).as_secs_f64() / 1_800.0).round();
    sealed + SignedDuration::from_secs_f64(half_hours * 1_800.0)
}

fn asked(evidence: &Evidence, at: Timestamp) -> Forecast {
    fit(evidence, at, None).answers(evidence, at).0
}

/// What an honest person says of a bottle opened at `at`.
fn honest(played: &Played, at: Timestamp) -> Told {
    let truth = played.truth.at(at).expect("within the play").co2_volumes;
    let share = truth / played.truth.target_volumes;
    Told::Tasted(match share {
        _ if share < 0.4 => Liveliness::Flat,
        _ if share < 0.85 => Liveliness::Light,
        _ if share < 1.15 => Liveliness::Right,
        _ if share < 1.5 => Liveliness::Lively,
        _ => Liveliness::Gushing,
    })
}

fn width(forecast: &Forecast) -> f64 {
    forecast.co2.p95.volumes() - forecast.co2.p05.volumes()
}

#[test]
fn two_honest_notes_narrow_a_forecast_without_any_sensor() {
    let (mut held, mut shares, mut errors) = (0, Vec::new(), [0.0, 0.0]);
    for seed in [2, 6, 12, 18, 25, 30] {
        let played = Simulation::run(&Scenario::drawn(seed), seed);
        let (first, second) = (part_of_the_way(&played, 0.5), part_of_the_way(&played, 0.9));
        let bare = evidence(&played);
        let mut noted = bare.clone();
        noted.tell(first, honest(&played, first));
        noted.tell(second, honest(&played, second));
        let (without, with) = (asked(&bare, second), asked(&noted, second));
        let truth = played.truth.at(second).expect("within the play").co2_volumes;
        held += i32::from(truth >= with.co2.p05.volumes() && truth <= with.co2.p95.volumes());
        shares.push(width(&with) / width(&without));
        for (sum, forecast) in errors.iter_mut().zip([&with, &without]) {
            *sum += (forecast.co2.p50.volumes() - truth).abs();
        }
    }
    shares.sort_by(f64::total_cmp);
    assert!(shares[3] < 0.6 && shares[5] < 1.0, "{shares:?}");
    assert!(
        held >= 5 && errors[0] < 0.8 * errors[1],
        "{held} held, {errors:?}"
    );
}

#[test]
fn a_gushing_bottle_says_less_than_a_flat_one() {
    let played = Simulation::run(&Scenario::drawn(6), 6);
    let at = part_of_the_way(&played, 1.0);
    let bare = evidence(&played);
    let told = |word| {
        let mut evidence = bare.clone();
        evidence.tell(at, Told::Tasted(word));
        asked(&evidence, at)
    };
    let (without, flat, gushing) = (
        asked(&bare, at),
        told(Liveliness::Flat),
        told(Liveliness::Gushing),
    );
    assert!(flat.co2.p50 < without.co2.p50 && without.co2.p50 < gushing.co2.p50);
    // Its upper side stays open: what is likely without the note is likely with it, as far as three members of sixty-four tell.
    assert!(
        gushing.co2.p95.volumes() >= 0.95 * without.co2.p95.volumes(),
        "{gushing:?} {without:?}"
    );
    assert!(width(&gushing) > width(&flat), "{gushing:?} {flat:?}");
}

#[test]
fn a_hard_pilot_is_at_or_above_and_a_soft_one_below() {
    // Its pilot is of plastic.
    let scenario = Scenario::drawn(2);
    assert!(scenario.pilot.is_some());
    let played = Simulation::run(&scenario, 2);
    let at = part_of_the_way(&played, 0.8);
    let bare = evidence(&played);
    let squeezed = |firmness| {
        let mut evidence = bare.clone();
        evidence.tell(at, Told::Squeezed(firmness));
        let (forecast, outlook) = fit(&evidence, at, None).answers(&evidence, at);
        (forecast, outlook.expected_gauge)
    };
    let (soft, soft_gauge) = squeezed(Firmness::Soft);
    let (hard, hard_gauge) = squeezed(Firmness::Hard);
    assert!(
        soft_gauge.p50.bar() < 0.9 && hard_gauge.p50.bar() > 1.4,
        "{soft_gauge:?} {hard_gauge:?}"
    );
    assert!(
        hard_gauge.p05.bar() > 0.7 && soft_gauge.p95.bar() < 1.7,
        "{soft_gauge:?} {hard_gauge:?}"
    );
    let without = asked(&bare, at);
    assert!(
        hard.co2.p95.volumes() > 0.9 * without.co2.p95.volumes(),
        "hard has no upper side: {:?} {:?}",
        hard.co2,
        without.co2
    );
    assert!(soft.co2.p50 < hard.co2.p50);
    // In glass there is nothing to squeeze.
    let glass = Simulation::run(&Scenario::drawn(3), 3);
    let mut noted = evidence(&glass);
    let bare = asked(&noted, hours(&glass, 30));
    noted.tell(hours(&glass, 29), Told::Squeezed(Firmness::Hard));
    assert_eq!(asked(&noted, hours(&glass, 30)), bare);
}

#[test]
fn a_dial_read_by_eye_and_a_hydrometer_tell_the_content_in_their_measure() {
    let (mut by_eye, mut by_hydrometer) = (Vec::new(), Vec::new());
    for seed in [1, 8, 14] {
        let played = Simulation::run(&Scenario::drawn(seed), seed);
        let at = part_of_the_way(&played, 1.0);
        let truth = played.truth.at(at).expect("within the play");
        let rounded = |value: f64, step: f64| (value / step).round() * step;
        let mut dial = evidence(&played);
        let mut hydrometer = dial.clone();
        for part in [0.0, 0.5, 0.8, 1.0] {
            let when = part_of_the_way(&played, part);
            let moment = played.truth.at(when).expect("within the play");
            let bar = |bar| GaugePressure::from_bar(bar).expect("in range");
            let pressure = bar(rounded(moment.pilot_bar, 0.1));
            dial.tell(
                when,
                Told::ByEye {
                    pressure,
                    step: bar(0.1),
                },
            );
            // Stirred until the gas was out.
            let still = moment.gravity - 0.23e-3 * moment.dissolved_g_per_l;
            let gravity = Gravity::from_specific(rounded(still, 0.001)).expect("in range");
            let sample = Sample::Degassed;
            hydrometer.tell(
                when,
                Told::Hydrometer {
                    gravity,
                    step: 0.001,
                    sample,
                },
            );
        }
        let error = |evidence: &Evidence| {
            let co2 = asked(evidence, at).co2;
            let truth = truth.co2_volumes;
            assert!(
                co2.p05.volumes() - 0.1 < truth && truth < co2.p95.volumes() + 0.1,
                "{seed}: {co2:?} {truth}"
            );
            (co2.p50.volumes() - truth).abs()
        };
        by_eye.push(error(&dial));
        by_hydrometer.push(error(&hydrometer));
    }
    by_eye.sort_by(f64::total_cmp);
    by_hydrometer.sort_by(f64::total_cmp);
    assert!(by_eye[1] < 0.2, "{by_eye:?}");
    assert!(by_hydrometer[1] < 0.7, "{by_hydrometer:?}");
}

#[test]
fn a_word_for_a_bottle_that_was_cold_for_a_day_calibrates_the_words() {
    let mut scenario = Scenario::drawn(2);
    let warm = Simulation::run(&scenario, 2);
    let reached = part_of_the_way(&warm, 1.1);
    let moved_h = reached.duration_since(hours(&warm, 0)).as_secs_f64() / 3_600.0;
    scenario.events.push(Happening {
        at_h: moved_h,
        kind: Deed::MovedToFridge,
        noted: true,
    });
    let played = Simulation::run(&scenario, 2);
    let after = |hours: i64| reached + SignedDuration::from_hours(hours);
    let mut told = heard(&played, after(40));
    told.handle(reached, Handling::Fridge);
    let noted = |after_h: i64, text: &str| Note {
        at: after(after_h),
        kind: NoteKind::Tasted,
        bottles: Some(vec![1]),
        value: None,
        unit: None,
        text: Some(text.to_owned()),
        takes_back: None,
    };
    // Nobody knows yet what is in it: warm, and cold for half a day.
    let mut notes = vec![noted(-12, "light"), noted(12, "light")];
    told.tell(after(12), Told::Tasted(Liveliness::Light));
    assert!(tastings(&told, after(20), &notes).is_empty());
    notes.extend([
        noted(36, "light"),
        noted(38, "it prickles"),
        noted(39, "prickles"),
    ]);
    told.tell(after(36), Told::Tasted(Liveliness::Light));
    let found = tastings(&told, after(40), &notes);
    assert_eq!(found.len(), 3, "{found:?}");
    let truth =
        played.truth.at(after(36)).expect("within the play").co2_volumes / played.truth.target_volumes;
    assert!((found[0].share / truth - 1.0).abs() < 0.1, "{found:?} {truth}");
    // Whoever calls that light means more than most by every word.
    let palate = Palate::of(&found);
    assert!(palate.factor() > 1.05, "{palate:?} {truth}");
    assert_eq!(palate.own().len(), 1, "{palate:?}");
    let asked_of = |palate: &Palate, told_of: Option<Told>| {
        let mut alone =
            Evidence::new(told.batch().clone(), told.surroundings().clone()).with_palate(palate.clone());
        told_of.into_iter().for_each(|told| alone.tell(after(0), told));
        asked(&alone, after(0))
    };
    let right = Some(Told::Tasted(Liveliness::Right));
    let told_by = |palate: &Palate| asked_of(palate, right).co2.p50.volumes();
    assert!(told_by(&palate) > told_by(&Palate::USUAL));
    // Their own word narrows a forecast as a usual one does.
    let own = palate
        .in_own_words("now it prickles")
        .map(|own| Told::InOwnWords {
            share: own.share,
            spread: own.spread,
        });
    assert!(own.is_some());
    assert!(width(&asked_of(&palate, own)) < 0.7 * width(&asked_of(&palate, None)));
    // Without any sensor nothing is known better than by the word itself.
    let alone = Evidence::new(told.batch().clone(), told.surroundings().clone());
    assert!(tastings(&alone, after(40), &notes).is_empty());
}
