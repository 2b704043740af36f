use super::*;
use crate::config::Config;

fn batch(sugar: f64, limit: f64, already: f64) -> Batch {
    let text = format!(
        "name = \"hibiscus 12\"\nbottled_at = \"2026-03-02T07:00:00Z\"\n\
         [drink]\nsucrose_g_per_l = {sugar:?}\nculture_ml_per_l = 25.0\nco2_volumes = {already:?}\n\
         [bottle]\nmaterial = \"glass\"\ncapacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = {limit:?}\n\
         [target]\nco2_volumes = 2.8\nfridge_c = 4.0\n"
    );
    Batch::from_toml(&text, "test").unwrap().0
}

fn asked_for(batch: &Batch, room: &str, ready: Option<&str>, home: Option<&str>) -> Result<Planned, String> {
    let config = Config::defaults().unwrap();
    let moment = |text: &str| text.parse::<Timestamp>().unwrap();
    plan(&Asked {
        batch,
        lessons: &[],
        room: read_room(room).unwrap(),
        room_said: "The room is given.".to_owned(),
        surroundings: &config
            .settings(fobwatch_core::engine::ClockSource::Readings)
            .surroundings,
        display: &config.display,
        ready: ready.map(moment),
        home: home.map(moment),
    })
}

fn all_said(planned: &Planned) -> String {
    let said: Vec<&str> = planned
        .parts
        .iter()
        .flat_map(|part| &part.said)
        .map(String::as_str)
        .collect();
    said.join("\n")
}

fn planned(batch: &Batch, room: &str) -> (Forecast, String) {
    let planned = asked_for(batch, room, None, None).unwrap();
    let said: Vec<String> = planned.parts.into_iter().flat_map(|part| part.said).collect();
    (planned.forecast, said.join("\n"))
}

#[test]
fn advice_always_names_bursting_alcohol_and_the_limit() {
    for (sugar, limit, already) in [
        (60.0, 5.0, 0.0),
        (3.0, 8.0, 0.0),
        (60.0, 2.0, 0.0),
        (60.0, 5.0, 3.0),
    ] {
        let (_, said) = planned(&batch(sugar, limit, already), "21");
        assert!(said.contains("Bottles can burst"), "{said}");
        assert!(said.contains("holds alcohol"), "{said}");
        assert!(said.contains(&format!("limit of {limit:.1} bar")), "{said}");
        assert!(said.contains("pilot") && said.contains("stainless"), "{said}");
    }
}

#[test]
fn advice_follows_what_is_expected() {
    let (forecast, said) = planned(&batch(3.0, 8.0, 0.0), "21");
    assert!(forecast.target_at.is_none() && forecast.limit_at.is_none());
    assert!(said.contains("is not reached within 60 days"), "{said}");
    assert!(said.contains("not expected to be passed"), "{said}");
    assert!(said.contains("sugar does not suffice"), "{said}");
    assert!(!said.contains("Danger"), "{said}");

    let (forecast, said) = planned(&batch(60.0, 2.0, 0.0), "21");
    assert!(forecast.limit_at.is_some());
    assert!(said.contains("is not safe"), "{said}");
    assert!(said.contains("0.5 % and 1.2 %"), "{said}");
    assert!(said.contains("a target of at most"), "{said}");
    assert!(said.contains("a place that never gets warmer"), "{said}");

    let (_, said) = planned(&batch(60.0, 8.0, 3.0), "21");
    assert!(said.contains("belong in the fridge at once"), "{said}");
}

#[test]
fn a_range_is_as_wide_as_its_ends() {
    let batch = batch(60.0, 5.0, 0.0);
    let (range, _) = planned(&batch, "17..25");
    let (cool, warm) = (planned(&batch, "17").0, planned(&batch, "25").0);
    let ends = |forecast: &Forecast| {
        forecast
            .target_at
            .map(|when| (when.p05.unwrap(), when.p95.unwrap()))
            .unwrap()
    };
    assert_eq!(ends(&range), (ends(&warm).0, ends(&cool).1));
    assert!(range.if_forgotten.pressure.p95 >= warm.if_forgotten.pressure.p95);
    let middle = planned(&batch, "21").0;
    assert_eq!(range.target_at.unwrap().p50, middle.target_at.unwrap().p50);
}

