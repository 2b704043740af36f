//! What labels say of made-up batches.

use super::*;

const RECIPE: &str = r#"
[recipe]
makes_ml = 1000
dilution = "1:3"
lot = "12 A"
made_by = "Ada"
[[recipe.ingredients]]
name = "hibiscus & rose"
grams = 40
lot = "H 7"
[[recipe.ingredients]]
name = "honey"
kind = "honey"
grams = 320
"#;

fn facts(recipe: &str, diary: &[&str], notes: Vec<Note>) -> Facts {
    let text = include_str!("../../../config/example-batch.toml")
        .replace("sucrose_g_per_l = 55.0\n", "")
        .replace("hexose_g_per_l = 18.0 ", "hexose_g_per_l = 60.0 ");
    let file = BatchFile::from_toml(&format!("{text}{recipe}"), "plum.toml").unwrap();
    let diary = diary
        .iter()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    Facts::new(file, notes, None, &Diary::new(diary), TimeZone::UTC)
}

const FED: &str = r#"{"record":"diary","culture":"jar two","time":"2026-02-01T08:00:00Z","deed":"started","allergens":["barley"]}"#;
const LATER: &str = r#"{"record":"diary","culture":"jar two","time":"2026-04-01T08:00:00Z","deed":"fed","allergens":["milk"]}"#;
const FOUND: &str = r#"{"record":"diary","culture":"jar two","time":"2026-04-02T08:00:00Z","deed":"holds","allergens":["rye"]}"#;

#[test]
fn a_label_says_what_a_guest_must_know() {
    for kind in [Kind::Label, Kind::Card] {
        let (heading, said) = lines(&facts(RECIPE, &[FED, LATER], Vec::new()), kind);
        let said = said.join("\n");
        assert_eq!(heading, "plum 1");
        for must in [
            "honey",
            "hibiscus & rose",
            "live culture (jar two)",
            "Allergens: barley.",
            "Bottled Monday 2 March 2026. Lot 12 A.",
            "under pressure",
            "away from faces",
            "estimate, 0.4 to 0.7",
            "in pregnancy",
            "not for infants under one year",
            "no test for a label or an authority",
        ] {
            assert!(said.contains(must), "{must}:\n{said}");
        }
    }
    // What came in later is not in it; what was found later was in it before.
    let (_, said) = lines(&facts(RECIPE, &[FED, LATER, FOUND], Vec::new()), Kind::Label);
    assert!(said.join("\n").contains("Allergens: barley, rye."), "{said:?}");
}

#[test]
fn what_is_not_known_is_said_and_never_taken_for_none() {
    let (_, said) = lines(&facts("", &[], Vec::new()), Kind::Label);
    let said = said.join("\n");
    assert!(said.contains("nothing is known of the culture"), "{said}");
    assert!(said.contains("was not written down"), "{said}");
}

#[test]
fn a_label_of_juice_alone_speaks_of_no_water() {
    let juice = "[recipe]\nmakes_ml = 1000\nsugar_from = \"drink\"\n[[recipe.ingredients]]\nname = \"apple juice\"\nkind = \"apple_juice\"\ngrams = 1040\n";
    let (_, said) = lines(&facts(juice, &[], Vec::new()), Kind::Label);
    assert!(
        said[0].starts_with("Made with apple juice and live culture"),
        "{said:?}"
    );
    let (_, said) = lines(&facts(RECIPE, &[], Vec::new()), Kind::Card);
    assert!(
        said[0].starts_with("Made with water, honey (80 g/L), hibiscus & rose (10 g/L) and"),
        "{said:?}"
    );
}

