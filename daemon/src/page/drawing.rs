//! Pictures that are files of their own: their head, the style inside them, rows of letters and the grid behind curves and points.

use maud::{Markup, PreEscaped, html};

use super::{
    chart::figure,
    geometry::{Scale, px},
};

/// Before a panel: the figures of its grid.
pub(super) const LEFT: f64 = 34.0;
pub(super) const TEXT: f64 = 13.0;
pub(super) const NAME: f64 = 12.0;
/// From one row of text to the next, of the letters' height.
pub(super) const LINE: f64 = 1.35;

/// What all of them look like; the letters are as tall as the constants say.
const STYLE: &str = "
svg { --paper: #fbf8f2; --ink: #20261f; --soft: #5a5e56; --line: #d9d4c8; --co2: #17605c; --wish: #7d5000; background: var(--paper); }
@media (prefers-color-scheme: dark) { svg { --paper: #171a18; --ink: #ece8df; --soft: #a9ada3; --line: #3a3f3a; --co2: #7fd0c6; --wish: #e2b25a; } }
text { font: 13px system-ui, 'Noto Sans', sans-serif; fill: var(--soft); font-variant-numeric: tabular-nums; }
.paper { fill: var(--paper); }
.title { font: 600 19px Palatino, 'Noto Serif', Georgia, serif; fill: var(--ink); }
.grid { stroke: var(--line); stroke-width: 1; }
.ground { stroke: var(--soft); stroke-width: 1; }
.key { fill: var(--ink); }
.name { fill: var(--ink); font-size: 12px; paint-order: stroke; stroke: var(--paper); stroke-width: 4px; stroke-linejoin: round; }
";

/// By what a picture is named to who cannot see it.
pub(super) enum Named {
    /// By the words of its element `#title`.
    ByTitle,
    /// By these.
    By(&'static str),
}

/// A whole picture; `style`: what it has beside the style of all.
pub(super) fn drawing((wide, tall): (f64, f64), named: &Named, style: &str, inside: &Markup) -> String {
    let (by, words) = match named {
        Named::ByTitle => (Some("title"), None),
        Named::By(words) => (None, Some(words)),
    };
    html! {
        svg xmlns="http://www.w3.org/2000/svg" width=(wide) height=(px(tall)) viewBox={ "0 0 " (wide) " " (px(tall)) }
            role="img" aria-labelledby=[by] aria-label=[words] {
            style { (PreEscaped(STYLE)) (PreEscaped(style)) }
            rect class="paper" width="100%" height="100%" {}
            (inside)
        }
    }
    .into_string()
}

/// Rows of text below `y`.
pub(super) fn text(class: &str, rows: &[String], x: f64, y: f64, size: f64) -> Markup {
    html! {
        @for (place, row) in (1_u32..).zip(rows) {
            text class=(class) x=(px(x)) y=(px(y + f64::from(place) * size * LINE)) { (row) }
        }
    }
}

/// How much room so many rows take.
pub(super) fn tall(rows: &[String], size: f64) -> f64 {
    rows.iter().map(|_| size * LINE).sum()
}

/// The marks of a panel with their figures, and the ground it stands on.
pub(super) fn grid(scale: Scale, wide: f64) -> Markup {
    html! {
        @for mark in scale.marks() {
            line class="grid" x1="0" x2=(wide) y1=(px(scale.y(mark))) y2=(px(scale.y(mark))) {}
            text x="-6" y=(px(scale.y(mark) + 4.0)) text-anchor="end" { (figure(mark)) }
        }
        line class="ground" x1="0" x2=(wide) y1=(px(scale.bottom)) y2=(px(scale.bottom)) {}
    }
}
