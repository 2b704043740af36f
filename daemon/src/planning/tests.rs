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
    // Half a day sooner than it would be by itself.
    let moved = usual - SignedDuration::from_hours(12);
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
    let said = soon
        .parts
        .iter()
        .flat_map(|part| &part.said)
        .cloned()
        .collect::<Vec<_>>()
        .join("\n");
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
    let said = weeks
        .parts
        .iter()
        .flat_map(|part| &part.said)
        .cloned()
        .collect::<Vec<_>>()
        .join("\n");
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
