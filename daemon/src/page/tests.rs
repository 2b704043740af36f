//! What the page must say, and in which order.

mod looked_at;
mod placed;
mod scenes;

use fobwatch_core::{
    alert::{AlarmState, AlertName},
    batch::{BatchName, CultureName},
    engine::{ApartView, Place},
    forecast::{Odd, Quantiles},
    quantity::Unit,
};
use jiff::SignedDuration;

use super::{
    Overview, Part, Shown, agenda, agenda_of, chart,
    fixture::{Made, alert, context, danger, hibiscus, lime, now, pear, plum},
    style,
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
    let units = super::amount::Units::from(&context().display);
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

/// The only ones there are.
const OWN_SCRIPTS: &str = "<script src=\"/page.js\" defer></script><script src=\"/chart.js\" defer></script>";

#[test]
fn what_comes_from_outside_is_escaped() {
    let evil = "<script>alert('x')</script>&\"";
    let mut shown = hibiscus();
    shown.batch.name = BatchName::new(evil).unwrap();
    shown.batch.culture = Some(CultureName::new(evil).unwrap());
    shown.batch.bottle.limit_source = Some(evil.to_owned());
    shown.view.alerts = vec![alert(AlertName::LimitNear, 1, evil)];
    shown.view.sensors[0].source = fobwatch_core::reading::Source::new("<b onclick=x>").unwrap();
    shown.failed = Some(evil.to_owned());
    let page = agenda(&[shown.clone()], &context()).replace(OWN_SCRIPTS, "");
    let picture = chart(&shown, &context()).unwrap();
    let form = super::tell(&shown, &context(), Some(("opened", evil)));
    for text in [page, picture, form] {
        assert!(!text.contains("<script") && !text.contains("<b onclick"));
        assert!(text.contains("&lt;script&gt;"));
    }
}

#[test]
fn a_strict_policy_holds() {
    let page = agenda(&all(), &context());
    assert_eq!(page.matches(OWN_SCRIPTS).count(), 1);
    let page = page.replace(OWN_SCRIPTS, "");
    for forbidden in ["style=", "<style", "<script", "onclick", "http://", "https://"] {
        let own = page.replace("xmlns=\"http://www.w3.org/2000/svg\"", "");
        assert!(!own.contains(forbidden), "{forbidden}");
    }
    assert!(!style().contains("url(") && !style().contains("@import"));
}

#[test]
fn names_in_commands_are_one_word_of_a_shell() {
    let mut shown = hibiscus();
    shown.batch.name = BatchName::new("it's; rm -rf $HOME").unwrap();
    let page = agenda(&[shown], &context());
    assert!(page.contains("fobwatch note 'it'\\''s; rm -rf $HOME' opened --bottles 3"));
}

#[test]
fn pictures_hold_no_nan_whatever_comes() {
    let flat = |volumes: f64| Made {
        final_volumes: volumes,
        ..Made::new("plum 1")
    };
    let mut one_point = hibiscus();
    one_point.view.outlook.as_mut().unwrap().curve.truncate(1);
    let mut broken_rate = hibiscus();
    broken_rate.view.outlook.as_mut().unwrap().rate = Quantiles {
        p05: f64::NAN,
        p50: f64::NAN,
        p95: f64::INFINITY,
    };
    let young = Made {
        age_h: 0.0,
        ..Made::new("plum 1")
    };
    let batches = vec![
        flat(0.0).shown(),
        flat(90.0).shown(),
        one_point,
        broken_rate,
        young.shown(),
    ];
    let page = agenda(&batches, &context());
    for word in ["NaN", "inf\"", "inf,", ">inf"] {
        assert!(!page.contains(word), "{word}");
    }
    for svg in page.split("<svg").skip(1) {
        assert!(svg.contains("height="));
    }
}

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
fn the_demo_says_so_everywhere() {
    let mut demo = context();
    demo.demo = true;
    let page = agenda(&all(), &demo);
    assert!(page.contains("<title>Demo: "));
    assert!(place(&page, "<strong>Demo.</strong>") < place(&page, "<h1"));
    assert!(page.contains("Demo time: <time"));
    assert!(!agenda(&all(), &context()).contains("Demo"));
}

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
fn a_danger_invites_nobody_to_move_its_bottles() {
    let page = agenda(&[danger()], &context());
    for inviting in ["moved_to_fridge", "class=\"window\"", "class=\"mark\"", ">move<"] {
        assert!(!page.contains(inviting), "{inviting}");
        assert!(agenda(&[hibiscus()], &context()).contains(inviting), "{inviting}");
    }
    assert!(page.contains("Leave these bottles alone"));
    // What was seen before may be told, with the caution on top, and nobody is invited to anything.
    assert!(page.contains("/batches/hibiscus-11/tell\">Tell what was seen before</a>"));
    let tell = super::tell(&danger(), &context(), None);
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
fn ids_are_unique_even_when_slugs_are_not() {
    let page = agenda(
        &[Made::new("plum 1").shown(), Made::new("plum-1").shown()],
        &context(),
    );
    let mut ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .map(|rest| &rest[..rest.find('"').unwrap()])
        .collect();
    let all = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), all);
}

