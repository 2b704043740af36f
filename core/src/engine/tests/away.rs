//! Nobody at home: the move is asked for before leaving, or after coming back, whichever ends nearer to the target.

use jiff::tz::TimeZone;

use super::fixture::*;
use crate::{
    alert::{AlertName, AlertRecord},
    engine::{Action, Away, ClockSource, Monitor, WakingHours},
};

/// A batch whose keeper is away between these, by the clock of `zone`.
fn away(zone: TimeZone, times: &[(&str, &str)]) -> Monitor {
    let mut settings = settings(ClockSource::Readings);
    settings.zone = zone;
    settings.rules.away = times
        .iter()
        .map(|(from, to)| Away {
            from: from.parse().unwrap(),
            to: to.parse().unwrap(),
            batch: None,
        })
        .collect();
    Monitor::new(batch(), settings)
}

fn hours(record: &AlertRecord) -> f64 {
    record.at.duration_since(hour(0.0)).as_secs_f64() / 3_600.0
}

fn until(monitor: &mut Monitor, life: &Life, h: f64) -> Vec<Action> {
    live(monitor, life, 0.0, h, |h| 0.03 * h, |_| 21.0)
}

// Sealed Monday 2 March 07:00 UTC; 2.8 volumes come at 93.3 h, Friday 04:20.

#[test]
fn nobody_home_for_the_weekend_is_told_before_leaving_what_coming_back_would_give() {
    // From Thursday 18:00 (83 h: 2.49 volumes) to Sunday 20:00 (157 h: 4.71).
    let mut monitor = away(TimeZone::UTC, &[("2026-03-05T18:00", "2026-03-08T20:00")]);
    let life = Life {
        worst: |_| 1.0,
        ..Life::default()
    };
    let actions = until(&mut monitor, &life, 100.0);
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED);
    assert!((80.0..=82.0).contains(&hours(&raised)), "{raised:?}");
    assert_eq!(
        told_of(&actions, AlertName::MoveToFridge),
        [RAISED],
        "it stands while nobody is there"
    );
    for told in [
        "With your time away: moved Thu 5 Mar 18:00 UTC it ends at about 2.49 volumes",
        "moved Sun 8 Mar 20:00 UTC it ends at about 4.71 volumes",
    ] {
        assert!(raised.message.contains(told), "{told}: {}", raised.message);
    }
    // The notice comes twelve hours before leaving, not before the target.
    let soon = record_of(&actions, AlertName::FridgeSoon, RAISED);
    assert!((71.0..=72.5).contains(&hours(&soon)), "{soon:?}");
    assert!(soon.message.contains("With your time away"), "{}", soon.message);
}

#[test]
fn who_comes_back_soon_is_told_when_back_if_that_is_nearer() {
    // From Thursday 12:00 (77 h: 2.31 volumes) to Friday 06:00 (95 h: 2.85).
    let mut monitor = away(TimeZone::UTC, &[("2026-03-05T12:00", "2026-03-06T06:00")]);
    let actions = until(&mut monitor, &Life::default(), 100.0);
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED);
    assert!((95.0..=95.6).contains(&hours(&raised)), "{raised:?}");
}

#[test]
fn nobody_leaves_bottles_that_may_pass_their_limit_meanwhile() {
    // 2.8 volumes only after coming back, but the fullest bottle may pass 4 bar on Thursday.
    let life = Life {
        content: |h| 0.01 * h,
        worst: |h| 0.045 * h,
        ..Life::default()
    };
    let mut monitor = away(TimeZone::UTC, &[("2026-03-04T18:00", "2026-03-08T20:00")]);
    let actions = until(&mut monitor, &life, 60.0);
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED);
    assert!((56.0..59.0).contains(&hours(&raised)), "{raised:?}");
    assert!(
        raised
            .message
            .contains("moved Sun 8 Mar 20:00 UTC may be too late"),
        "{}",
        raised.message
    );
}

#[test]
fn weeks_away_are_longer_than_the_curve_and_told_all_the_same() {
    let mut monitor = away(TimeZone::UTC, &[("2026-03-04T18:00", "2026-04-20T20:00")]);
    let life = Life {
        worst: |_| 1.0,
        ..Life::default()
    };
    let actions = until(&mut monitor, &life, 60.0);
    let raised = record_of(&actions, AlertName::MoveToFridge, RAISED);
    assert!((56.0..59.0).contains(&hours(&raised)), "{raised:?}");
    // A batch that would not be ready by then is left alone.
    let slow = Life {
        content: |h| 0.0005 * h,
        worst: |_| 1.0,
        ..Life::default()
    };
    let mut monitor = away(TimeZone::UTC, &[("2026-03-04T18:00", "2026-04-20T20:00")]);
    let actions = until(&mut monitor, &slow, 60.0);
    assert_eq!(told_of(&actions, AlertName::MoveToFridge), []);
}