#[test]
fn a_cold_batch_is_told_by_what_is_in_it_and_a_warm_one_by_at_least_its_target() {
    let volumes = |v| Co2Volumes::from_volumes(v).unwrap();
    let percent = |p| AlcoholByVolume::from_percent(p).unwrap();
    let bar = |b| fobwatch_core::quantity::GaugePressure::from_bar(b).unwrap();
    let all = |value| Quantiles {
        p05: value,
        p50: value,
        p95: value,
    };
    let upward = |p50, p95| fobwatch_core::forecast::Upward { p50, p95 };
    let forecast = Forecast {
        batch: fobwatch_core::batch::BatchName::new("plum 1").unwrap(),
        at: "2026-03-06T07:00:00Z".parse().unwrap(),
        co2: Quantiles {
            p05: volumes(1.8),
            p50: volumes(1.9),
            p95: volumes(2.0),
        },
        target_at: None,
        move_at: None,
        limit_at: None,
        if_forgotten: fobwatch_core::forecast::IfForgotten {
            pressure: fobwatch_core::forecast::Upward {
                p50: bar(5.0),
                p95: bar(9.0),
            },
            co2: fobwatch_core::forecast::Upward {
                p50: volumes(5.0),
                p95: volumes(8.0),
            },
            alcohol: upward(percent(1.3), percent(2.0)),
        },
        vigour: all(fobwatch_core::quantity::Vigour::from_ratio(1.0).unwrap()),
        lag: Quantiles {
            p05: fobwatch_core::forecast::Hours(5.0),
            p50: fobwatch_core::forecast::Hours(8.0),
            p95: fobwatch_core::forecast::Hours(11.0),
        },
    };
    let mut batch = facts("", &[], Vec::new()).batch;
    batch.target.co2 = volumes(2.3);
    let moved = Note {
        at: "2026-03-05T07:00:00Z".parse().unwrap(),
        kind: NoteKind::MovedToFridge,
        bottles: None,
        value: None,
        unit: None,
        text: None,
        takes_back: None,
    };
    let (warm, reached) = content(&batch, &[], Some(&forecast));
    assert!(!reached && warm.p05 == volumes(2.3) && warm.p95 == volumes(2.3));
    let (cold, reached) = content(&batch, std::slice::from_ref(&moved), Some(&forecast));
    assert!(reached && cold == forecast.co2);
    let out = Note {
        at: "2026-03-05T09:00:00Z".parse().unwrap(),
        kind: NoteKind::TakenOut,
        ..moved.clone()
    };
    assert!(!content(&batch, &[out, moved], Some(&forecast)).1);
}

#[test]
fn pictures_are_whole_and_names_are_text() {
    let facts = facts(RECIPE, &[FED], Vec::new());
    for kind in [Kind::Label, Kind::Card] {
        let svg = picture(&facts, kind);
        assert!(svg.starts_with("<svg ") && svg.ends_with("</svg>"));
        assert!(
            svg.contains("hibiscus &amp; rose") && !svg.contains("style="),
            "{svg}"
        );
    }
    assert!(sheet(&facts).contains("Lot record") && !sheet(&facts).contains("Danger."));
    let danger = Facts {
        danger: true,
        ..facts.clone()
    };
    assert!(sheet(&danger).contains("Keep people and animals out of the room."));
    assert!(document(&facts, &[Kind::Card]).contains("break-inside"));
}

#[test]
fn a_lot_record_holds_who_when_what_numbers_moves_and_measures() {
    let note = |kind, value: Option<f64>| Note {
        at: "2026-03-05T07:00:00Z".parse().unwrap(),
        kind,
        bottles: None,
        value,
        unit: value.map(|_| "SG".to_owned()),
        text: None,
        takes_back: None,
    };
    let notes = vec![
        note(NoteKind::Gravity, Some(1.012)),
        note(NoteKind::MovedToFridge, None),
    ];
    let facts = facts(RECIPE, &[FED], notes);
    let lot = record(&facts);
    let said = lot.lines(&facts).join("\n");
    for must in [
        "Lot: 12 A",
        "Made by: Ada",
        "lot H 7",
        "gravity, 1.012 SG",
        "moved to fridge",
        "claims no compliance",
        "Allergens: barley",
    ] {
        assert!(said.contains(must), "{must}:\n{said}");
    }
    let json = serde_json::to_value(&lot).unwrap();
    assert_eq!(json["ingredients"][1]["grams"], 320.0);
    assert_eq!(json["moves"][0]["kind"], "moved_to_fridge");
}

#[test]
fn a_lot_record_of_an_unknown_culture_says_that_nothing_is_known_of_it() {
    let facts = facts("", &[], Vec::new());
    let said = record(&facts).lines(&facts).join("\n");
    assert!(
        said.contains("Allergens: nothing is known of the culture"),
        "{said}"
    );
}
