//! Siblings of an experiment as points: content when cold over the day, the dose or the sugar, beside the wish.
//!
//! A picture of its own, with its style inside, for files and the page.

use fobwatch_core::experiment::{Differs, Experiment, Sibling};
use maud::{Markup, html};

use super::{
    drawing::{LEFT, NAME, Named, TEXT, drawing, grid, tall, text},
    geometry::{Scale, px},
    lettering::{Label, apart, wide, wrapped},
    pictured::Screen,
};
use crate::craft::experiments::fizz;

/// Lengths in pixels.
struct Form {
    width: f64,
    tall: f64,
}

fn form(screen: Screen) -> Form {
    match screen {
        Screen::Wide => Form {
            width: 720.0,
            tall: 200.0,
        },
        Screen::Narrow => Form {
            width: 350.0,
            tall: 170.0,
        },
    }
}

const RIGHT: f64 = 6.0;
const TITLE: f64 = 17.0;
/// Between the title and the panel, and below it: its figures, and what they are.
const HEAD: f64 = 24.0;
const FOOT: f64 = 50.0;

const STYLE: &str = "
.title { font-size: 17px; }
.span { stroke: var(--co2); stroke-width: 1.6; }
.point { fill: var(--paper); stroke: var(--co2); stroke-width: 2.2; }
.point.best { fill: var(--co2); }
.want { stroke: var(--wish); stroke-width: 1.5; stroke-dasharray: 2 3; }
.want-word { fill: var(--wish); paint-order: stroke; stroke: var(--paper); stroke-width: 4px; stroke-linejoin: round; }
";

/// Each experiment below the other.
pub(crate) fn experimented<'a>(
    all: impl Iterator<Item = (&'a str, &'a Experiment)>,
    screen: Screen,
) -> String {
    let form = form(screen);
    let mut height = 0.0;
    let mut drawn: Vec<(f64, Markup)> = Vec::new();
    for (name, experiment) in all {
        let (tall, panel) = panel(name, experiment, &form);
        drawn.push((height, panel));
        height += tall;
    }
    let inside = html! {
        @for (y, panel) in &drawn {
            g transform={ "translate(" (px(LEFT)) " " (px(*y)) ")" } { (panel) }
        }
    };
    let named = Named::By("Content of each sibling when cold, beside the wish");
    drawing((form.width, height), &named, STYLE, &inside)
}

/// One sibling as a point.
struct Point<'a> {
    sibling: &'a Sibling,
    x: f64,
    figure: String,
    /// "hibiscus 12, lively".
    name: String,
}

/// How tall it is, and the experiment itself.
fn panel(name: &str, experiment: &Experiment, form: &Form) -> (f64, Markup) {
    let siblings = &experiment.siblings;
    let differs = experiment
        .verdict
        .as_ref()
        .and_then(|verdict| verdict.differs)
        .unwrap_or(Differs::Day);
    let best = experiment.verdict.as_ref().map(|verdict| &verdict.best);
    let most = siblings
        .iter()
        .map(|sibling| sibling.after.p95.volumes().max(sibling.target.volumes()))
        .fold(1.0, f64::max);
    let scale = Scale {
        most: most * 1.1,
        top: 0.0,
        bottom: form.tall,
    };
    let room = form.width - LEFT - RIGHT;
    let points = points(siblings, differs, room);
    // Names stand at their points if there is room before the next one, else in a key.
    let ends = points.iter().skip(1).map(|point| point.x).chain([room]);
    let keyed = points
        .iter()
        .zip(ends)
        .any(|(point, end)| point.x + 12.0 + NAME * wide(&point.name) > end);
    let labels = (1..).zip(&points).map(|(number, point): (usize, _)| {
        Label::new(
            if keyed {
                number.to_string()
            } else {
                point.name.clone()
            },
            point.x + 9.0,
            scale.y(point.sibling.after.p50.volumes()) - 8.0,
        )
    });
    let labels = apart(labels.collect(), NAME);
    let key: Vec<String> = (1..)
        .zip(&points)
        .filter(|_| keyed)
        .flat_map(|(number, point): (usize, _)| wrapped(&format!("{number} {}", point.name), room / TEXT))
        .collect();
    let below = match differs {
        Differs::Day => "days from sealing to the fridge",
        Differs::Dose => "mL of culture per litre",
        Differs::Sugar => "g of sugar per litre",
    };
    let title = wrapped(
        &format!("{name}: CO\u{2082} when cold, volumes"),
        (form.width - RIGHT - 4.0) / (1.05 * TITLE),
    );
    let top = tall(&title, TITLE) + HEAD;
    let foot = top + form.tall + FOOT;
    // Figures below the points, as far as there is room for them.
    let mut free = f64::NEG_INFINITY;
    let mut figures: Vec<(f64, &str)> = Vec::new();
    for point in &points {
        let half = 0.5 * TEXT * wide(&point.figure) + 3.0;
        if point.x - half >= free {
            free = point.x + half;
            figures.push((point.x, &point.figure));
        }
    }
    let drawn = html! {
        (text("title", &title, -30.0, 0.0, TITLE))
        g transform={ "translate(0 " (px(top)) ")" } {
            (grid(scale, room))
            @if let Some(target) = siblings.first().map(|sibling| sibling.target.volumes()) {
                line class="want" x1="0" x2=(room) y1=(px(scale.y(target))) y2=(px(scale.y(target))) {}
                text class="want-word" x="2" y=(px(scale.y(target) - 5.0)) { "the wish" }
            }
            @for point in &points {
                @let after = &point.sibling.after;
                line class="span" x1=(px(point.x)) x2=(px(point.x)) y1=(px(scale.y(after.p05.volumes()))) y2=(px(scale.y(after.p95.volumes()))) {}
                circle class=(if Some(&point.sibling.batch) == best { "point best" } else { "point" }) cx=(px(point.x)) cy=(px(scale.y(after.p50.volumes()))) r="5" {}
            }
            @for (x, figure) in &figures {
                text x=(px(*x)) y=(px(form.tall + 16.0)) text-anchor="middle" { (figure) }
            }
            @for label in &labels {
                text class="name" x=(px(label.x)) y=(px(label.y)) { (label.text) }
            }
            text x=(px(room)) y=(px(form.tall + 36.0)) text-anchor="end" { (below) }
        }
        (text("key", &key, 0.0, foot, TEXT))
    };
    (foot + tall(&key, TEXT) + 26.0, drawn)
}

