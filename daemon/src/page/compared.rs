//! Small multiples of batches: each culture's curves of the content, from sealing on, and by the time that 20 degC would have taken.
//!
//! A picture of its own, with its style inside, for files and mail.

use fobwatch_core::fit::Passed;
use jiff::Timestamp;
use maud::{Markup, html};

use super::{
    drawing::{LEFT, LINE, NAME, Named, TEXT, drawing, grid, tall, text},
    geometry::{Scale, points, px},
    lettering::{Label, apart, wide, wrapped},
    pictured::Screen,
};

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

/// Lengths in pixels.
struct Form {
    width: f64,
    /// Width of a panel's curves, and of what stands behind them.
    panel: f64,
    behind: f64,
    tall: f64,
    /// Both panels in one row.
    beside: bool,
}

fn form(screen: Screen) -> Form {
    match screen {
        Screen::Wide => Form {
            width: 900.0,
            panel: 282.0,
            behind: 134.0,
            tall: 150.0,
            beside: true,
        },
        // No name fits behind a curve.
        Screen::Narrow => Form {
            width: 350.0,
            panel: 300.0,
            behind: 16.0,
            tall: 120.0,
            beside: false,
        },
    }
}

const TITLE: f64 = 19.0;
const CULTURE: f64 = 15.0;
/// Below a panel: its days, and what they are.
const FOOT: f64 = 42.0;
/// Before a name in the key: how its curve is drawn.
const SAMPLE: f64 = 34.0;
const HOURS_A_DAY: f64 = 24.0;
/// Curves of one culture: more are a thicket. The figures of all stand in the table.
const MOST: usize = 9;
/// More names than these would lie on other curves: they stand in the key.
const MOST_NAMED: usize = 4;
/// Points of a curve: more of them look the same.
const MOST_POINTS: usize = 120;

const STYLE: &str = "
.culture { font: 600 15px system-ui, 'Noto Sans', sans-serif; fill: var(--ink); }
.curve { fill: none; stroke: var(--co2); stroke-width: 1.6; stroke-linejoin: round; }
";

/// One culture: its name and its newest batches, the key of their names where these do not fit behind their curves.
struct Row<'a> {
    curves: &'a [Curve<'a>],
    culture: Vec<String>,
    key: Option<Vec<Vec<String>>>,
    left_out: usize,
}

impl<'a> Row<'a> {
    fn new(all: &'a [Curve<'a>], form: &Form) -> Self {
        let left_out = all.len().saturating_sub(MOST);
        let curves = all.get(left_out..).unwrap_or_default();
        let room = form.width - LEFT;
        let fits = |curve: &Curve<'_>| NAME * wide(curve.batch) <= form.behind;
        let named = |(number, curve): (usize, &Curve<'_>)| {
            wrapped(&format!("{number} {}", curve.batch), (room - SAMPLE) / TEXT)
        };
        Self {
            curves,
            culture: wrapped(
                all.first().map_or("", |curve| curve.culture),
                room / (1.08 * CULTURE),
            ),
            key: (curves.len() > MOST_NAMED || !curves.iter().all(fits))
                .then(|| (1..).zip(curves).map(named).collect()),
            left_out,
        }
    }

    /// How each curve is drawn: the newest full, each before it in its own dashes.
    fn dashes(&self) -> impl Iterator<Item = &'static str> {
        const SHORTER: [&str; MOST] = [
            "none",
            "9 3",
            "5 3",
            "3 3",
            "1.5 3",
            "9 3 2 3",
            "5 3 1.5 3",
            "9 3 2 3 2 3",
            "14 4",
        ];
        let dashes = |age: usize| SHORTER.get(age).copied().unwrap_or("none");
        (0..self.curves.len()).rev().map(dashes)
    }

    fn below_culture(&self) -> f64 {
        tall(&self.culture, CULTURE) + 14.0
    }

    fn below_panels(&self, form: &Form) -> f64 {
        let panels = if form.beside { 1.0 } else { 2.0 };
        self.below_culture() + panels * (form.tall + FOOT) + 6.0
    }

    fn below_key(&self, form: &Form) -> f64 {
        let names = self.key.iter().flatten();
        self.below_panels(form) + names.map(|name| tall(name, TEXT)).sum::<f64>()
    }

    fn height(&self, form: &Form) -> f64 {
        let more = if self.left_out > 0 { TEXT * LINE } else { 0.0 };
        self.below_key(form) + more + 30.0
    }
}

/// What of a moment a picture's axis shows.
type Measure = fn(&Passed) -> f64;