#[test]
fn a_time_away_is_by_the_users_clock_when_it_changes_meanwhile() {
    // Lisbon, by the rule (POSIX.1-2017, 8.3). The clocks go forward on Sunday 29 March 2026: 20:00 there is 19:00 UTC.
    let zone = TimeZone::posix("WET0WEST,M3.5.0/1,M10.5.0").unwrap();
    let mut late = batch();
    late.bottled_at = "2026-03-24T07:00:00Z".parse().unwrap();
    let mut monitor = Monitor::new(
        late,
        away(zone, &[("2026-03-27T18:00", "2026-03-29T20:00")]).settings,
    );
    let life = Life {
        worst: |_| 1.0,
        ..Life::default()
    };
    // The answers count from the usual sealing: made later by as much.
    let later = 22.0 * 24.0;
    let mut out = Vec::new();
    for step in 0..600 {
        let h = later + f64::from(step) / 6.0;
        let event = row(
            h,
            crate::reading::Quantity::Pressure,
            0.5 + 0.001 * f64::from(step),
        );
        out.extend(crate::engine::drive(&mut monitor, event, &mut |request| {
            let mut asked = request.clone();
            asked.at = request.at - jiff::SignedDuration::from_hours(22 * 24);
            let mut fitted = life.answer(&asked);
            let shift = jiff::SignedDuration::from_hours(22 * 24);
            fitted.at = request.at;
            fitted.outlook.at = request.at;
            for point in &mut fitted.outlook.curve {
                point.at += shift;
            }
            fitted.forecast.move_at = None;
            fitted
        }));
    }
    let raised = record_of(&out, AlertName::MoveToFridge, RAISED);
    for told in ["moved Fri 27 Mar 18:00 WET", "moved Sun 29 Mar 20:00 WEST"] {
        assert!(raised.message.contains(told), "{told}: {}", raised.message);
    }
    // 83 h to leaving, 49 more to coming back, not 50.
    for told in ["about 2.49 volumes", "about 3.96 volumes"] {
        assert!(raised.message.contains(told), "{told}: {}", raised.message);
    }
}

#[test]
fn the_moments_are_shown_with_what_they_would_give() {
    let mut monitor = away(TimeZone::UTC, &[("2026-03-05T18:00", "2026-03-08T20:00")]);
    monitor.settings.rules.waking_hours = Some(WakingHours {
        from: jiff::civil::time(7, 0, 0, 0),
        until: jiff::civil::time(22, 30, 0, 0),
    });
    let life = Life {
        worst: |h| 0.03 * h,
        ..Life::default()
    };
    until(&mut monitor, &life, 60.0);
    let moments = monitor.view().moments;
    let times: Vec<f64> = moments
        .iter()
        .map(|moment| moment.at.duration_since(hour(0.0)).as_secs_f64() / 3_600.0)
        .collect();
    // Now; bed on Wednesday; up and gone on Thursday; back on Sunday; and so on.
    assert_eq!(times.get(1..5), Some(&[63.5, 72.0, 83.0, 157.0][..]), "{times:?}");
    let best: Vec<usize> = (0..moments.len()).filter(|i| moments[*i].best).collect();
    assert_eq!(best, [3], "{moments:?}");
    let leaving = moments[3];
    assert!((leaving.ends.unwrap().volumes() - 2.49).abs() < 0.01);
    assert!((leaving.fullest.unwrap().bar() - 2.69).abs() < 0.01);
    assert!(leaving.keeps_its_margin && !moments[4].keeps_its_margin);
    // Where somebody is always there, there is nothing to choose.
    monitor.settings.rules.away.clear();
    monitor.settings.rules.waking_hours = None;
    assert!(monitor.view().moments.is_empty());
}

#[test]
fn pressure_asks_nobody_whether_they_are_at_home() {
    let life = Life {
        content: |_| 1.0,
        worst: |h| 0.05 * h,
        chance: |h| if h > 60.0 { 0.9 } else { 0.0 },
        ..Life::default()
    };
    let mut monitor = away(TimeZone::UTC, &[("2026-03-03T18:00", "2026-03-30T20:00")]);
    let actions = until(&mut monitor, &life, 90.0);
    assert!(hours(&record_of(&actions, AlertName::LimitNear, RAISED)) < 62.0);
    assert!(hours(&record_of(&actions, AlertName::OverLimit, RAISED)) < 78.0);
}