/// The siblings from left to right.
fn points(siblings: &[Sibling], differs: Differs, room: f64) -> Vec<Point<'_>> {
    let value = |sibling: &Sibling| match differs {
        Differs::Day => sibling.hours() / 24.0,
        other => sibling.place(other).unwrap_or(0.0),
    };
    let low = siblings.iter().map(value).fold(f64::INFINITY, f64::min);
    let high = siblings.iter().map(value).fold(f64::NEG_INFINITY, f64::max);
    let spare = (0.15 * (high - low)).max(0.05 * high.abs()).max(0.1);
    let (from, to) = (low - spare, high + spare);
    let mut points: Vec<Point<'_>> = siblings
        .iter()
        .map(|sibling| Point {
            sibling,
            x: room * (value(sibling) - from) / (to - from),
            figure: short(value(sibling)),
            name: match fizz(sibling) {
                Some(fizz) => format!("{}, {fizz}", sibling.batch),
                None => sibling.batch.to_string(),
            },
        })
        .collect();
    points.sort_by(|a, b| a.x.total_cmp(&b.x));
    points
}

fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        batch::BatchName,
        forecast::Quantiles,
        quantity::{AlcoholByVolume, Co2Volumes, GaugePressure, MassConcentration},
    };
    use jiff::SignedDuration;

    use super::*;

    fn sibling(name: &str, hours: i64, volumes: f64) -> Sibling {
        let sealed = "2026-03-02T07:00:00Z".parse().unwrap();
        let co2 = |volumes| Co2Volumes::from_volumes(volumes).unwrap();
        let after = Quantiles {
            p05: co2(volumes - 0.1),
            p50: co2(volumes),
            p95: co2(volumes + 0.1),
        };
        let bar = GaugePressure::from_bar(2.0).unwrap();
        Sibling {
            batch: BatchName::new(name).unwrap(),
            bottled_at: sealed,
            dose_ml_per_l: None,
            sugar: MassConcentration::from_grams_per_litre(60.0).unwrap(),
            pulled_at: Some(sealed + SignedDuration::from_hours(hours)),
            as_of: sealed + SignedDuration::from_hours(hours),
            co2: after,
            after,
            fullest: Quantiles {
                p05: bar,
                p50: bar,
                p95: bar,
            },
            alcohol: AlcoholByVolume::from_percent(0.5).unwrap(),
            target: co2(2.8),
            limit: GaugePressure::from_bar(5.0).unwrap(),
            tasted: Vec::new(),
        }
    }

    fn drawn(name: &str, siblings: Vec<Sibling>, screen: Screen) -> String {
        let experiment = Experiment::of(siblings);
        experimented([(name, &experiment)].into_iter(), screen)
    }

    #[test]
    fn names_stand_at_their_points_where_there_is_room_and_else_in_a_key() {
        let few = || vec![sibling("plum 1", 48, 2.0), sibling("plum 2", 96, 2.8)];
        let picture = drawn("which day", few(), Screen::Wide);
        assert!(
            picture.contains("class=\"name\"") && picture.contains(">plum 1<"),
            "{picture}"
        );
        assert!(!picture.contains("class=\"key\""));
        let long = "the batch that somebody left beside the oven over the whole weekend & more";
        let many = (0..12)
            .map(|place| sibling(&format!("{long} {place}"), 48 + place, 2.8))
            .collect();
        let picture = drawn(long, many, Screen::Narrow);
        let key = picture.split("class=\"key\"").skip(1);
        let key: String = key
            .map(|row| row.split(['>', '<']).nth(1).unwrap().to_owned() + " ")
            .collect();
        for place in 0..12 {
            assert!(key.contains(&format!("weekend &amp; more {place} ")), "{key}");
        }
        // Figures of neighbours that lie closer than they are wide are left out.
        let below = picture.matches("text-anchor=\"middle\"").count();
        assert!((1..12).contains(&below), "{below}");
        let width = form(Screen::Narrow).width;
        for row in picture.split("class=\"title\"").skip(1) {
            let text = row.split(['>', '<']).nth(1).unwrap().replace("&amp;", "&");
            assert!(TITLE * wide(&text) <= width, "{text}");
        }
    }
}
