//! Any finite readings, in any order and with any notes, through the real fit: an answer that can be shown comes of it.

use jiff::Timestamp;
use proptest::prelude::*;

use super::fixture::*;
use crate::{
    engine::{Action, ClockSource, Event, Fitted, Monitor, drive},
    forecast::{Quantiles, When},
    note::NoteKind,
    quantity::Unit,
    reading::{Measured, Quantity, Reading},
};

/// Readings of the first ten hours and from before the sealing; now and then what no bottle ever showed.
fn readings() -> impl Strategy<Value = Event> {
    let quantity = prop::sample::select(&Quantity::ALL[..]);
    let from = prop::sample::select(&["pilot", "kitchen", "other"][..]);
    (
        -1.0..10.0,
        quantity,
        from,
        prop_oneof![4 => 0.0..1.0, 1 => -40.0..40.0],
    )
        .prop_filter_map(
            "no quantity has that value",
            |(h, quantity, from, share): (f64, Quantity, &str, f64)| {
                let (value, unit) = match quantity {
                    Quantity::Pressure => (4.0 * share, Unit::Bar),
                    Quantity::AbsolutePressure => (1.0 + 4.0 * share, Unit::Bar),
                    Quantity::AmbientPressure => (0.95 + 0.1 * share, Unit::Bar),
                    Quantity::LiquidTemperature | Quantity::RoomTemperature => {
                        (4.0 + 26.0 * share, Unit::Celsius)
                    }
                    Quantity::Gravity => (0.99 + 0.06 * share, Unit::SpecificGravity),
                };
                let measured = Measured::new(quantity, value, unit).ok()?;
                Some(Event::Measured(Reading {
                    at: hour(h),
                    source: source(from),
                    measured,
                }))
            },
        )
}

fn notes() -> impl Strategy<Value = Event> {
    let kinds = prop::sample::select(&NoteKind::ALL[..]);
    let numbers = prop::option::of(prop::collection::vec(0..10u32, 0..9));
    let value = prop::option::of(prop_oneof![0.0..2.0, -1.0e6..1.0e6]);
    let unit = prop::option::of(prop::sample::select(&["SG", "bar", "degC", "psi", "ells"][..]));
    let text = prop::option::of(prop::sample::select(
        &["hard", "flat", "light", "gushing", "a word"][..],
    ));
    (-1.0..10.0, kinds, numbers, value, unit, text).prop_map(|(h, kind, bottles, value, unit, text)| {
        let Event::Noted(mut note) = note(h, kind, bottles) else {
            unreachable!("a note is noted")
        };
        note.value = value;
        note.unit = unit.map(str::to_owned);
        note.text = text.map(str::to_owned);
        Event::Noted(note)
    })
}

fn ordered<T: PartialOrd>(of: &Quantiles<T>) -> bool {
    of.p05 <= of.p50 && of.p50 <= of.p95
}

/// `None` is later than any time.
fn ordered_when(when: Option<&When>) -> bool {
    let late = |at: Option<Timestamp>| at.unwrap_or(Timestamp::MAX);
    when.is_none_or(|when| late(when.p05) <= late(when.p50) && late(when.p50) <= late(when.p95))
}

fn wrong(fitted: &Fitted) -> Option<&'static str> {
    let (forecast, outlook) = (&fitted.forecast, &fitted.outlook);
    let shown = format!("{forecast:?} {outlook:?}");
    let forgotten = &forecast.if_forgotten;
    let checks = [
        (!shown.contains("NaN"), "NaN"),
        (!shown.contains("inf"), "infinite"),
        (ordered(&forecast.co2), "co2"),
        (ordered(&forecast.vigour), "vigour"),
        (ordered(&forecast.lag), "lag"),
        (ordered_when(forecast.target_at.as_ref()), "target_at"),
        (ordered_when(forecast.move_at.as_ref()), "move_at"),
        (ordered_when(forecast.limit_at.as_ref()), "limit_at"),
        (
            forgotten.pressure.p50 <= forgotten.pressure.p95,
            "forgotten pressure",
        ),
        (forgotten.co2.p50 <= forgotten.co2.p95, "forgotten co2"),
        (
            forgotten.alcohol.p50 <= forgotten.alcohol.p95,
            "forgotten alcohol",
        ),
        (ordered(&outlook.after_move_now), "after the move"),
        (ordered(&outlook.worst_bottle_now), "worst bottle"),
        (ordered(&outlook.worst_bottle_24h), "worst bottle in a day"),
        (ordered(&outlook.expected_gauge), "expected gauge"),
        (ordered(&outlook.rate), "rate"),
        (ordered(&outlook.gained), "gained"),
        (
            outlook
                .curve
                .iter()
                .all(|point| ordered(&point.co2) && ordered(&point.worst_bottle)),
            "curve",
        ),
    ];
    checks.into_iter().find(|(holds, _)| !holds).map(|(_, what)| what)
}

proptest! {
    // Each case is some twenty fits.
    #![proptest_config(ProptestConfig::with_cases(12))]

    #[test]
    fn no_readings_and_notes_break_the_fit(
        events in prop::collection::vec(prop_oneof![5 => readings(), 1 => notes()], 1..40), ticks: bool,
    ) {
        let clock = if ticks { ClockSource::Ticks } else { ClockSource::Readings };
        let mut monitor = Monitor::new(batch(), settings(clock));
        let mut found = Vec::new();
        for event in events.into_iter().chain([Event::Tick { at: hour(11.0) }]) {
            let actions = drive(&mut monitor, event, &mut |request| {
                let answer = request.run();
                found.extend(wrong(&answer).map(|what| format!("{what}: {:?} {:?}", answer.forecast, answer.outlook)));
                answer
            });
            for action in actions {
                if let Action::Alert(alert) | Action::Remind(alert) = action {
                    prop_assert!(!alert.message.contains("NaN"), "{}", alert.message);
                }
            }
            assert_glanced(&monitor);
            let view = monitor.view();
            let said = format!("{} {} {}", view.headline, view.pressure, view.next);
            prop_assert!(!said.contains("NaN") && !said.contains("inf "), "{}", said);
        }
        prop_assert!(found.is_empty(), "{}", found.join("\n"));
    }
}
