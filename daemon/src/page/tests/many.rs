//! Many batches: folded, in parts, and none of them lost.

use fobwatch_core::{batch::BatchName, engine::Place};

use super::{
    super::{
        Overview, Part, Shown, agenda, agenda_of,
        fixture::{Made, context, danger, now, pear},
    },
    headline, place,
};

/// So many in the fridge, and one in danger.
fn quiet_but_one(count: usize) -> Vec<Shown> {
    let mut batches: Vec<Shown> = (0..count)
        .map(|number| {
            Made {
                place: Place::Fridge,
                ..Made::new(&format!("pear and thyme {number:04}"))
            }
            .shown()
        })
        .collect();
    batches.push(danger());
    batches
}

#[test]
fn many_batches_fold_and_those_that_want_somebody_stay_open() {
    let page = agenda(&quiet_but_one(40), &context());
    assert!(headline(&page).starts_with("Danger."));
    let folded = place(&page, "<details class=\"folded\"");
    assert!(place(&page, "id=\"batch-hibiscus-11\"") < folded);
    assert_eq!(page.matches("<section class=\"batch\"").count(), 41);
    assert!(page.contains("Nothing needed by 40 batches"));
    assert!(!page.contains("More batches") && !page.contains("the next ones"));
}

/// One part of the page of all of them.
fn part_of(batches: &[Shown], part: &Part) -> String {
    let overview = Overview::of(batches, now());
    let some: Vec<Shown> = part
        .of(&overview.survey)
        .iter()
        .map(|place| batches[*place].clone())
        .collect();
    agenda_of(&some, &overview, part, &context())
}

#[test]
fn a_thousand_batches_come_in_parts_each_once_and_the_first_lines_are_of_all() {
    let batches = quiet_but_one(1_000);
    let first = agenda(&batches, &context());
    assert!(first.len() < 1_500_000, "{} bytes", first.len());
    assert!(first.contains("id=\"batch-hibiscus-11\""));
    assert!(first.contains("Batches 1 to 50 of 1001, most urgent first."));
    let mut found = std::collections::BTreeSet::new();
    for number in 1..=21 {
        let page = part_of(&batches, &Part { number, named: None });
        assert!(headline(&page).starts_with("Danger."), "{number}");
        assert_eq!(
            page.contains(&format!("href=\"/?page={}\"", number + 1)),
            number < 21
        );
        for section in page.split("<section class=\"batch\" id=\"").skip(1) {
            let slug = section.split('"').next().unwrap();
            assert!(found.insert(slug.to_owned()), "{slug} again");
        }
    }
    assert_eq!(found.len(), 1_001);
    // There were more a moment ago: the last part is shown.
    let behind = part_of(
        &batches,
        &Part {
            number: 400,
            named: None,
        },
    );
    assert!(behind.contains("Batches 1001 to 1001 of 1001"));
    assert!(first.contains("1001 batches;") && behind.contains("1001 batches;"));
}

#[test]
fn what_wants_somebody_and_does_not_fit_is_said_on_every_part() {
    let mut batches: Vec<Shown> = (0..120)
        .map(|number| {
            let mut shown = danger();
            shown.batch.name = BatchName::new(&format!("hibiscus {number}")).unwrap();
            shown
        })
        .collect();
    batches.push(pear());
    let page = part_of(&batches, &Part::default());
    assert!(
        headline(&page).contains("120 batches may be at their limit"),
        "{}",
        headline(&page)
    );
    assert!(page.contains("70 more batches want somebody now: "));
    let part = Part {
        number: 3,
        named: Some("a & b".to_owned()),
    };
    let last = part_of(&batches, &part);
    assert!(!last.contains("somebody now: ") && last.contains("Pear and thyme 2 is in the fridge."));
    assert!(last.contains("href=\"/?named=a%20%26%20b&amp;page=2\""));
    assert!(last.contains("with \u{201c}a &amp; b\u{201d} in the name"));
}

#[test]
fn many_planned_moves_fold_but_none_is_lost() {
    let batches: Vec<Shown> = (0..40)
        .map(|number| Made::new(&format!("plum {number}")).shown())
        .collect();
    let page = agenda(&batches, &context());
    let list = &page[place(&page, "agenda-head")..place(&page, "id=\"shelf\"")];
    let folded = place(list, "34 later moves");
    assert_eq!(list[..folded].matches("<h3>Move plum").count(), 6);
    assert_eq!(
        list[folded..].matches("Tomorrow, Thu 5 Mar: Move plum").count(),
        34
    );
}
