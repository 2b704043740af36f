//! Small multiples of batches: each culture's curves of the content, from sealing on, and by the time that 20 degC would have taken.
//!
//! A picture of its own, with its style inside, for files and mail.

use fobwatch_core::fit::Passed;
use jiff::Timestamp;
use maud::{Markup, PreEscaped, html};

use super::geometry::{Scale, points, px};

/// One batch's way.
#[derive(Clone, Copy, Debug)]
pub struct Curve<'a> {
    /// Its culture.
    pub culture: &'a str,
    /// Its name.
    pub batch: &'a str,
    /// When it was sealed.
    pub bottled_at: Timestamp,
    /// The way, two points at least.
    pub past: &'a [Passed],
}

const WIDTH: f64 = 960.0;
const LEFT: f64 = 34.0;
/// Width of a panel's curves, and of the names behind them.
const PANEL: f64 = 300.0;
const NAMES: f64 = 150.0;
const TALL: f64 = 150.0;
const HEAD: f64 = 58.0;
const ROW: f64 = TALL + 86.0;
const HOURS_A_DAY: f64 = 24.0;
/// Names nearer to each other than this are moved apart.
const LINE_OF_TEXT: f64 = 14.0;
/// Longest name that is written in full.
const LONGEST: usize = 20;

const STYLE: &str = "
svg { --paper: #fbf8f2; --ink: #20261f; --soft: #5a5e56; --line: #d9d4c8; --co2: #17605c; background: var(--paper); }
@media (prefers-color-scheme: dark) { svg { --paper: #171a18; --ink: #ece8df; --soft: #a9ada3; --line: #3a3f3a; --co2: #7fd0c6; } }
text { font: 13px system-ui, 'Noto Sans', sans-serif; fill: var(--soft); font-variant-numeric: tabular-nums; }
.paper { fill: var(--paper); }
.title { font: 600 19px Palatino, 'Noto Serif', Georgia, serif; fill: var(--ink); }
.culture { font: 600 15px system-ui, 'Noto Sans', sans-serif; fill: var(--ink); }
.grid { stroke: var(--line); stroke-width: 1; }
.ground { stroke: var(--soft); stroke-width: 1; }
.curve { fill: none; stroke: var(--co2); stroke-width: 1.6; stroke-linejoin: round; }
.name { fill: var(--ink); font-size: 12px; paint-order: stroke; stroke: var(--paper); stroke-width: 4px; stroke-linejoin: round; }
";

/// The batches in the order given, those of one culture together; `curves` must not be empty.
#[must_use]
pub fn compared(curves: &[Curve<'_>]) -> String {
    let rows: Vec<&[Curve<'_>]> = curves.chunk_by(|a, b| a.culture == b.culture).collect();
    let greatest = |of: &dyn Fn(&Passed) -> f64| {
        curves
            .iter()
            .flat_map(|curve| curve.past)
            .map(of)
            .fold(0.0, f64::max)
    };
    let scale = Scale {
        most: greatest(&|passed| passed.co2.volumes()).max(0.5) * 1.05,
        top: 0.0,
        bottom: TALL,
    };
    let longest = [
        greatest(&|passed| passed.hours).max(HOURS_A_DAY),
        greatest(&|passed| passed.hours_at_20_c).max(HOURS_A_DAY),
    ];
    let height = (0..rows.len()).fold(HEAD, |height, _| height + ROW);
    let drawn = html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(WIDTH) height=(px(height)) viewBox={ "0 0 " (WIDTH) " " (px(height)) }
            role="img" aria-labelledby="title" {
            style { (PreEscaped(STYLE)) }
            rect class="paper" width="100%" height="100%" {}
            text #title class="title" x=(LEFT) y="34" { "CO\u{2082} of each culture\u{2019}s batches, volumes" }
            @for (place, row) in (0_u32..).zip(&rows) {
                g transform={ "translate(0 " (px(HEAD + f64::from(place) * ROW)) ")" } {
                    text class="culture" x=(LEFT) y="14" { (row.first().map_or("", |curve| curve.culture)) }
                    g transform={ "translate(" (px(LEFT)) " 28)" } {
                        (panel(row, &|passed| passed.hours, longest[0], scale, "days since sealing"))
                    }
                    g transform={ "translate(" (px(LEFT + PANEL + NAMES + 24.0)) " 28)" } {
                        (panel(row, &|passed| passed.hours_at_20_c, longest[1], scale, "days, each degree counted as at 20 \u{b0}C"))
                    }
                }
            }
        }
    };
    drawn.into_string()
}

fn panel(
    curves: &[Curve<'_>],
    hours: &dyn Fn(&Passed) -> f64,
    longest_h: f64,
    scale: Scale,
    below: &str,
) -> Markup {
    let x = |h: f64| PANEL * h / longest_h;
    let names = names(curves, hours, &x, scale);
    html! {
        @for mark in scale.marks() {
            line class="grid" x1="0" x2=(PANEL) y1=(px(scale.y(mark))) y2=(px(scale.y(mark))) {}
            text x="-6" y=(px(scale.y(mark) + 4.0)) text-anchor="end" { (super::chart::figure(mark)) }
        }
        line class="ground" x1="0" x2=(PANEL) y1=(px(TALL)) y2=(px(TALL)) {}
        @for day in days(longest_h) {
            text x=(px(x(day * HOURS_A_DAY))) y=(px(TALL + 16.0)) text-anchor="middle" { (format!("{day:.0}")) }
        }
        text x=(px(PANEL)) y=(px(TALL + 34.0)) text-anchor="end" { (below) }
        @for (age, curve) in (0_u32..).zip(curves.iter().rev()) {
            // The newest is drawn full; each before it with shorter dashes.
            polyline class="curve" stroke-dasharray=(dashes(age)) points=(points(
                curve.past.iter().map(|passed| (x(hours(passed)), scale.y(passed.co2.volumes())))
            )) {}
        }
        @for (name, at, y) in &names {
            text class="name" x=(px(at + 5.0)) y=(px(y + 4.0)) { (name) }
        }
    }
}

fn dashes(age: u32) -> &'static str {
    match age {
        0 => "none",
        1 => "9 3",
        2 => "5 3",
        3 => "3 3",
        _ => "1.5 3",
    }
}

/// Each name behind its curve's end, none on another.
fn names(
    curves: &[Curve<'_>],
    hours: &dyn Fn(&Passed) -> f64,
    x: &dyn Fn(f64) -> f64,
    scale: Scale,
) -> Vec<(String, f64, f64)> {
    let mut names: Vec<(String, f64, f64)> = curves
        .iter()
        .filter_map(|curve| {
            let last = curve.past.last()?;
            let mut name: String = curve.batch.chars().take(LONGEST).collect();
            if curve.batch.chars().count() > LONGEST {
                name.push('\u{2026}');
            }
            Some((name, x(hours(last)), scale.y(last.co2.volumes())))
        })
        .collect();
    names.sort_by(|a, b| b.2.total_cmp(&a.2));
    let mut below = f64::INFINITY;
    for (_, _, y) in &mut names {
        *y = y.min(below - LINE_OF_TEXT);
        below = *y;
    }
    names
}

/// Whole days to mark, eight at most.
fn days(longest_h: f64) -> Vec<f64> {
    let longest = longest_h / HOURS_A_DAY;
    let step = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0]
        .into_iter()
        .find(|step| longest / step <= 8.0)
        .unwrap_or(100.0);
    (0_u32..=8)
        .map(|count| f64::from(count) * step)
        .take_while(|day| *day <= longest + 1e-9)
        .collect()
}

#[cfg(test)]
mod tests {
    use fobwatch_core::quantity::{Co2Volumes, Temperature};

    use super::*;

    fn way(rate: f64) -> Vec<Passed> {
        (0..50)
            .map(|i| Passed {
                hours: f64::from(i) * 2.0,
                hours_at_20_c: f64::from(i) * 2.4,
                co2: Co2Volumes::from_volumes(rate * f64::from(i)).unwrap(),
                drink: Temperature::from_celsius(21.0).unwrap(),
            })
            .collect()
    }

    #[test]
    fn names_from_outside_are_text_and_none_lies_on_another() {
        let (a, b) = (way(0.05), way(0.0501));
        let sealed = "2026-03-02T07:00:00Z".parse().unwrap();
        let curve = |batch, past| Curve {
            culture: "jar <two>",
            batch,
            bottled_at: sealed,
            past,
        };
        let picture = compared(&[
            curve("hibiscus & mint", &a),
            curve("a name that goes on and on and on", &b),
        ]);
        assert!(picture.contains("jar &lt;two&gt;") && picture.contains("hibiscus &amp; mint"));
        assert!(picture.contains("a name that goes on \u{2026}"), "{picture}");
        let scale = Scale {
            most: 3.0,
            top: 0.0,
            bottom: TALL,
        };
        let placed = names(&[curve("x", &a), curve("y", &b)], &|p| p.hours, &|h| h, scale);
        assert!((placed[0].2 - placed[1].2).abs() > LINE_OF_TEXT - 1e-9);
    }
}
