//! The shelf: one row a batch on a shared time axis, the present as one line through all.

use fobwatch_core::alert::AlertName;
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use super::{
    Context, Shown,
    amount::volumes,
    geometry::{Day, Scale, TimeAxis, WIDE, lines, percent, px},
    setting,
};

/// Points drawn of a curve.
const MOST_POINTS: usize = 48;
/// Height of a row's picture.
const HEIGHT: f64 = 58.0;
/// Letters of a name, and of a word in it, that have room beside the picture.
const MOST_BESIDE: usize = 34;
const LONGEST_WORD: usize = 16;
/// So far the present reaches beyond a row's picture, to be one line through all.
const BEYOND: f64 = 9.0;
/// The wish lies at this share of the height, in every row.
const WISH_AT: f64 = 0.62;

/// The axis that all rows share.
pub(super) fn axis(batches: &[Shown], now: Timestamp) -> TimeAxis {
    let hours = SignedDuration::from_hours;
    let plus = |more: SignedDuration| now.saturating_add(more).unwrap_or(now);
    let oldest = batches.iter().map(|shown| shown.batch.bottled_at).min();
    let start = oldest
        .unwrap_or(now)
        .clamp(plus(hours(-5 * 24)), plus(hours(-24)));
    let latest = batches
        .iter()
        .filter_map(|shown| shown.forecast()?.move_at?.p50)
        .max()
        .map(|at| at.saturating_add(hours(18)).unwrap_or(at));
    let end = latest.unwrap_or(now).clamp(plus(hours(48)), plus(hours(6 * 24)));
    TimeAxis::new(start, end)
}

/// The days, over the rows.
pub(super) fn days(axis: TimeAxis, context: &Context) -> (Vec<Day>, Markup) {
    let days = axis.days(context.clock(), 8, 0.12);
    let drawn = html! {
        div class="row axis" aria-hidden="true" {
            span {}
            svg width="100%" height="20" {
                @for day in days.iter().filter(|day| !day.name.is_empty()) {
                    text class={ "tick" @if day.spare { " spare" } } x=(percent(day.middle)) y="14"
                        text-anchor="middle" { (day.name) }
                }
            }
            span {}
        }
    };
    (days, drawn)
}

/// One row. `anchor`: where the batch's section is.
pub(super) fn row(shown: &Shown, anchor: &str, axis: TimeAxis, days: &[Day], context: &Context) -> Markup {
    let units = context.units();
    let limit = shown.batch.bottle.pressure_limit;
    let state = state(shown, context);
    let culture = shown
        .batch
        .culture
        .as_ref()
        .map_or("", |culture| culture.as_str());
    let long = [shown.batch.name.as_str(), culture]
        .iter()
        .any(|name| is_long(name));
    html! {
        a class={ "row" @if long { " long" } } href={ "#" (anchor) } {
            span class="who" {
                b { (shown.batch.name) }
                @if !culture.is_empty() { small { (culture) } }
            }
            (picture(shown, axis, days, context))
            span class="what" {
                @match shown.view.fullest() {
                    Some(fullest) => b {
                        (units.in_bottle(fullest.now.p50)) " of "
                        (units.limit_figure(limit)) "\u{a0}" (units.of_pressure())
                    },
                    None => b { "pressure not known" },
                }
                @if let Some(forecast) = shown.forecast() { small { (volumes(forecast.co2.p50)) } }
                small {
                    @if state.danger { strong class="danger" { "Danger: " } }
                    (setting::set(&state.words))
                }
            }
        }
    }
}

/// A name that its column has no room for in two lines stands above its row.
fn is_long(name: &str) -> bool {
    name.chars().count() > MOST_BESIDE
        || name
            .split_whitespace()
            .any(|word| word.chars().count() > LONGEST_WORD)
}

struct State {
    danger: bool,
    words: String,
}