#[test]
fn forgotten_bottles_gain_pressure_and_alcohol_day_by_day() {
    let days = asked_for(&batch(60.0, 5.0, 0.0), "21", None, None)
        .unwrap()
        .course;
    assert_eq!(days.last().unwrap().days, 60);
    for pair in days.windows(2) {
        assert!(
            pair[0].at < pair[1].at && pair[0].alcohol[0] <= pair[1].alcohol[0],
            "{pair:?}"
        );
        assert!(pair[1].pressure.p95 >= pair[1].pressure.p50, "{pair:?}");
    }
    assert!(days.last().unwrap().pressure.p50.bar() > 3.0, "{days:?}");
}

#[test]
fn a_wish_for_a_day_is_met_by_dose_or_room_or_told_to_be_impossible() {
    let batch = batch(60.0, 8.0, 0.0);
    let usual = planned(&batch, "21").0.move_at.unwrap().p50.unwrap();
    // Eight hours sooner than it would be by itself, which a larger dose can do.
    let moved = usual - SignedDuration::from_hours(8);
    let ready = (moved + SignedDuration::from_hours(24)).to_string();
    let found = asked_for(&batch, "21", Some(&ready), None).unwrap();
    let ways = found.ready.as_ref().unwrap();
    let dose = &ways.ways[0];
    let fobwatch_core::plan::Change::Dose(more) = dose.change else {
        panic!("{dose:?}");
    };
    assert!(dose.fits && more.ml_per_l() > 25.0, "{dose:?}");
    let off = dose.move_at.unwrap().p50.unwrap().duration_since(moved).abs();
    assert!(off < SignedDuration::from_hours(3), "{off}");
    // The dose found is what the forecast with that dose says.
    let mut with = batch.clone();
    with.drink.culture_dose = Some(more);
    assert_eq!(planned(&with, "21").0.move_at, dose.move_at);
    assert!(ways.ways[1].fits, "a warmer room does too: {:?}", ways.ways[1]);

    let soon = asked_for(&batch, "21", Some("2026-03-02T20:00:00Z"), None).unwrap();
    let said = all_said(&soon);
    assert!(said.contains("cannot be made by dose or room alone"), "{said}");
    assert!(said.contains("is quick enough; the nearest"), "{said}");
    let late = asked_for(&batch, "21", Some("2026-02-02T20:00:00Z"), None).unwrap_err();
    assert!(late.contains("allowed: after the sealing"), "{late}");
}

#[test]
fn who_comes_home_late_is_told_that_it_is_not_safe_and_what_to_change() {
    let tight = batch(60.0, 4.0, 0.0);
    let weeks = asked_for(&tight, "21", None, Some("2026-03-22T18:00:00Z")).unwrap();
    let home = weeks.home.as_ref().unwrap();
    assert!(!home.safe && !home.right, "{home:?}");
    let said = all_said(&weeks);
    assert!(
        said.contains("Do not leave them in the room until Sunday 22 March 2026"),
        "{said}"
    );
    assert!(said.contains("put them into the fridge"), "{said}");

    let wide = batch(60.0, 30.0, 0.0);
    let usual = planned(&wide, "21").0.move_at.unwrap().p50.unwrap().to_string();
    let right = asked_for(&wide, "21", None, Some(&usual)).unwrap().home.unwrap();
    assert!(right.safe && right.right, "{right:?}");
}

/// The sentences of one part.
fn part(planned: &Planned, heading: &str) -> String {
    let parts = planned.parts.iter().filter(|part| part.heading == heading);
    parts
        .flat_map(|part| part.said.clone())
        .collect::<Vec<_>>()
        .join("\n")
}

