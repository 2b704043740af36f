//! The picture of one batch: content over time, and under it the pressure of the fullest bottle.

use fobwatch_core::forecast::{CurvePoint, Forecast, Outlook};
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use super::{
    Context, Shown,
    amount::{self, volumes},
    clock::Clock,
    geometry::{Lines, Scale, TimeAxis, WIDE, between, lines, percent, px, ribbon, visible},
    noted, warmth,
};

/// Points drawn of a curve.
pub(super) const MOST_POINTS: usize = 160;
/// Points drawn where many batches share a page.
pub(super) const FEW_POINTS: usize = 50;

/// Height of the content's panel.
const CONTENT: f64 = 236.0;
/// Height of the pressure's panel.
const PRESSURE: f64 = 84.0;
/// Where the panels begin, from the top.
const CONTENT_TOP: f64 = 22.0;
const PRESSURE_TOP: f64 = CONTENT_TOP + CONTENT + 48.0;
const HEIGHT: f64 = PRESSURE_TOP + PRESSURE + 4.0;
/// The foot of the content's panel.
const FOOT: f64 = CONTENT_TOP + CONTENT;
/// Share of the width that the words of a note take.
const ROOM_FOR_A_NOTE: f64 = 0.16;
/// Names of days across.
const MOST_DAYS: usize = 9;
/// Room of a day's name, as a share of the width.
const NAME_OF_DAY: f64 = 0.06;
/// Words nearer to each other than this are not both written.
const LINE_OF_TEXT: f64 = 16.0;

