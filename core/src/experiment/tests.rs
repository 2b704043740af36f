use jiff::SignedDuration;

use super::*;

fn sibling(name: &str, hours: i64, dose: f64, after: f64, words: &[Liveliness]) -> Sibling {
    let sealed: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
    let pulled = sealed + SignedDuration::from_hours(hours);
    let content = |volumes: f64| Co2Volumes::from_volumes(volumes).unwrap();
    let around = |volumes: f64| Quantiles {
        p05: content(volumes - 0.1),
        p50: content(volumes),
        p95: content(volumes + 0.1),
    };
    let bar = |bar: f64| GaugePressure::from_bar(bar).unwrap();
    Sibling {
        batch: BatchName::new(name).unwrap(),
        bottled_at: sealed,
        dose_ml_per_l: Some(dose),
        sugar: MassConcentration::from_grams_per_litre(60.0).unwrap(),
        pulled_at: Some(pulled),
        as_of: pulled,
        co2: around(after - 0.1),
        after: around(after),
        fullest: Quantiles {
            p05: bar(1.0),
            p50: bar(1.2),
            p95: bar(1.5),
        },
        alcohol: AlcoholByVolume::from_percent(0.5).unwrap(),
        target: content(2.8),
        limit: bar(4.0),
        tasted: words
            .iter()
            .map(|word| Tasting {
                at: pulled,
                fizz: Some(*word),
                words: format!("{word:?}"),
            })
            .collect(),
    }
}

#[test]
fn without_a_word_the_content_decides_and_the_right_day_lies_between() {
    let experiment = Experiment::of(vec![
        sibling("day four", 96, 25.0, 3.2, &[]),
        sibling("day two", 48, 25.0, 2.0, &[]),
        sibling("day three", 72, 25.0, 2.6, &[]),
    ]);
    let order: Vec<&str> = experiment.siblings.iter().map(|s| s.batch.as_str()).collect();
    assert_eq!(order, ["day two", "day three", "day four"]);
    let verdict = experiment.verdict.unwrap();
    assert_eq!((verdict.best.as_str(), verdict.by), ("day three", By::Content));
    assert!(verdict.right, "0.2 volumes off");
    assert_eq!(verdict.differs, Some(Differs::Day));
    // 0.2 below and 0.4 above the target: a third of the day.
    assert!((verdict.between.unwrap() - 80.0).abs() < 1e-9, "{verdict:?}");
}

#[test]
fn the_palate_goes_before_the_figures() {
    let experiment = Experiment::of(vec![
        sibling("day two", 48, 25.0, 2.4, &[Liveliness::Right, Liveliness::Right]),
        sibling("day three", 72, 25.0, 2.8, &[Liveliness::Lively]),
        sibling("day four", 96, 25.0, 3.2, &[Liveliness::Gushing]),
    ]);
    let verdict = experiment.verdict.unwrap();
    assert_eq!(
        (verdict.best.as_str(), verdict.by, verdict.right),
        ("day two", By::Taste, true)
    );
    assert!((verdict.between.unwrap() - 48.0).abs() < 1e-9);
}

#[test]
fn doses_are_told_from_days_and_one_alone_is_no_experiment() {
    let experiment = Experiment::of(vec![
        sibling("much", 60, 50.0, 3.6, &[]),
        sibling("little", 60, 25.0, 3.2, &[]),
    ]);
    let verdict = experiment.verdict.unwrap();
    assert_eq!(verdict.differs, Some(Differs::Dose));
    assert_eq!(
        (verdict.best.as_str(), verdict.right, verdict.between),
        ("little", false, None)
    );
    assert_eq!(
        Experiment::of(vec![sibling("alone", 60, 25.0, 2.8, &[])]).verdict,
        None
    );
    // Nothing pulled and nothing tasted: nothing to judge by.
    let warm = |name: &str, hours| Sibling {
        pulled_at: None,
        ..sibling(name, hours, 25.0, 2.0, &[])
    };
    assert_eq!(Experiment::of(vec![warm("a", 40), warm("b", 60)]).verdict, None);
}