#[test]
fn who_is_away_gets_one_advice_and_no_quicker_way_to_the_limit() {
    // Cool and short of the target on the return, and yet a lively culture comes to the limit by then: 4 bar, 15 degC.
    let batch = batch(66.0, 4.0, 0.0);
    let limit = planned(&batch, "15").0.limit_at.unwrap().p05.unwrap();
    let mut left_out = 0;
    for (hours, soon) in [(4, true), (-30, false), (-45, false), (-60, false)] {
        let at = (limit - SignedDuration::from_hours(hours)).to_string();
        let away = asked_for(&batch, "15", None, Some(&at)).unwrap();
        let home = away.home.as_ref().unwrap();
        let said = part(&away, "While nobody is there");
        assert!(!home.safe, "{home:?}");
        assert!(said.contains("Do not leave them in the room"), "{said}");
        assert!(said.contains("put them into the fridge before you go"), "{said}");
        assert!(!said.contains("Leave them in the room"), "{said}");
        assert!(
            !said.contains("By the room") && !said.contains("But your limit may be passed"),
            "{said}"
        );
        assert_eq!(said.contains("too soon after it"), soon, "{said}");
        assert_eq!(said.contains("do not go to them"), !soon, "{said}");
        assert!(said.contains("Or seal them"), "{said}");
        left_out += usize::from(said.contains("Other ways to have it right on your return are not told"));
    }
    assert!(left_out > 0, "some change would make it right, and is not safe");
    let early = (limit - SignedDuration::from_hours(20)).to_string();
    let away = asked_for(&batch, "15", None, Some(&early)).unwrap();
    let said = part(&away, "While nobody is there");
    assert!(away.home.as_ref().unwrap().safe, "{said}");
    assert!(
        said.contains("Leave them in the room") && !said.contains("By the room"),
        "{said}"
    );
}

#[test]
fn what_is_sealed_as_late_as_is_told_can_be_left_alone() {
    let tight = batch(66.0, 4.0, 0.0);
    let at: Timestamp = "2026-03-05T09:00:00Z".parse().unwrap();
    let surroundings = Config::defaults()
        .unwrap()
        .settings(fobwatch_core::engine::ClockSource::Readings)
        .surroundings;
    let away = |batch: &Batch| {
        let room = Temperature::from_celsius(21.0).unwrap();
        fobwatch_core::plan::Away::of(&Prospect::new(batch, &[], room, &surroundings), at)
    };
    let found = away(&tight);
    assert!(!found.is_safe(), "{found:?}");
    let sealed = found.safe_if_sealed(tight.bottled_at).unwrap();
    let delay = sealed.duration_since(tight.bottled_at);
    let later = |by: SignedDuration| {
        let later = |at: Option<Timestamp>| at.map(|at| at + delay + by);
        let limit_at = found.limit_at.map(|when| fobwatch_core::forecast::Quantiles {
            p05: later(when.p05),
            p50: later(when.p50),
            p95: later(when.p95),
        });
        fobwatch_core::plan::Away { limit_at, ..found }.is_safe()
    };
    assert!(later(SignedDuration::from_secs(1)));
    assert!(!later(SignedDuration::from_hours(-1)));
}

#[test]
fn danger_is_marked_wherever_one_in_twenty_passes_the_limit() {
    let batch = batch(66.0, 4.0, 0.0);
    let config = Config::defaults().unwrap();
    let planned = asked_for(&batch, "21", None, None).unwrap();
    let lines = course_table(&planned.course, planned.limit, &config.display);
    let mut between = 0;
    for (day, line) in planned.course.iter().zip(&lines[1..]) {
        let over = [day.pressure.p50, day.pressure.p95].map(|bar| bar.bar() >= 4.0);
        between += usize::from(over == [false, true]);
        let marks = over.iter().filter(|over| **over).count();
        assert_eq!(line.matches("Danger: ").count(), marks, "{line}");
    }
    assert!(between > 0, "{lines:?}");
}

