//! Danger and pressure: said first, in words, and nobody is sent near.

use fobwatch_core::{
    alert::{AlarmState, AlertName},
    engine::{ApartView, Place},
};

use jiff::SignedDuration;

use super::{
    super::{
        self as page, agenda,
        fixture::{Made, alert, context, danger, hibiscus, now, pear},
    },
    all, headline, place,
};

#[test]
fn danger_says_so_in_words_and_tells_nobody_to_go_near() {
    let page = agenda(&all(), &context());
    assert!(headline(&page).starts_with("Danger. Stay out of the room with hibiscus 11"));
    let list = &page[place(&page, "agenda-head")..place(&page, "id=\"shelf\"")];
    assert!(list.contains("Do not touch, open, move, cover or go to look."));
    assert!(
        !list.contains("Move hibiscus 11"),
        "nobody may carry what may be at its limit"
    );
    assert!(
        list.contains("href=\"#gone-wrong\"") && page.contains("id=\"gone-wrong\""),
        "what to do is in reach"
    );
}

#[test]
fn every_red_thing_says_danger() {
    let page = agenda(&all(), &context());
    for red in page.split("danger\">").skip(1) {
        let text = &red[..red.find('<').unwrap()];
        assert!(text.contains("Danger"), "red without its word: `{text}`");
    }
}

#[test]
fn an_estimate_at_the_limit_is_a_danger_before_any_alert() {
    let mut shown = danger();
    shown.view.alerts.clear();
    let page = agenda(&[shown], &context());
    assert!(
        headline(&page).starts_with("Danger. Stay out"),
        "{}",
        headline(&page)
    );
    assert!(page.contains("Keep people and animals out of the room."));
}

#[test]
fn a_latched_danger_stays_when_its_condition_is_gone() {
    let mut shown = hibiscus();
    let mut over = alert(AlertName::OverLimit, 5, "Danger. It was at the limit.");
    over.present = false;
    over.state = AlarmState::Acknowledged;
    shown.view.alerts = vec![over];
    let page = agenda(&[shown], &context());
    assert!(headline(&page).starts_with("Danger."));
    assert!(page.contains("that proves nothing") && page.contains("Somebody has seen this."));
}

#[test]
fn a_danger_says_which_bottles_it_is_of() {
    let mut shown = danger();
    shown.view.place = Place::Fridge;
    let mut apart = |count, why: &str| {
        shown.view.apart = Some(ApartView {
            count,
            why: why.to_owned(),
            forecast: None,
            outlook: None,
        });
        agenda(&[shown.clone()], &context())
    };
    let some = apart(2, "2 of 8 bottles are still in the room.");
    assert!(
        place(&some, "Stay out of the room with") < place(&some, "2 of 8 bottles are still in the room.")
    );
    assert!(some.contains("in the fridge but for 2;"));
    let all = apart(8, "You noted a move.");
    assert!(all.contains("noted as moved to the fridge, not seen to cool yet;"));
}

#[test]
fn a_danger_invites_nobody_to_move_its_bottles() {
    let page = agenda(&[danger()], &context());
    for inviting in ["moved_to_fridge", "class=\"window\"", "class=\"mark\"", ">move<"] {
        assert!(!page.contains(inviting), "{inviting}");
        assert!(agenda(&[hibiscus()], &context()).contains(inviting), "{inviting}");
    }
    assert!(page.contains("Leave these bottles alone"));
    // What was seen before may be told, with the caution on top, and nobody is invited to anything.
    assert!(page.contains("/batches/hibiscus-11/tell\">Tell what was seen before</a>"));
    let tell = super::super::tell(&danger(), &context(), None);
    let caution = tell.find("Do not touch, open, move").expect("the caution");
    assert!(
        caution < tell.find("<form class=\"tell\"").expect("a form"),
        "{tell}"
    );
    assert!(
        tell.contains("no bottle is to be opened, squeezed, moved"),
        "{tell}"
    );
    assert!(
        !tell.contains("What did you do") && !tell.contains("I moved them"),
        "{tell}"
    );
}

#[test]
fn a_move_that_was_noted_is_not_asked_for_again_with_the_contrary_deed() {
    let mut shown = pear();
    shown.view.alerts = vec![alert(AlertName::MoveToFridge, 9, "It is ready to move.")];
    let noted = now() - SignedDuration::from_hours(7);
    shown.notes.push(fobwatch_core::note::Note {
        at: noted,
        kind: fobwatch_core::note::NoteKind::MovedToFridge,
        bottles: None,
        value: None,
        unit: None,
        text: None,
        takes_back: None,
    });
    let page = agenda(std::slice::from_ref(&shown), &context());
    let entry = &page[place(&page, "<h3>")..place(&page, "<section class=\"batch\"")];
    assert!(
        entry.contains("that pear and thyme 2 went to the fridge; it has not shown yet."),
        "{entry}"
    );
    assert!(
        !entry.contains("taken_out") && !entry.contains("Move pear"),
        "{entry}"
    );
}

#[test]
fn the_button_fits_the_hour_and_danger_has_none() {
    let mut shown = hibiscus();
    let page = agenda(&[shown.clone()], &context());
    assert!(page.contains("I have moved them all, the pilot too"));
    shown.view.alerts = vec![alert(AlertName::OverLimit, 1, "Danger.")];
    let page = agenda(&[shown.clone()], &context());
    assert!(!page.contains("I have moved them all") && page.contains("Stay out of the room"));
    let form = page::tell(&shown, &context(), None);
    assert!(!form.contains("value=\"moved_to_fridge\"") && form.contains("Keep people and animals out"));
}

#[test]
fn bottles_left_behind_may_be_the_fullest() {
    let mut shown = Made {
        place: Place::Fridge,
        age_h: 20.0,
        ..Made::new("hibiscus 12")
    }
    .shown();
    let warm = Made::new("hibiscus 12").shown().view;
    let fullest = warm.fullest().unwrap();
    let (about, most) = (fullest.now.p50, fullest.now.p95);
    assert!(about > shown.view.fullest().unwrap().now.p95);
    shown.view.apart = Some(ApartView {
        count: 3,
        why: "3 of 8 bottles are still in the room.".to_owned(),
        forecast: warm.forecast,
        outlook: warm.outlook,
    });
    let units = page::amount::Units::from(&context().display);
    let page = agenda(&[shown], &context());
    let press = &page[place(&page, "</h1>")..place(&page, "agenda-head")];
    let (about, most) = (units.pressure(about), units.at_most(most));
    assert!(
        press.contains(&format!("about {about} and at most {most}")),
        "{press}"
    );
    assert!(page.contains(&format!("Fullest bottle: about {about}, at most {most}")));
    assert!(page.contains("3 of 8 bottles are still in the room."));
}

#[test]
fn pressure_stands_under_the_headline_with_the_users_own_limit() {
    let page = agenda(&all(), &context());
    let press = &page[place(&page, "</h1>")..place(&page, "agenda-head")];
    assert!(
        press.contains("Fullest bottle now: hibiscus 11, about 5.3\u{a0}bar and at most"),
        "{press}"
    );
    assert!(press.contains("of your limit of 5.0\u{a0}bar"));
    assert!(press.contains("No trusted gauge is heard of one batch"));
}
