//! What the page must say, and in which order.

mod danger;
mod looked_at;
mod many;
mod placed;
mod scenes;
mod unknown;
mod written;

use fobwatch_core::{
    alert::{AlarmState, AlertName},
    quantity::Unit,
};
use jiff::SignedDuration;

use super::{
    Shown, agenda, chart,
    fixture::{Made, alert, context, danger, hibiscus, lime, now, pear, plum},
};

/// Where in the page something stands; the test fails if it does not.
fn place(page: &str, what: &str) -> usize {
    page.find(what)
        .unwrap_or_else(|| panic!("`{what}` is not on the page"))
}

/// Its words, however its lines may be broken.
fn headline(page: &str) -> String {
    let from = place(page, "<h1");
    let text = &page[from..place(page, "</h1>")];
    text[text.find('>').unwrap() + 1..].replace('\u{a0}', " ")
}

fn move_now() -> Shown {
    let mut shown = Made {
        age_h: 70.0,
        ..Made::new("lime and mint 3")
    }
    .shown();
    shown.view.alerts = vec![alert(
        AlertName::MoveToFridge,
        1,
        "Move lime and mint 3 to the fridge now: 72 hours later it will hold about 2.80 volumes.",
    )];
    shown
}

fn all() -> Vec<Shown> {
    vec![pear(), lime(), plum(), hibiscus(), move_now(), danger()]
}

#[test]
fn the_agenda_is_in_the_order_in_which_a_person_must_act() {
    let page = agenda(&all(), &context());
    let list = &page[place(&page, "agenda-head")..place(&page, "id=\"shelf\"")];
    let order = [
        "Stay out of the room with hibiscus 11",
        "Move lime and mint 3 to the fridge now.",
        "The gauge pressure from pilot b of plum 1 is silent.",
        "Move hibiscus 12 to the fridge, best at",
        "Move lime and mint 4 to the fridge, best at",
        "Pear and thyme 2 is in the fridge.",
    ];
    let places: Vec<usize> = order.iter().map(|what| place(list, what)).collect();
    assert!(places.is_sorted(), "{places:?}");
}

#[test]
fn the_headline_says_what_and_when() {
    let calm = agenda(&[pear(), lime(), hibiscus()], &context());
    assert_eq!(
        headline(&calm),
        "Nothing to do now. Tomorrow, Thursday, at 13:10 CET, hibiscus 12 goes to the fridge."
    );
    let now = agenda(&[hibiscus(), move_now()], &context());
    assert_eq!(headline(&now), "Move lime and mint 3 to the fridge now.");
    let cold = agenda(&[pear()], &context());
    assert_eq!(headline(&cold), "Nothing to do. All bottles are in the fridge.");
}

#[test]
fn units_are_the_users() {
    let mut imperial = context();
    imperial.display.pressure = Unit::Psi;
    imperial.display.temperature = Unit::Fahrenheit;
    let page = agenda(&[hibiscus()], &imperial);
    // NIST SP 811 (2008), B.8: 5 bar are 72.5 psi; 20.8 degC are 69.4 degF.
    assert!(page.contains("72.5\u{a0}psi") && page.contains("69.4\u{a0}°F"));
}

#[test]
fn alerts_stand_on_the_axis_and_half_lies_within_the_dark_band() {
    let mut shown = move_now();
    shown.view.alerts[0].since = now() - SignedDuration::from_hours(10);
    let picture = chart(&shown, &context()).unwrap();
    let wedge = &picture[place(&picture, "class=\"over\"")..];
    let at: f64 = wedge[place(wedge, "x=\"") + 3..place(wedge, "%")]
        .parse()
        .unwrap();
    // Ten hours before the present, on an axis that begins with the sealing 70 h ago.
    let line = &picture[place(&picture, "class=\"now\"")..];
    let present: f64 = line[place(line, "x1=\"") + 4..place(line, "%")].parse().unwrap();
    assert!((at / present - 60.0 / 70.0).abs() < 0.01, "{at} of {present}");
    assert!(picture.contains("Alert since") && picture.contains("move to fridge"));
    shown.view.alerts.clear();
    assert!(!chart(&shown, &context()).unwrap().contains("wedge"));

    let highest = |class: &str| -> f64 {
        let band = &picture[place(&picture, class)..];
        let points = &band[place(band, "points=\"") + 8..];
        let points = points[..place(points, "\"")].split(' ');
        points
            .filter_map(|point| point.split_once(',')?.1.parse::<f64>().ok())
            .fold(f64::INFINITY, f64::min)
    };
    assert!(
        highest("class=\"middle\"") > highest("class=\"fan\""),
        "lower on the page"
    );
}

#[test]
fn a_shelved_move_is_quiet_and_says_until_when() {
    let mut shown = move_now();
    shown.view.alerts[0].state = AlarmState::Shelved;
    shown.view.alerts[0].shelved_until = Some(now() + SignedDuration::from_hours(8));
    let page = agenda(&[shown], &context());
    assert!(page.contains("The move of lime and mint 3 was set aside until Thu 5 Mar 04:10 CET."));
    assert!(!headline(&page).contains("Move"));
}

#[test]
fn no_batches_teach_the_next_step() {
    let page = agenda(&[], &context());
    assert_eq!(headline(&page), "No bottles are watched yet.");
    assert!(page.contains("fobwatch batch add hibiscus-12.toml"));
    assert!(
        page.contains("fobwatch note &#39;hibiscus 12&#39; moved_to_fridge")
            || page.contains("fobwatch note 'hibiscus 12' moved_to_fridge")
    );
    assert!(
        page.contains("Bottles can burst."),
        "the cautions are there from the start"
    );
}

#[test]
fn the_demo_says_so_everywhere() {
    let mut demo = context();
    demo.demo = true;
    let page = agenda(&all(), &demo);
    assert!(page.contains("<title>Demo: "));
    assert!(place(&page, "<strong>Demo.</strong>") < place(&page, "<h1"));
    assert!(page.contains("Demo time: <time"));
    assert!(!agenda(&all(), &context()).contains("Demo"));
}