#[test]
fn sugar_at_the_edge_is_told_as_such_and_never_against_the_day() {
    let with = |sugar: f64| {
        let planned = asked_for(&batch(sugar, 8.0, 0.0), "21", None, None).unwrap();
        let reached = planned.forecast.target_at.is_some_and(|when| when.p50.is_some());
        (reached, part(&planned, "Sugar and culture"))
    };
    let taken = {
        let batch = batch(60.0, 8.0, 0.0);
        let config = Config::defaults().unwrap();
        let surroundings = config
            .settings(fobwatch_core::engine::ClockSource::Readings)
            .surroundings;
        let room = Temperature::from_celsius(21.0).unwrap();
        let planner = Planner::new(&batch, surroundings.usual_ambient, room);
        planner.sugar().unwrap().taken.grams_per_litre()
    };
    for (share, word) in [
        (0.7, "does not suffice"),
        (0.98, "only just"),
        (1.02, "only just"),
        (1.5, "The sugar suffices:"),
    ] {
        let (reached, said) = with(share * taken);
        assert!(said.contains(word), "{share}: {said}");
        assert!(!(reached && said.contains("does not suffice")), "{share}: {said}");
    }
}

#[test]
fn whoever_has_no_gauge_is_told_when_the_alarm_comes_and_what_helps_by_then() {
    let said = |sensors: &str| {
        let text = format!(
            "name = \"hibiscus 12\"\nbottled_at = \"2026-03-02T07:00:00Z\"\n[drink]\nsucrose_g_per_l = 66.0\n[bottle]\nmaterial = \"glass\"\n\
             capacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = 4.0\n[target]\nco2_volumes = 2.8\nfridge_c = 4.0\n{sensors}"
        );
        planned(&Batch::from_toml(&text, "test").unwrap().0, "21")
    };
    for sensors in ["", "[sensors]\npressure = \"none\"\n"] {
        let (forecast, said) = said(sensors);
        let (first, moved) = (
            forecast.limit_at.unwrap().p05.unwrap(),
            forecast.move_at.unwrap().p50.unwrap(),
        );
        assert!(first < moved);
        let alarm = format!(
            "Without a gauge the alarm of your limit will come about {}, before the drink is right",
            about(first, &jiff::tz::TimeZone::UTC)
        );
        assert!(
            said.contains(&plain(&alarm)) && said.contains("hydrometer"),
            "{said}"
        );
        assert!(!said.contains("watch the gauge"), "{said}");
    }
    let (_, said) = said("[sensors]\npressure = \"pilot\"\n");
    assert!(
        said.contains("watch the gauge") && !said.contains("Without a gauge"),
        "{said}"
    );
}

#[test]
fn a_filling_that_was_entered_twice_is_one_earlier_batch() {
    use fobwatch_core::{
        fit::{self, Evidence, Observed},
        quantity::GaugePressure,
    };
    let config = Config::defaults().unwrap();
    let surroundings = config
        .settings(fobwatch_core::engine::ClockSource::Readings)
        .surroundings;
    let of_culture = |sealed: &str| Batch {
        culture: Some(fobwatch_core::batch::CultureName::new("jar two").unwrap()),
        bottled_at: sealed.parse().unwrap(),
        ..batch(60.0, 5.0, 0.0)
    };
    let taught = |sealed: &str| {
        let mut evidence = Evidence::new(of_culture(sealed), surroundings.clone());
        let at = evidence.batch().bottled_at + SignedDuration::from_hours(30);
        evidence.observe(at, Observed::Gauge(GaugePressure::from_bar(0.5).unwrap()));
        fit::lesson(&evidence, at).expect("something was measured")
    };
    let (first, second) = (taught("2026-02-01T07:00:00Z"), taught("2026-02-09T07:00:00Z"));
    let planned = of_culture("2026-03-02T07:00:00Z");
    let said = |lessons: &[fobwatch_core::culture::Lesson]| {
        let (room, room_said) = room_of(&planned);
        culture(&Asked {
            batch: &planned,
            lessons,
            room,
            room_said,
            surroundings: &surroundings,
            display: &config.display,
            ready: None,
            home: None,
        })
    };
    let (one, two) = ("known from 1 earlier batch.", "known from 2 earlier batches.");
    assert!(said(&[first.clone(), first.clone()]).contains(one));
    assert!(said(&[first.clone(), second, first]).contains(two));
}