/// The picture, or nothing while there is no curve. `id` makes the ids inside it its own.
pub(super) fn draw(shown: &Shown, id: &str, context: &Context, most: usize) -> Option<Markup> {
    let (forecast, outlook) = (shown.forecast()?, shown.outlook()?);
    let clock = context.clock();
    let axis = axis(shown, forecast, outlook, context.now)?;
    let curve = &outlook.curve;
    let days = axis.days(clock, MOST_DAYS, NAME_OF_DAY);
    let content = content_scale(shown, curve, axis, context.now);
    let pressure = pressure_scale(shown, context, curve, axis);
    let units = context.units();
    let co2 = lines(curve, axis, content, context.now, most, content_of);
    let middle = ribbon(curve, axis, content, most, |point| {
        [point.co2_middle.p25.volumes(), point.co2_middle.p75.volumes()]
    });
    let bar = lines(curve, axis, pressure, context.now, most, |point| {
        let p = &point.worst_bottle;
        [units.number(p.p05), units.number(p.p50), units.number(p.p95)]
    });
    let limit = shown.batch.bottle.pressure_limit;
    let limit_y = pressure.y(units.number(limit));
    let wish = shown.batch.target.co2;
    let wish_y = content.y(wish.volumes());
    let band = band(forecast, axis).filter(|_| !shown.is_danger());
    // Half-way up there is room for one figure, unless the limit's words stand there.
    let half = pressure.marks().into_iter().min_by(|a, b| {
        let off = |mark: &f64| (mark - pressure.most / 2.0).abs();
        off(a).total_cmp(&off(b))
    });
    let half =
        half.filter(|mark| !(-LINE_OF_TEXT..1.8 * LINE_OF_TEXT).contains(&(pressure.y(*mark) - limit_y)));
    let now = axis.share(context.now);
    let now_inside = axis.holds(context.now);
    let warm = shown
        .warmth
        .as_ref()
        .and_then(|warm| warmth::panel(warm, axis, HEIGHT, context));
    let height = match &warm {
        Some(_) => HEIGHT + warmth::WORDS + warmth::HEIGHT,
        None => HEIGHT,
    };
    let heading = format!("CO\u{2082} in {} over time, with its forecast", shown.batch.name);
    Some(html! {
        svg xmlns="http://www.w3.org/2000/svg" class="chart" width="100%" height=(px(height)) role="img"
            id={ (id) "-chart" } data-points=(pointed(curve, axis, clock, most))
            data-from=(axis.start.as_second()) data-to=(axis.end.as_second())
            aria-labelledby={ (id) "-title " (id) "-desc" } {
            title id={ (id) "-title" } { (heading) }
            desc id={ (id) "-desc" } { (describe(shown, forecast, outlook, context, clock)) }
            // Content.
            svg x="0" y=(px(CONTENT_TOP)) width="100%" height=(px(CONTENT)) viewBox={ "0 0 " (WIDE) " " (CONTENT) }
                preserveAspectRatio="none" {
                @if let Some((from, to)) = band {
                    rect class="window" x=(px(from * WIDE)) y="0" width=(px((to - from).max(0.003) * WIDE))
                        height=(px(CONTENT)) {}
                }
                @for day in &days {
                    @if let Some(begins) = day.begins {
                        line class="midnight" x1=(px(begins * WIDE)) x2=(px(begins * WIDE)) y1="0" y2=(px(CONTENT)) {}
                    }
                }
                @for mark in content.marks() {
                    line class="grid" x1="0" x2=(WIDE) y1=(px(content.y(mark))) y2=(px(content.y(mark))) {}
                }
                line class="ground" x1="0" x2=(WIDE) y1=(px(content.bottom)) y2=(px(content.bottom)) {}
                (drawn(&co2, &middle))
                line class="wish" x1="0" x2=(WIDE) y1=(px(wish_y)) y2=(px(wish_y)) {}
            }
            // The present runs below all words.
            @if now_inside {
                line class="now" x1=(percent(now)) x2=(percent(now)) y1=(px(CONTENT_TOP - 6.0)) y2=(px(FOOT)) {}
            }
            @for mark in content.marks() {
                @if (content.y(mark) - wish_y).abs() > LINE_OF_TEXT {
                    text class="tick" x="0" y=(px(CONTENT_TOP + content.y(mark) - 4.0)) { (figure(mark)) }
                }
            }
            text class="label wish-word" x="0" y=(px(CONTENT_TOP + wish_y - 5.0)) { "wanted: " (amount::wish(wish)) }
            @if let Some((from, to)) = band {
                (band_word(from, to, now, now_inside))
            }
            @for day in days.iter().filter(|day| !day.name.is_empty()) {
                text class={ "tick day" @if day.spare { " spare" } } x=(percent(day.middle))
                    y=(px(CONTENT_TOP + CONTENT + 17.0)) text-anchor="middle" { (day.name) }
            }
            // Pressure.
            text class="tick" x="0" y=(px(PRESSURE_TOP - 8.0)) {
                "pressure of the fullest bottle, " (units.of_pressure())
            }
            svg x="0" y=(px(PRESSURE_TOP)) width="100%" height=(px(PRESSURE)) viewBox={ "0 0 " (WIDE) " " (PRESSURE) }
                preserveAspectRatio="none" {
                @for day in &days {
                    @if let Some(begins) = day.begins {
                        line class="midnight" x1=(px(begins * WIDE)) x2=(px(begins * WIDE)) y1="0" y2=(px(PRESSURE)) {}
                    }
                }
                line class="ground" x1="0" x2=(WIDE) y1=(px(pressure.bottom)) y2=(px(pressure.bottom)) {}
                @if let Some(mark) = half {
                    line class="grid" x1="0" x2=(WIDE) y1=(px(pressure.y(mark))) y2=(px(pressure.y(mark))) {}
                }
                (drawn(&bar, ""))
                line class="limit" x1="0" x2=(WIDE) y1=(px(limit_y)) y2=(px(limit_y)) {}
            }
            @if now_inside {
                line class="now" x1=(percent(now)) x2=(percent(now)) y1=(px(PRESSURE_TOP)) y2=(px(PRESSURE_TOP + PRESSURE)) {}
            }
            @if let Some(mark) = half {
                text class="tick" x="0" y=(px(PRESSURE_TOP + pressure.y(mark) - 3.0)) { (figure(mark)) }
            }
            text class="label limit-word" x="0" y=(px(PRESSURE_TOP + limit_y + 14.0)) {
                "Danger: your limit, " (units.limit(limit))
            }
            @if now_inside {
                (now_word(now, curve, content, context))
            }
            (told(shown, curve, axis, content, now))
            (raised(shown, axis))
            @if let Some(warm) = warm { (warm) }
        }
    })
}

/// What the script tells under the pointer: share of the width and words, apart by `;` and `|`, which no word of ours holds.
fn pointed(curve: &[CurvePoint], axis: TimeAxis, clock: Clock<'_>, most: usize) -> String {
    let inside = visible(curve, axis, most);
    let told = inside.iter().map(|point| {
        let [low, middle, high] = content_of(point);
        format!(
            "{:.4}|{}: {middle:.2} volumes ({low:.2} to {high:.2})",
            axis.share(point.at),
            clock.moment(point.at)
        )
    });
    told.collect::<Vec<String>>().join(";")
}

