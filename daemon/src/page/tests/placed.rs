//! Words keep inside pictures and off each other, and names find room.

use super::{
    super::{Offer, agenda, chart, fixture::*, see_to},
    place, scenes,
};

/// An element of the picture that says `words`, as far back as its tag.
fn tag<'a>(picture: &'a str, words: &str) -> &'a str {
    let end = place(picture, &format!(">{words}</text>"));
    &picture[picture[..end].rfind("<text").unwrap()..end]
}

#[test]
fn the_present_and_its_figure_stand_on_two_sides_where_the_curve_is_at_the_top() {
    let picture = chart(&danger(), &context()).unwrap();
    let (now, figure) = (tag(&picture, "now"), tag(&picture, "6.3"));
    assert!(
        now.contains("text-anchor=\"start\"") && now.contains("dx=\"6\""),
        "{now}"
    );
    assert!(
        figure.contains("text-anchor=\"end\"") && figure.contains("dx=\"-10\""),
        "{figure}"
    );
    // Both on the left where there is room for both.
    let picture = chart(&hibiscus(), &context()).unwrap();
    assert!(tag(&picture, "now").contains("text-anchor=\"end\""));
    assert!(tag(&picture, "1.3").contains("text-anchor=\"end\""));
}

#[test]
fn the_figure_of_a_batch_just_sealed_stands_inside_the_picture() {
    let begun = Made {
        age_h: 0.1,
        ..Made::new("pear and thyme 2")
    };
    let picture = chart(&begun.shown(), &context()).unwrap();
    let figure = tag(&picture, "0.0");
    assert!(
        figure.contains("text-anchor=\"start\"") && figure.contains("dx=\"10\""),
        "{figure}"
    );
}

#[test]
fn the_line_of_the_present_runs_below_the_words() {
    let picture = chart(&lime(), &context()).unwrap();
    let last_line = picture.rfind("class=\"now\"").unwrap();
    assert!(last_line < place(&picture, "Danger: your limit"));
    assert!(place(&picture, "class=\"now\"") < place(&picture, ">wanted: "));
}

#[test]
fn a_name_without_room_beside_its_row_stands_above_it() {
    let page = agenda(&[hibiscus()], &context());
    assert!(page.contains("class=\"row\"") && !page.contains("class=\"row long\""));
    let page = agenda(&scenes::long_names(), &context());
    assert_eq!(page.matches("class=\"row long\"").count(), scenes::LONG.len());
    for name in scenes::LONG {
        assert!(page.contains(name), "no name is cut");
    }
}

#[test]
fn sentences_begin_with_a_capital_and_the_sensors_are_counted_in_words() {
    let page = agenda(&[scenes::everything_at_once(), plum()], &context());
    for words in [
        "> Hibiscus 11: the bottle with the gauge may leak.",
        "<p>Hibiscus 11: nothing heard of gauge pressure",
        "> Hibiscus 11 stands too cold or too warm",
        "Two sensors: one silent, one doubtful",
        "one of five sensors was not heard of late",
    ] {
        place(&page, words);
    }
}

#[test]
fn what_presses_most_is_seen_to_first() {
    let offers = fobwatch_core::alert::AlertName::ALL.map(|alert| (alert, Offer::ALL.to_vec()));
    let page = see_to(&scenes::everything_at_once(), &offers, &context(), None);
    let order = ["Over limit</h3>", "Limit near</h3>", "Sensor silent</h3>"];
    let places = order.map(|heading| place(&page, heading));
    assert!(places.is_sorted(), "{places:?}");
}

#[test]
fn what_wants_a_reason_asks_for_its_own() {
    let offers = [(fobwatch_core::alert::AlertName::SensorSilent, Offer::ALL.to_vec())];
    let page = see_to(&plum(), &offers, &context(), None);
    for (summary, asked) in [
        ("Set aside\u{2026}", "Why it can wait"),
        ("Clear it\u{2026}", "Why it is over"),
        ("Take out of service\u{2026}", "Why nobody has to be told of it"),
    ] {
        assert!(place(&page, summary) < place(&page, asked));
    }
}

#[test]
fn red_is_for_pressure_alone() {
    let rules = super::super::style().split('}');
    let red = rules.filter(|rule| rule.contains("var(--danger"));
    let selectors: Vec<&str> = red
        .filter_map(|rule| rule.split('{').next())
        .map(str::trim)
        .collect();
    assert_eq!(
        selectors,
        [
            ".danger",
            ".agenda li.alarm",
            ".agenda li.alarm + li.alarm",
            ".limit",
            "svg .limit-word"
        ]
    );
}