fn state(shown: &Shown, context: &Context) -> State {
    let clock = context.clock();
    let danger = |words: &str| State {
        danger: true,
        words: words.to_owned(),
    };
    let calm = |words: String| State { danger: false, words };
    if shown.may_be_at_limit() {
        return danger("may be at your limit");
    }
    if shown.alert(AlertName::SuddenLoss).is_some() {
        return danger("a bottle may have burst");
    }
    if shown.alert(AlertName::LimitNear).is_some() {
        return danger("may pass your limit");
    }
    if shown.failed.is_some() {
        return calm("set aside".to_owned());
    }
    match shown.forecast() {
        _ if shown.is_chilled() => calm("in the fridge".to_owned()),
        _ if shown.is_none_left() => calm("none left here".to_owned()),
        None => calm("no forecast yet".to_owned()),
        Some(forecast) => match forecast.move_at.and_then(|when| when.p50) {
            Some(at) if at <= context.now => calm("to the fridge now".to_owned()),
            _ if shown.alert(AlertName::MoveToFridge).is_some() => calm("to the fridge now".to_owned()),
            Some(at) => calm(format!("fridge {}", clock.moment(at))),
            None => calm("not coming due".to_owned()),
        },
    }
}

fn picture(shown: &Shown, axis: TimeAxis, days: &[Day], context: &Context) -> Markup {
    let now = axis.share(context.now);
    let wish = shown.batch.target.co2.volumes().max(0.1);
    let scale = Scale {
        most: wish / WISH_AT,
        top: 0.0,
        bottom: HEIGHT - 6.0,
    };
    let sealed = axis.share(shown.batch.bottled_at).clamp(0.0, 1.0) * WIDE;
    let drawn = shown.outlook().map(|outlook| {
        lines(&outlook.curve, axis, scale, context.now, MOST_POINTS, |point| {
            [
                point.co2.p05.volumes(),
                point.co2.p50.volumes(),
                point.co2.p95.volumes(),
            ]
        })
    });
    let limit = shown
        .forecast()
        .filter(|_| !shown.is_chilled())
        .and_then(|forecast| forecast.limit_at?.p05)
        .filter(|at| axis.holds(*at));
    let move_at = shown
        .forecast()
        .filter(|_| !shown.is_danger() && !shown.is_none_left())
        .and_then(|forecast| forecast.move_at?.p50)
        .filter(|at| axis.holds(*at));
    html! {
        svg class="ridge" width="100%" height=(px(HEIGHT)) aria-hidden="true" {
            svg x="0" y="0" width="100%" height=(px(HEIGHT)) viewBox={ "0 0 " (WIDE) " " (HEIGHT) }
                preserveAspectRatio="none" {
                @for begins in days.iter().filter_map(|day| day.begins) {
                    line class="midnight" x1=(px(begins * WIDE)) x2=(px(begins * WIDE)) y1="0" y2=(px(HEIGHT)) {}
                }
                line class="ground" x1=(px(sealed)) x2=(WIDE) y1=(px(scale.bottom)) y2=(px(scale.bottom)) {}
                line class="wish" x1=(px(sealed)) x2=(WIDE) y1=(px(scale.y(wish))) y2=(px(scale.y(wish))) {}
                @if let Some(lines) = &drawn {
                    polygon class="fan" points=(lines.fan) {}
                    polyline class="past" points=(lines.past) {}
                    polyline class="ahead" points=(lines.ahead) {}
                }
                @if let Some(at) = limit {
                    line class="limit" x1=(px(axis.share(at) * WIDE)) x2=(px(axis.share(at) * WIDE)) y1="0"
                        y2=(px(HEIGHT)) {}
                }
            }
            line class="now" x1=(percent(now)) x2=(percent(now)) y1=(px(-BEYOND)) y2=(px(HEIGHT + BEYOND)) {}
            @if let Some(at) = move_at {
                svg class="over" x=(percent(axis.share(at))) y=(px(scale.y(wish) - 11.0)) width="1" height="1" {
                    path class="mark" d="M-5.5,0 h11 l-5.5,9 z" {}
                }
            }
        }
    }
}

/// What the lines mean.
pub(super) fn key() -> Markup {
    html! {
        p class="soft key" {
            "Upright line: now. Solid: so far; dashed: expected, in the fan that holds it nine times in ten. \
             Dotted: your wish; the triangle marks the move. Dash-dotted: from here on the fullest bottle may pass \
             your limit. At the right: pressure of the fullest bottle, of your limit."
        }
    }
}