/// The batches in the order given, those of one culture together; `curves` must not be empty.
#[must_use]
pub fn compared(curves: &[Curve<'_>], screen: Screen) -> String {
    let form = form(screen);
    let all: Vec<Row<'_>> = curves
        .chunk_by(|a, b| a.culture == b.culture)
        .map(|of| Row::new(of, &form))
        .collect();
    let greatest = |of: &dyn Fn(&Passed) -> f64| {
        all.iter()
            .flat_map(|row| row.curves)
            .flat_map(|curve| curve.past)
            .map(of)
            .fold(0.0, f64::max)
    };
    let scale = Scale {
        most: greatest(&|passed| passed.co2.volumes()).max(0.5) * 1.05,
        top: 0.0,
        bottom: form.tall,
    };
    let title = wrapped(
        "CO\u{2082} of each culture\u{2019}s batches, volumes",
        (form.width - LEFT) / TITLE,
    );
    let mut height = tall(&title, TITLE) + 24.0;
    let mut places: Vec<f64> = Vec::new();
    for row in &all {
        places.push(height);
        height += row.height(&form);
    }
    let measures: [(Measure, &str); 2] = [
        (|passed| passed.hours, "days since sealing"),
        (
            |passed| passed.hours_at_20_c,
            "days, each degree counted as at 20 \u{b0}C",
        ),
    ];
    let panels: Vec<Panel<'_>> = measures
        .into_iter()
        .map(|(hours, below)| Panel {
            hours,
            longest_h: greatest(&hours).max(HOURS_A_DAY),
            scale,
            below,
            wide: form.panel,
        })
        .collect();
    let apart = if form.beside {
        (form.panel + form.behind + LEFT, 0.0)
    } else {
        (0.0, form.tall + FOOT)
    };
    let drawn = html! {
        g #title { (text("title", &title, LEFT, 8.0, TITLE)) }
        @for (row, y) in all.iter().zip(&places) {
            g transform={ "translate(0 " (px(*y)) ")" } {
                (text("culture", &row.culture, LEFT, 0.0, CULTURE))
                @for (panel, place) in panels.iter().zip([0.0, 1.0]) {
                    g transform={ "translate(" (px(LEFT + place * apart.0)) " " (px(row.below_culture() + place * apart.1)) ")" } {
                        (panel.drawn(row))
                    }
                }
                (key(row, &form))
            }
        }
    };
    drawing((form.width, height), &Named::ByTitle, STYLE, &drawn)
}

/// The names by the numbers at their curves, and what is not drawn.
fn key(row: &Row<'_>, form: &Form) -> Markup {
    let mut y = row.below_panels(form);
    let mut named: Vec<(f64, &'static str, &[String])> = Vec::new();
    for (name, dashes) in row.key.iter().flatten().zip(row.dashes()) {
        named.push((y, dashes, name));
        y += tall(name, TEXT);
    }
    html! {
        @for (y, dashes, name) in named {
            @let middle = px(y + 0.95 * TEXT);
            line class="curve" stroke-dasharray=(dashes) x1=(px(LEFT)) x2=(px(LEFT + SAMPLE - 8.0)) y1=(middle) y2=(middle) {}
            (text("key", name, LEFT + SAMPLE, y, TEXT))
        }
        @if row.left_out > 0 {
            text x=(px(LEFT)) y=(px(y + TEXT * LINE)) { (row.left_out) " older not drawn" }
        }
    }
}

/// Curves by one measure of time.
struct Panel<'a> {
    hours: fn(&Passed) -> f64,
    longest_h: f64,
    scale: Scale,
    below: &'a str,
    wide: f64,
}

impl Panel<'_> {
    fn x(&self, hours: f64) -> f64 {
        self.wide * hours / self.longest_h
    }

    fn drawn(&self, row: &Row<'_>) -> Markup {
        let (scale, ground) = (self.scale, self.scale.bottom);
        html! {
            (grid(scale, self.wide))
            @for day in days(self.longest_h) {
                text x=(px(self.x(day * HOURS_A_DAY))) y=(px(ground + 16.0)) text-anchor="middle" { (format!("{day:.0}")) }
            }
            text x=(px(self.wide)) y=(px(ground + 34.0)) text-anchor="end" { (self.below) }
            @for (curve, dashes) in row.curves.iter().zip(row.dashes()) {
                polyline class="curve" stroke-dasharray=(dashes) points=(points(
                    thinned(curve.past).map(|passed| (self.x((self.hours)(passed)), scale.y(passed.co2.volumes())))
                )) {}
            }
            @let names = self.names(row);
            @for name in names.iter().filter(|name| name.is_led(NAME)) {
                line class="ground" x1=(px(name.x - 4.0)) x2=(px(name.x)) y1=(px(name.from - 4.0)) y2=(px(name.y - 4.0)) {}
            }
            @for name in &names {
                text class="name" x=(px(name.x)) y=(px(name.y)) { (name.text) }
            }
        }
    }

    /// Each name, or its number in the key, behind its curve's end, none on another.
    fn names(&self, row: &Row<'_>) -> Vec<Label> {
        let ends = (1..).zip(row.curves).filter_map(|(number, curve): (usize, _)| {
            let last = curve.past.last()?;
            let name = || curve.batch.to_owned();
            Some(Label::new(
                row.key.as_ref().map_or_else(name, |_| number.to_string()),
                self.x((self.hours)(last)) + 5.0,
                self.scale.y(last.co2.volumes()) + 4.0,
            ))
        });
        apart(ends.collect(), NAME)
    }
}

