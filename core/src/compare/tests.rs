//! What is told of made-up records.

use super::*;
use crate::{
    culture::{COUNT, TRAITS, Trait},
    fit::{Evidence, Surroundings, lesson},
};

/// A record whose culture is so many times livelier than the reference, seen with such a doubt of the logarithm.
fn record(culture: &str, batch: &str, day: i64, ln_vigour: f64, doubt: f64) -> Lesson {
    let bottled_at: Timestamp = "2026-01-05T08:00:00Z".parse().unwrap();
    let normal = |mean| Normal { mean, sd: doubt };
    Lesson {
        culture: CultureName::new(culture).unwrap(),
        batch: BatchName::new(batch).unwrap(),
        bottled_at: bottled_at + jiff::SignedDuration::from_hours(24 * day),
        hours: 168.0,
        dose_ml_per_l: Some(25.0),
        traits: TRAITS
            .iter()
            .map(|name| Trait {
                name: (*name).to_owned(),
                mean: 0.5,
                pooled_mean: 0.5,
                pooled_sd: 1.0,
            })
            .collect(),
        covariance: (0..COUNT)
            .map(|i| (0..COUNT).map(|j| if i == j { 1.0 } else { 0.0 }).collect())
            .collect(),
        liveliness: Some(Liveliness {
            ln_vigour: normal(ln_vigour),
            ln_lag_h: normal(2.0),
        }),
    }
}

fn entry(lesson: Lesson) -> Entry {
    Entry {
        lesson,
        circumstances: None,
    }
}

#[test]
fn the_livelier_culture_is_named_first_and_order_does_not_matter() {
    let mut entries: Vec<Entry> = (0..3)
        .flat_map(|i| {
            [
                entry(record("jar two", &format!("hibiscus {i}"), 7 * i, 0.0, 0.1)),
                entry(record("jar one", &format!("plum {i}"), 7 * i, 1.0, 0.1)),
            ]
        })
        .collect();
    let comparison = Comparison::of(entries.clone());
    assert_eq!(comparison.cultures[0].culture.as_str(), "jar one");
    assert_eq!(comparison.pairs.len(), 1);
    let pair = &comparison.pairs[0];
    assert_eq!(pair.culture.as_str(), "jar one");
    assert!(pair.chance.share() > 0.9, "{:?}", pair.chance);
    assert_eq!(comparison.batches.len(), 6);
    entries.reverse();
    entries.push(entries[0].clone());
    assert_eq!(Comparison::of(entries), comparison);
}

#[test]
fn equal_cultures_are_told_as_unsure() {
    let entries = ["jar one", "jar two"]
        .map(|jar| entry(record(jar, "plum 1", 0, 0.0, 0.3)))
        .to_vec();
    let comparison = Comparison::of(entries);
    assert!(comparison.pairs[0].chance.share() < 0.65);
}

#[test]
fn chances_are_those_of_the_normal_table() {
    // NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1: area from minus infinity.
    for (z, share) in [
        (0.0, 0.5),
        (0.5, 0.69146),
        (1.0, 0.84134),
        (1.96, 0.97500),
        (-1.5, 0.06681),
    ] {
        assert!((standing::below(z) - share).abs() < 1e-5, "{z}");
    }
}

/// One of a batch that ended in doubt `sd` of its ceiling, % vol, with so much sugar when sealed, g/L.
fn with_ceiling(percent: f64, sd: f64, sugar: f64) -> Entry {
    let mut entry = entry(record("jar two", "plum 1", 0, 0.0, 0.1));
    let place = TRAITS.iter().position(|name| *name == "ln_ceiling").unwrap();
    entry.lesson.traits[place].mean = percent.ln();
    entry.lesson.covariance[place][place] = sd * sd;
    entry.circumstances = Some(Circumstances {
        temperature: None,
        sugar: MassConcentration::from_grams_per_litre(sugar).unwrap(),
        pace: pace(|day| if day < 5.0 { day } else { 5.0 }),
    });
    entry
}