#[test]
fn the_document_has_its_landmarks_and_headings_in_order() {
    let page = agenda(&all(), &context());
    for part in [
        "<html lang=\"en\">",
        "<header>",
        "<nav aria-label",
        "<main id=\"main\">",
        "<footer>",
    ] {
        assert_eq!(page.matches(part).count(), 1, "{part}");
    }
    assert_eq!(page.matches("<h1").count(), 1);
    let mut level = 1;
    for rest in page.split("<h").skip(1) {
        let next = match rest.chars().next() {
            Some('1') => 1,
            Some('2') => 2,
            Some('3') => 3,
            _ => continue,
        };
        assert!(
            next <= level + 1,
            "a heading of level {next} after one of {level}"
        );
        level = next;
    }
    assert_eq!(
        page.matches("role=\"img\"").count(),
        page.matches("<desc").count()
    );
}

/// Contrast after WCAG 2.2, "relative luminance" and success criterion 1.4.3 (4.5:1 for text).
#[test]
fn text_has_contrast_enough_in_both_themes() {
    let luminance = |hex: &str| {
        let part = |from: usize| {
            let value = f64::from(u8::from_str_radix(&hex[from..from + 2], 16).unwrap()) / 255.0;
            if value <= 0.04045 {
                value / 12.92
            } else {
                ((value + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(0) + 0.7152 * part(2) + 0.0722 * part(4)
    };
    let themes: Vec<&str> = style().split(":root {").skip(1).collect();
    assert_eq!(themes.len(), 2);
    for theme in themes {
        let colour = |name: &str| {
            let from = theme.find(&format!("--{name}: #")).unwrap() + name.len() + 5;
            luminance(&theme[from..from + 6])
        };
        for ground in ["paper", "tint", "danger-tint"] {
            for text in ["ink", "soft", "wish", "danger"] {
                let (a, b) = (colour(text), colour(ground));
                let contrast = (a.max(b) + 0.05) / (a.min(b) + 0.05);
                assert!(contrast >= 4.5, "{text} on {ground}: {contrast:.2}");
            }
        }
    }
}

#[test]
fn the_button_fits_the_hour_and_danger_has_none() {
    let mut shown = hibiscus();
    let page = agenda(&[shown.clone()], &context());
    assert!(page.contains("I have moved them all, the pilot too"));
    shown.view.alerts = vec![alert(AlertName::OverLimit, 1, "Danger.")];
    let page = agenda(&[shown.clone()], &context());
    assert!(!page.contains("I have moved them all") && page.contains("Stay out of the room"));
    let form = super::tell(&shown, &context(), None);
    assert!(!form.contains("value=\"moved_to_fridge\"") && form.contains("Keep people and animals out"));
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
    let told = super::told(&[shown], &context());
    let asks: Vec<Odd> = told.batches[0]
        .needs
        .iter()
        .filter_map(|need| need.asks)
        .collect();
    assert_eq!(asks, [Odd::Fill, Odd::Altitude]);
}