/// With their last point.
fn thinned(past: &[Passed]) -> impl Iterator<Item = &Passed> {
    let step = past.len().div_ceil(MOST_POINTS).max(1);
    let last = past.len().saturating_sub(1);
    let kept = move |(place, _): &(usize, &Passed)| place % step == 0 || *place == last;
    past.iter().enumerate().filter(kept).map(|(_, passed)| passed)
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

    const LONG: &str = "a name that somebody gave to one filling of bottles and that goes on and on";

    fn way(rate: f64) -> Vec<Passed> {
        (0..500)
            .map(|i| Passed {
                hours: f64::from(i) * 0.2,
                hours_at_20_c: f64::from(i) * 0.24,
                co2: Co2Volumes::from_volumes(rate * f64::from(i) / 10.0).unwrap(),
                drink: Temperature::from_celsius(21.0).unwrap(),
            })
            .collect()
    }

    fn curve<'a>(culture: &'a str, batch: &'a str, past: &'a [Passed]) -> Curve<'a> {
        Curve {
            culture,
            batch,
            bottled_at: "2026-03-02T07:00:00Z".parse().unwrap(),
            past,
        }
    }

    #[test]
    fn names_from_outside_are_text_and_stand_behind_their_curves() {
        let (a, b) = (way(0.05), way(0.0501));
        let curves = [
            curve("jar <two>", "hibiscus & mint", &a),
            curve("jar <two>", "plum 1", &b),
        ];
        let picture = compared(&curves, Screen::Wide);
        assert!(picture.contains("jar &lt;two&gt;") && picture.contains("hibiscus &amp; mint"));
        assert_eq!(picture.matches("class=\"name\"").count(), 4);
        assert!(!picture.contains("class=\"key\""), "{picture}");
    }

    #[test]
    fn names_too_long_for_their_curves_are_in_a_key_and_whole() {
        let (a, b) = (way(0.05), way(0.0501));
        let culture = "W".repeat(80);
        let curves = [curve(&culture, LONG, &a), curve(&culture, "plum 1", &b)];
        for screen in [Screen::Wide, Screen::Narrow] {
            let picture = compared(&curves, screen);
            let joined = |class: &str| -> String {
                picture
                    .split("<text ")
                    .filter_map(|text| text.strip_prefix(&format!("class=\"{class}\"")))
                    .filter_map(|text| text.split_once('>')?.1.split('<').next())
                    .collect::<Vec<_>>()
                    .concat()
                    .replace(' ', "")
            };
            assert_eq!(joined("culture"), culture);
            let key = format!("1{LONG}2plum1").replace(' ', "");
            assert_eq!(joined("key"), key);
            assert!(joined("title").contains("CO\u{2082}ofeachculture"));
        }
    }

    #[test]
    fn no_row_of_a_narrow_picture_leaves_it() {
        let way = way(0.05);
        let form = form(Screen::Narrow);
        let long = [
            LONG,
            "Überraschungsholunderblütenzitronenverbenenmischgetränkefläschchenkühlung",
        ];
        for name in long {
            let curves = [curve(name, name, &way)];
            let row = Row::new(&curves, &form);
            let culture = row.culture.iter().map(|text| LEFT + 1.08 * CULTURE * wide(text));
            let key = row.key.iter().flatten().flatten();
            let key = key.map(|text| LEFT + SAMPLE + TEXT * wide(text));
            assert!(culture.chain(key).all(|end| end <= form.width), "{name}");
        }
        let below = "days, each degree counted as at 20 \u{b0}C";
        assert!(TEXT * wide(below) <= LEFT + form.panel);
    }

    #[test]
    fn the_newest_are_drawn_and_the_rest_is_counted() {
        let way = way(0.05);
        let names: Vec<String> = (1..=12).map(|number| format!("plum {number}")).collect();
        let curves: Vec<Curve<'_>> = names.iter().map(|name| curve("jar two", name, &way)).collect();
        let picture = compared(&curves, Screen::Narrow);
        assert_eq!(picture.matches("<polyline").count(), 2 * MOST);
        assert!(
            picture.contains("3 older not drawn") && picture.contains("9 plum 12"),
            "{picture}"
        );
        assert!(!picture.contains("plum 3<") && picture.contains("plum 4<"));
        let points = picture
            .split("points=\"")
            .nth(1)
            .unwrap()
            .split('"')
            .next()
            .unwrap();
        assert!((100..=MOST_POINTS + 1).contains(&points.split(' ').count()));
    }
}