/// Of ten days at 20 degC with such a content, volumes.
fn pace(of: impl Fn(f64) -> f64) -> Option<Pace> {
    let past: Vec<Passed> = (0..=240)
        .map(|hour| {
            let hours = f64::from(hour);
            Passed {
                hours,
                hours_at_20_c: hours,
                co2: crate::quantity::Co2Volumes::from_volumes(of(hours / 24.0)).unwrap(),
                drink: Temperature::from_celsius(20.0).unwrap(),
            }
        })
        .collect();
    assert_eq!(Pace::of(&past[..40]), None, "too short to tell");
    Pace::of(&past)
}

#[test]
fn a_pace_is_that_of_the_last_day_beside_the_liveliest() {
    let share = |of: &dyn Fn(f64) -> f64| pace(of).unwrap().share();
    assert!((share(&|day| 0.3 * day) - 1.0).abs() < 1e-9);
    assert!(share(&|day| day.min(4.0)) < 1e-9);
    // Each day brings exp(-1/2) of the one before, and nine days lie between the first and the last.
    let slowing = share(&|day| 3.0 * (1.0 - (-0.5 * day).exp()));
    assert!((slowing - (-0.5_f64 * 9.0).exp()).abs() < 1e-3, "{slowing}");
    assert!(share(&|_| 0.0) < 1e-9);
}

#[test]
fn a_ceiling_is_told_once_a_batch_showed_it() {
    let mut entries: Vec<Entry> = (0..3)
        .map(|i| entry(record("jar two", &format!("plum {}", i + 2), 7 * i, 0.0, 0.1)))
        .collect();
    assert_eq!(Comparison::of(entries.clone()).cultures[0].standing.ceiling, None);
    entries.push(with_ceiling(2.0, 0.1, 60.0));
    let told = Comparison::of(entries).cultures[0].standing.ceiling.unwrap();
    assert!((told.p50.percent() - 2.0).abs() < 0.1, "{told:?}");
}

#[test]
fn want_of_sugar_is_no_ceiling() {
    let told = |entry: Entry| {
        let comparison = Comparison::of(vec![entry]);
        let ceilings = [
            comparison.batches[0].standing.ceiling,
            comparison.cultures[0].standing.ceiling,
        ];
        assert_eq!(ceilings[0].is_some(), ceilings[1].is_some());
        ceilings[0].is_some()
    };
    // 76 g/L make some 4.8 %: a batch that slows at four has hardly any sugar left.
    assert!(!told(with_ceiling(4.1, 0.04, 76.0)));
    assert!(told(with_ceiling(4.1, 0.04, 150.0)));
    // That it has come so far shows only that the ceiling lies above.
    assert!(!told(with_ceiling(2.5, 0.45, 150.0)));
    // Nor has one that goes on.
    let mut going_on = with_ceiling(2.0, 0.1, 60.0);
    going_on.circumstances.as_mut().unwrap().pace = pace(|day| 0.3 * day);
    assert!(!told(going_on));
    // Whoever does not know the sugar does not know what was wanting.
    let mut unknown = with_ceiling(2.0, 0.1, 60.0);
    unknown.circumstances = None;
    assert!(!told(unknown));
}

#[test]
fn a_batch_that_stands_apart_for_a_reason_steers_neither_trend_nor_feed() {
    use crate::culture::Diary;
    let mut entries: Vec<Entry> = (0..7)
        .map(|i| entry(record("jar two", &format!("plum {i}"), 7 * i, 0.0, 0.1)))
        .collect();
    let fed =
        r#"{"record":"diary","culture":"jar two","time":"2026-01-05T08:00:00Z","deed":"fed","grams":20}"#;
    let diary = Diary::new(vec![serde_json::from_str(fed).unwrap()]);
    let of = |entries: &[Entry]| {
        let trend = Comparison::of(entries.to_vec()).cultures[0].trend;
        (trend, since_feed(entries, &diary))
    };
    let without = of(&entries);
    let mut odd = entry(record("jar two", "plum 9", 60, 1.5, 0.1));
    entries.push(odd.clone());
    assert_ne!(
        of(&entries),
        without,
        "what nothing explains may be where the culture goes"
    );
    odd.lesson.dose_ml_per_l = Some(100.0);
    *entries.last_mut().unwrap() = odd;
    assert_eq!(of(&entries), without);
}