/// `middle`: the ribbon that holds half; empty where none is told.
fn drawn(lines: &Lines, middle: &str) -> Markup {
    html! {
        polygon class="fan" points=(lines.fan) {}
        @if !middle.is_empty() { polygon class="middle" points=(middle) {} }
        polyline class="past" points=(lines.past) {}
        polyline class="ahead" points=(lines.ahead) {}
    }
}

/// "now", at the top of its line, and the content as an open circle where the line meets the curve. Both keep inside the picture and
/// off each other.
fn now_word(now: f64, curve: &[CurvePoint], content: Scale, context: &Context) -> Markup {
    let here = between(curve, context.now, |point| point.co2.p50.volumes());
    let is_high = here.is_some_and(|here| content.y(here) < 2.0 * LINE_OF_TEXT);
    let figure_left = now > 0.12;
    let left = if is_high { !figure_left } else { now > 0.5 };
    let side = |left: bool, off: &'static str, back: &'static str| {
        if left { ("end", back) } else { ("start", off) }
    };
    let (anchor, dx) = side(left, "6", "-6");
    let (of_figure, figure_dx) = side(figure_left, "10", "-10");
    html! {
        text class="label" x=(percent(now)) dx=(dx) y=(px(CONTENT_TOP + 6.0)) text-anchor=(anchor) { "now" }
        @if let Some(here) = here {
            circle class="here" cx=(percent(now)) cy=(px(CONTENT_TOP + content.y(here))) r="4.5" {}
            text class="label strong" x=(percent(now)) dx=(figure_dx) y=(px(CONTENT_TOP + content.y(here) - 9.0))
                text-anchor=(of_figure) { (format!("{here:.1}")) }
        }
    }
}

/// What people told, as open circles on the curve; in words where there is room.
fn told(shown: &Shown, curve: &[CurvePoint], axis: TimeAxis, content: Scale, now: f64) -> Markup {
    let mut notes: Vec<_> = shown.notes.iter().filter(|note| axis.holds(note.at)).collect();
    notes.sort_by_key(|note| note.at);
    let mut free_from = ROOM_FOR_A_NOTE;
    let placed = notes.into_iter().filter_map(|note| {
        let (x, volumes) = (
            axis.share(note.at),
            between(curve, note.at, |point| point.co2.p50.volumes())?,
        );
        let room = x >= free_from && (x < now - ROOM_FOR_A_NOTE / 2.0 || x > now + ROOM_FOR_A_NOTE);
        if room {
            free_from = x + ROOM_FOR_A_NOTE;
        }
        Some((x, CONTENT_TOP + content.y(volumes), noted::short(note), room))
    });
    html! {
        @for (x, y, words, room) in placed {
            circle class="here" cx=(percent(x)) cy=(px(y)) r="4.5" {}
            @if room {
                text class="label" x=(percent(x)) dx="-8" y=(px(y - 9.0)) text-anchor="end" { (words) }
            }
        }
    }
}

/// Alerts that stand, where they were raised: a small wedge at the foot; the agenda has their words.
fn raised(shown: &Shown, axis: TimeAxis) -> Markup {
    html! {
        @for alert in shown.standing().filter(|alert| axis.holds(alert.since)) {
            svg class="over" x=(percent(axis.share(alert.since))) y=(px(FOOT)) width="1" height="1" {
                path class="wedge" d="M-5.5,0 h11 l-5.5,-10 z" {}
            }
        }
    }
}

/// "move" over its band; a line lower where "now" stands in its way.
fn band_word(from: f64, to: f64, now: f64, now_inside: bool) -> Markup {
    let middle = f64::midpoint(from, to).clamp(0.05, 0.95);
    let crowded = now_inside && (now - middle).abs() < 0.14;
    let y = CONTENT_TOP + if crowded { 24.0 } else { 6.0 };
    html! {
        text class="label wish-word" x=(percent(middle)) y=(px(y)) text-anchor="middle" { "move" }
    }
}

/// The advised move as shares of the width, as far as the axis shows it.
fn band(forecast: &Forecast, axis: TimeAxis) -> Option<(f64, f64)> {
    let when = forecast.move_at?;
    let from = axis.share(when.p05?).max(0.0);
    let to = when.p95.map_or(1.0, |late| axis.share(late)).min(1.0);
    (from < 1.0 && to > 0.0 && to >= from).then_some((from, to))
}

