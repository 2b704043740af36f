//! Siblings of an experiment as points: content when cold over the day, the dose or the sugar, beside the wish.
//!
//! A picture of its own, with its style inside, for files and the page.

use fobwatch_core::experiment::{Differs, Experiment, Sibling};
use maud::{Markup, PreEscaped, html};

use super::geometry::{Scale, px};
use crate::craft::experiments::fizz;

const WIDTH: f64 = 720.0;
const LEFT: f64 = 44.0;
const PANEL: f64 = 560.0;
const TALL: f64 = 200.0;
const HEAD: f64 = 20.0;
const ROW: f64 = TALL + 110.0;
/// Longest name that is written in full.
const LONGEST: usize = 22;

const STYLE: &str = "
svg { --paper: #fbf8f2; --ink: #20261f; --soft: #5a5e56; --line: #d9d4c8; --co2: #17605c; --wish: #7d5000; background: var(--paper); }
@media (prefers-color-scheme: dark) { svg { --paper: #171a18; --ink: #ece8df; --soft: #a9ada3; --line: #3a3f3a; --co2: #7fd0c6; --wish: #e2b25a; } }
text { font: 13px system-ui, 'Noto Sans', sans-serif; fill: var(--soft); font-variant-numeric: tabular-nums; }
.paper { fill: var(--paper); }
.title { font: 600 17px Palatino, 'Noto Serif', Georgia, serif; fill: var(--ink); }
.grid { stroke: var(--line); stroke-width: 1; }
.ground { stroke: var(--soft); stroke-width: 1; }
.span { stroke: var(--co2); stroke-width: 1.6; }
.point { fill: var(--paper); stroke: var(--co2); stroke-width: 2.2; }
.point.best { fill: var(--co2); }
.want { stroke: var(--wish); stroke-width: 1.5; stroke-dasharray: 2 3; }
.want-word { fill: var(--wish); }
.name { fill: var(--ink); font-size: 12px; }
.name, .want-word { paint-order: stroke; stroke: var(--paper); stroke-width: 4px; stroke-linejoin: round; }
";

/// Each experiment below the other.
pub(crate) fn experimented<'a>(all: impl Iterator<Item = (&'a str, &'a Experiment)>) -> String {
    let all: Vec<(&str, &Experiment)> = all.collect();
    let height = all.iter().fold(HEAD, |height, _| height + ROW);
    html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(WIDTH) height=(px(height)) viewBox={ "0 0 " (WIDTH) " " (px(height)) } role="img"
            aria-label="Content of each sibling when cold, beside the wish" {
            style { (PreEscaped(STYLE)) }
            rect class="paper" width="100%" height="100%" {}
            @for (place, (name, experiment)) in (0_u32..).zip(&all) {
                g transform={ "translate(" (px(LEFT)) " " (px(HEAD + f64::from(place) * ROW)) ")" } { (panel(name, experiment)) }
            }
        }
    }
    .into_string()
}

fn panel(name: &str, experiment: &Experiment) -> Markup {
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
        bottom: TALL,
    };
    let value = |sibling: &Sibling| match differs {
        Differs::Day => sibling.hours() / 24.0,
        other => sibling.place(other).unwrap_or(0.0),
    };
    let low = siblings.iter().map(value).fold(f64::INFINITY, f64::min);
    let high = siblings.iter().map(value).fold(f64::NEG_INFINITY, f64::max);
    let spare = (0.15 * (high - low)).max(0.05 * high.abs()).max(0.1);
    let (from, to) = (low - spare, high + spare);
    let x = |value: f64| PANEL * (value - from) / (to - from);
    let below = match differs {
        Differs::Day => "days from sealing to the fridge",
        Differs::Dose => "mL of culture per litre",
        Differs::Sugar => "g of sugar per litre",
    };
    html! {
        text class="title" x="-30" y="6" { (name) ": CO\u{2082} when cold, volumes" }
        g transform="translate(0 30)" {
            @for mark in scale.marks() {
                line class="grid" x1="0" x2=(PANEL) y1=(px(scale.y(mark))) y2=(px(scale.y(mark))) {}
                text x="-6" y=(px(scale.y(mark) + 4.0)) text-anchor="end" { (super::chart::figure(mark)) }
            }
            line class="ground" x1="0" x2=(PANEL) y1=(px(TALL)) y2=(px(TALL)) {}
            @if let Some(target) = siblings.first().map(|sibling| sibling.target.volumes()) {
                line class="want" x1="0" x2=(PANEL) y1=(px(scale.y(target))) y2=(px(scale.y(target))) {}
                text class="want-word" x=(px(PANEL + 6.0)) y=(px(scale.y(target) + 4.0)) { "the wish" }
            }
            @for (place, sibling) in (0_u32..).zip(siblings) {
                @let at = x(value(sibling));
                line class="span" x1=(px(at)) x2=(px(at)) y1=(px(scale.y(sibling.after.p05.volumes()))) y2=(px(scale.y(sibling.after.p95.volumes()))) {}
                circle class=(if Some(&sibling.batch) == best { "point best" } else { "point" }) cx=(px(at)) cy=(px(scale.y(sibling.after.p50.volumes()))) r="5" {}
                text x=(px(at)) y=(px(TALL + 16.0)) text-anchor="middle" { (short(value(sibling))) }
                text class="name" x=(px(at + 9.0)) y=(px(scale.y(sibling.after.p50.volumes()) - 8.0 + 3.0 * f64::from(place % 2))) {
                    (cut(sibling.batch.as_str())) @if let Some(fizz) = fizz(sibling) { ", " (fizz) }
                }
            }
            text x=(px(PANEL)) y=(px(TALL + 36.0)) text-anchor="end" { (below) }
        }
    }
}

fn short(value: f64) -> String {
    let text = format!("{value:.1}");
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

fn cut(name: &str) -> String {
    if name.chars().count() <= LONGEST {
        return name.to_owned();
    }
    let mut short: String = name.chars().take(LONGEST).collect();
    short.push('\u{2026}');
    short
}

/// A picture as the address of an image: the page's policy lets no style stand in the page itself.
pub(super) fn as_image(svg: &str) -> String {
    let mut out = String::from("data:image/svg+xml,");
    for byte in svg.bytes() {
        if byte.is_ascii_alphanumeric() || b"-_.~/:=,;() ".contains(&byte) && byte != b' ' {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}