#[test]
fn what_is_less_sure_is_told_wider() {
    let width = |doubt| {
        let comparison = Comparison::of(vec![entry(record("jar two", "plum 1", 0, 0.0, doubt))]);
        let vigour = &comparison.batches[0].standing.vigour;
        assert!(vigour.p05.ratio() <= vigour.p50.ratio() && vigour.p50.ratio() <= vigour.p95.ratio());
        vigour.p95.ratio() / vigour.p05.ratio()
    };
    // Nine of ten lie within 3.29 standard deviations (normal distribution, any table).
    assert!((width(0.4).ln() - 3.29 * 0.4).abs() < 1e-3);
}

#[test]
fn a_culture_that_gains_has_a_trend_and_two_batches_have_none() {
    let gaining = |count: i64| {
        (0..count)
            .map(|i| {
                let ln = 0.03 * f64::from(i32::try_from(i * 7).unwrap());
                entry(record("jar two", &format!("plum {i}"), 7 * i, ln, 0.1))
            })
            .collect()
    };
    let trend = Comparison::of(gaining(8)).cultures[0].trend.unwrap().0;
    assert!(trend.p05 > 0.0 && trend.p50 > 20.0, "{trend:?}");
    assert_eq!(Comparison::of(gaining(2)).cultures[0].trend, None);
}

#[test]
fn a_batch_that_stands_apart_is_told_with_its_dose() {
    let mut entries: Vec<Entry> = (0..5)
        .map(|i| entry(record("jar two", &format!("plum {i}"), 7 * i, 0.0, 0.1)))
        .collect();
    let mut odd = entry(record("jar two", "plum 9", 40, 1.5, 0.1));
    odd.lesson.dose_ml_per_l = Some(75.0);
    entries.push(odd);
    let comparison = Comparison::of(entries);
    let told: Vec<_> = comparison
        .batches
        .iter()
        .filter(|b| b.stands_out.is_some())
        .collect();
    assert_eq!(told.len(), 1);
    assert_eq!(told[0].batch.as_str(), "plum 9");
    assert_eq!(told[0].stands_out, Some(vec![Reason::Dose(3.0)]));
}

#[test]
fn a_batch_without_any_row_has_no_record_to_compare() {
    let (mut batch, _) = crate::batch::Batch::from_toml(
        include_str!("../../../config/example-batch.toml"),
        "example-batch.toml",
    )
    .unwrap();
    batch.culture = Some(CultureName::new("jar two").unwrap());
    let usual_ambient = crate::quantity::AbsolutePressure::from_bar(1.0).unwrap();
    let at = batch.bottled_at + jiff::SignedDuration::from_hours(48);
    assert_eq!(
        lesson(&Evidence::new(batch, Surroundings { usual_ambient }), at),
        None
    );
}

#[test]
fn a_culture_that_hungers_loses_vigour_with_the_days_since_its_feed() {
    use crate::culture::Diary;
    // Fed on day 0 alone; bottled later and later, 5 % less lively each day.
    let entries: Vec<Entry> = (1..7)
        .map(|day| {
            entry(record(
                "jar two",
                &format!("plum {day}"),
                day,
                -0.05 * f64::from(i32::try_from(day).unwrap()),
                0.05,
            ))
        })
        .collect();
    let fed =
        r#"{"record":"diary","culture":"jar two","time":"2026-01-05T08:00:00Z","deed":"fed","grams":20}"#;
    let diary = Diary::new(vec![serde_json::from_str(fed).unwrap()]);
    let told = since_feed(&entries, &diary);
    assert_eq!(told.len(), 1);
    let change = told[0].change;
    assert!(
        change.p50 < -1.0 && change.p05 < -4.9 && change.p95 > -4.9,
        "{change:?}"
    );
    assert_eq!(told[0].batches, 6);
    assert!(since_feed(&entries, &Diary::default()).is_empty());
    assert!(since_feed(&entries[..2], &diary).is_empty());
}