/// From sealing (or not too long ago) to some time after what comes next.
fn axis(shown: &Shown, forecast: &Forecast, outlook: &Outlook, now: Timestamp) -> Option<TimeAxis> {
    let (first, last) = (outlook.curve.first()?.at, outlook.curve.last()?.at);
    let hours = SignedDuration::from_hours;
    let plus = |at: Timestamp, more: SignedDuration| at.saturating_add(more).unwrap_or(at);
    let past = now
        .duration_since(shown.batch.bottled_at)
        .max(hours(24))
        .min(hours(10 * 24));
    let start = first.max(plus(now, -past));
    let comes = [forecast.move_at, forecast.target_at]
        .into_iter()
        .flatten()
        .filter_map(|when| when.p95.or(when.p50))
        .map(|late| plus(late, hours(12)))
        .max()
        .unwrap_or(now);
    let least = plus(now, hours(30).max(past / 2));
    let most = plus(now, hours(72).max(past));
    let end = comes.clamp(least, most).min(last);
    (end > start).then(|| TimeAxis::new(start, end))
}

fn content_of(point: &CurvePoint) -> [f64; 3] {
    let co2 = &point.co2;
    [co2.p05.volumes(), co2.p50.volumes(), co2.p95.volumes()]
}

fn content_scale(shown: &Shown, curve: &[CurvePoint], axis: TimeAxis, now: Timestamp) -> Scale {
    let wish = shown.batch.target.co2.volumes().max(0.1);
    let seen = |point: &&CurvePoint| axis.holds(point.at);
    let median = curve.iter().filter(seen).map(|point| point.co2.p50.volumes());
    let so_far = curve
        .iter()
        .filter(seen)
        .filter(|point| point.at <= now)
        .map(|point| point.co2.p95.volumes());
    // The fan may run off the top; the median may not, unless it leaves everything else at the bottom.
    let most = median
        .map(|m| m.min(1.9 * wish))
        .chain(so_far)
        .fold(1.3 * wish, f64::max);
    Scale {
        most: most * 1.08,
        top: 0.0,
        bottom: CONTENT - 1.0,
    }
}

fn pressure_scale(shown: &Shown, context: &Context, curve: &[CurvePoint], axis: TimeAxis) -> Scale {
    let limit = context
        .units()
        .number(shown.batch.bottle.pressure_limit)
        .max(0.01);
    let most = curve
        .iter()
        .filter(|point| axis.holds(point.at))
        .map(|point| context.units().number(point.worst_bottle.p50))
        .fold(1.12 * limit, f64::max);
    Scale {
        most: most.min(1.8 * limit),
        top: 0.0,
        bottom: PRESSURE - 1.0,
    }
}

pub(super) fn figure(mark: f64) -> String {
    let whole = (mark - mark.round()).abs() < 1e-9;
    if whole {
        format!("{mark:.0}")
    } else {
        format!("{mark:.1}")
    }
}

/// The picture in words.
fn describe(
    shown: &Shown,
    forecast: &Forecast,
    outlook: &Outlook,
    context: &Context,
    clock: Clock<'_>,
) -> String {
    let mut text = format!(
        "Sealed {}. About {} now ({:.1} to {:.1}); wanted: {}.",
        clock.moment(shown.batch.bottled_at),
        volumes(forecast.co2.p50),
        forecast.co2.p05.volumes(),
        forecast.co2.p95.volumes(),
        amount::wish(shown.batch.target.co2),
    );
    if let Some(at) = forecast.target_at.and_then(|when| when.p50) {
        text.push_str(&format!(" It reaches that most likely {}.", clock.moment(at)));
    }
    let fullest = shown
        .view
        .fullest()
        .map_or(outlook.worst_bottle_now, |fullest| fullest.now);
    text.push_str(&format!(
        " The fullest bottle is at about {} of your limit of {}.",
        context.units().pressure(fullest.p50),
        context.units().limit(shown.batch.bottle.pressure_limit),
    ));
    for alert in shown.standing() {
        let name = alert.alert.name().replace('_', " ");
        text.push_str(&format!(" Alert since {}: {name}.", clock.moment(alert.since)));
    }
    text
}
