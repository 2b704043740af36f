//! What is not known, old or asked looks so.

use fobwatch_core::{engine::Place, forecast::Odd};
use jiff::SignedDuration;

use super::{
    super::{
        self as page, Shown, agenda,
        fixture::{Made, context, hibiscus, now, pear, plum},
    },
    headline, place,
};

#[test]
fn a_batch_without_a_forecast_waits_and_its_pressure_is_not_known() {
    let mut shown = hibiscus();
    shown.view.forecast = None;
    shown.view.outlook = None;
    shown.view.sensors.clear();
    let page = agenda(&[shown], &context());
    assert!(page.contains("Hibiscus 12 has no forecast yet."));
    assert!(page.contains("The pressure of one batch is not known: treat those bottles as live."));
    assert!(!page.contains("class=\"chart\""));
}

#[test]
fn a_batch_whose_engine_failed_is_to_be_looked_at_and_the_others_go_on() {
    let mut shown = plum();
    shown.view.alerts.clear();
    shown.failed = Some("the engine stopped at an event of Wed 4 Mar".to_owned());
    let page = agenda(&[hibiscus(), shown], &context());
    assert!(headline(&page).starts_with("Look at plum 1."));
    assert!(page.contains("Plum 1 is set aside: nobody reckons its pressure."));
    assert!(page.contains("Move hibiscus 12 to the fridge, best at"));
}

#[test]
fn old_values_and_old_forecasts_look_old() {
    let mut shown = hibiscus();
    let then = now() - SignedDuration::from_hours(5);
    shown.view.sensors[0].at = Some(then);
    shown.view.forecast.as_mut().unwrap().at = then;
    let page = agenda(&[shown, plum()], &context());
    assert!(page.contains("This was reckoned 5 hours ago, Wed 4 Mar 15:10 CET"));
    for word in ["Old", "Silent", "Doubtful"] {
        let tag = format!("<span class=\"word\">{word}</span>");
        assert!(page.contains(&tag), "{word}");
    }
}

#[test]
fn nothing_is_calm_while_more_is_stored_than_reckoned() {
    let mut behind = pear();
    behind.behind = true;
    let page = agenda(&[behind, hibiscus()], &context());
    assert_eq!(
        headline(&page),
        "Not known yet: what is stored of pear and thyme 2 is still being reckoned. Treat the bottles as live."
    );
    let press = &page[place(&page, "</h1>")..place(&page, "agenda-head")];
    assert!(
        press.contains("More is stored of one batch than is reckoned yet"),
        "{press}"
    );
    assert!(!page.contains("Nothing needed") && page.contains("Not known yet</p>"));

    let mut all: Vec<Shown> = (0..201)
        .map(|number| {
            Made {
                place: Place::Fridge,
                ..Made::new(&format!("plum {number}"))
            }
            .shown()
        })
        .collect();
    for shown in &mut all {
        shown.behind = true;
    }
    let page = agenda(&all, &context());
    assert!(headline(&page).starts_with("Not known yet: what is stored of 201 batches"));
    assert!(page.contains("Not known yet of 50 batches") && !page.contains("Nothing needed"));
}

#[test]
fn a_question_about_an_entry_can_be_answered_where_it_stands() {
    let mut shown = hibiscus();
    shown.view.asked = vec![Odd::Fill, Odd::Altitude];
    shown.view.questions = vec![
        "Is the fill right?".to_owned(),
        "Is the altitude right?".to_owned(),
    ];
    let page = agenda(&[shown.clone()], &context());
    let of = |question: &str| {
        let from = page.find(question).expect("the question");
        let end = page[from..].find("</li>").expect("its end");
        page[from..from + end].to_owned()
    };
    let fill = of("Is the fill right?");
    assert!(fill.contains("href=\"/batches/hibiscus-12/correct\""), "{fill}");
    assert!(
        fill.contains("name=\"kind\" value=\"confirmed\"") && fill.contains("name=\"text\" value=\"fill\""),
        "{fill}"
    );
    // The altitude is none of the batch's.
    let altitude = of("Is the altitude right?");
    assert!(
        !altitude.contains("/correct") && altitude.contains("value=\"altitude\""),
        "{altitude}"
    );
    let told = page::told(&[shown], &context());
    let asks: Vec<Odd> = told.batches[0]
        .needs
        .iter()
        .filter_map(|need| need.asks)
        .collect();
    assert_eq!(asks, [Odd::Fill, Odd::Altitude]);
}
