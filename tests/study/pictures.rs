//! Pictures of the main part, as vector drawings.

use std::{error::Error, path::Path};

use plotters::{
    coord::Shift,
    prelude::{
        BLACK, ChartBuilder, Circle, Color, DrawingArea, ErrorBar, IntoDrawingArea, IntoFont, LineSeries,
        PathElement, Polygon, RGBColor, SVGBackend, SeriesLabelPosition, WHITE,
    },
};

use crate::{
    forecast::{Batchful, LEADS_H, MISSING_LEADS},
    score::{Count, Guess, quantile},
};

const FIT: RGBColor = RGBColor(0, 95, 115);
const LINE: RGBColor = RGBColor(187, 62, 3);
const GOMPERTZ: RGBColor = RGBColor(120, 120, 120);
const TRUTH: RGBColor = RGBColor(155, 34, 38);
const CONTENT: RGBColor = RGBColor(202, 103, 2);

type Canvas<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Drawn = Result<(), Box<dyn Error>>;

/// Draws all pictures into the folder.
///
/// # Errors
/// A file cannot be written.
pub(crate) fn draw(folder: &Path, plays: &[(u64, Batchful)]) -> Drawn {
    calibration(&folder.join("calibration.svg"), plays)?;
    error_by_lead(&folder.join("error_by_lead.svg"), plays)?;
    let step = (plays.len() / 6).max(1);
    let some: Vec<&(u64, Batchful)> = plays.iter().step_by(step).take(6).collect();
    fans(&folder.join("fans.svg"), "A day ahead of the target", &some)?;
    fans(
        &folder.join("worst.svg"),
        "The worst: three targets, three moves",
        &worst(plays),
    )
}

/// Share of the truths below each point, against what it should be, with its 95 % bounds.
fn calibration(path: &Path, plays: &[(u64, Batchful)]) -> Drawn {
    let area = SVGBackend::new(path, (640, 520)).into_drawing_area();
    area.fill(&WHITE)?;
    let mut chart = ChartBuilder::on(&area)
        .caption(
            "Share of truths below the 5, 50 and 95 % points",
            ("sans-serif", 18),
        )
        .margin(12)
        .x_label_area_size(36)
        .y_label_area_size(46)
        .build_cartesian_2d(-0.02..1.02, -0.02..1.02)?;
    chart
        .configure_mesh()
        .x_desc("should be")
        .y_desc("is")
        .light_line_style(WHITE)
        .draw()?;
    chart.draw_series(LineSeries::new([(0.0, 0.0), (1.0, 1.0)], &GOMPERTZ))?;
    let mut figures: Vec<(String, RGBColor, Vec<Guess>)> = Vec::new();
    for (place, (lead, colour)) in LEADS_H.iter().zip([FIT, LINE, TRUTH]).enumerate() {
        let guesses = plays.iter().filter_map(|(_, play)| play.fit.ahead[place]);
        figures.push((format!("target {lead} h ahead"), colour, guesses.collect()));
    }
    let content = plays
        .iter()
        .flat_map(|(_, play)| play.fit.now.iter().map(|(_, guess)| *guess));
    figures.push(("content now".to_owned(), CONTENT, content.collect()));
    for (shift, (name, colour, guesses)) in [-0.012, -0.004, 0.004, 0.012].into_iter().zip(figures) {
        let points = [0.05, 0.5, 0.95].map(|share| {
            let point = |guess: &Guess| match share {
                s if s < 0.1 => guess.low,
                s if s < 0.9 => guess.middle,
                _ => guess.high,
            };
            let below = Count::of(&guesses, |guess| {
                point(guess).is_none_or(|point| guess.truth < point)
            });
            (share + shift, below)
        });
        chart
            .draw_series(points.iter().map(|(x, count)| {
                ErrorBar::new_vertical(
                    *x,
                    count.at_least,
                    count.share(),
                    count.at_most,
                    colour.filled(),
                    6,
                )
            }))?
            .label(name)
            .legend(move |(x, y)| Circle::new((x + 8, y), 4, colour.filled()));
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .border_style(BLACK)
        .draw()?;
    area.present()?;
    Ok(())
}

/// Median and 90th percentile of the target's error by hours ahead.
fn error_by_lead(path: &Path, plays: &[(u64, Batchful)]) -> Drawn {
    let area = SVGBackend::new(path, (760, 480)).into_drawing_area();
    area.fill(&WHITE)?;
    let mut chart = ChartBuilder::on(&area)
        .caption(
            "Error of the target's time: median, and 9 of 10 within (thin)",
            ("sans-serif", 18),
        )
        .margin(12)
        .x_label_area_size(36)
        .y_label_area_size(46)
        .build_cartesian_2d(0.0..72.0, 0.0..48.0)?;
    chart
        .configure_mesh()
        .x_desc("hours ahead")
        .y_desc("hours")
        .light_line_style(WHITE)
        .draw()?;
    for (name, colour, pick) in [
        ("fit", FIT, 0),
        ("straight line", LINE, 1),
        ("Gompertz", GOMPERTZ, 2),
    ] {
        let mut bins: Vec<Vec<f64>> = vec![Vec::new(); 24];
        for (_, play) in plays {
            let answers = [&play.fit, &play.line, &play.gompertz][pick];
            for (lead, missed) in &answers.by_lead {
                #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 24")]
                let bin = (lead / 3.0).floor().max(0.0) as usize;
                if let Some(bin) = bins.get_mut(bin) {
                    bin.push(missed.map_or(MISSING_LEADS * lead, f64::abs));
                }
            }
        }
        for (share, width) in [(0.5, 3), (0.9, 1)] {
            let points = (0..).zip(&bins).filter(|(_, errors)| errors.len() > 3);
            let points =
                points.map(|(index, errors)| (1.5 + 3.0 * f64::from(index), quantile(errors, share)));
            let seen = points.map(|(x, y)| (x, y.min(48.0)));
            let series = chart.draw_series(LineSeries::new(seen, colour.stroke_width(width)))?;
            if width == 3 {
                series
                    .label(name)
                    .legend(move |(x, y)| PathElement::new([(x, y), (x + 16, y)], colour.stroke_width(3)));
            }
        }
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .border_style(BLACK)
        .draw()?;
    area.present()?;
    Ok(())
}

/// The three batches whose target was missed by most a day ahead, and the three whose bottles ended furthest off.
fn worst(plays: &[(u64, Batchful)]) -> Vec<&(u64, Batchful)> {
    let missed = |play: &Batchful| play.fit.ahead[0].map_or(0.0, |guess| guess.error(4.0 * LEADS_H[0]).abs());
    let ended = |play: &Batchful| play.fit.ends.map_or(0.0, f64::abs);
    let mut chosen: Vec<&(u64, Batchful)> = Vec::new();
    for by in [&missed as &dyn Fn(&Batchful) -> f64, &ended] {
        let mut sorted: Vec<&(u64, Batchful)> = plays.iter().collect();
        sorted.sort_by(|a, b| by(&b.1).total_cmp(&by(&a.1)));
        let fresh = sorted
            .into_iter()
            .filter(|play| !chosen.iter().any(|known| known.0 == play.0));
        let fresh: Vec<_> = fresh.take(3).collect();
        chosen.extend(fresh);
    }
    chosen
}

/// What was expected of some batches, and what came.
fn fans(path: &Path, title: &str, plays: &[&(u64, Batchful)]) -> Drawn {
    let area = SVGBackend::new(path, (1080, 640)).into_drawing_area();
    area.fill(&WHITE)?;
    let area = area.titled(title, ("sans-serif", 20).into_font())?;
    for (panel, (seed, play)) in area.split_evenly((2, 3)).iter().zip(plays) {
        fan(panel, *seed, play)?;
    }
    area.present()?;
    Ok(())
}

fn fan(panel: &Canvas<'_>, seed: u64, play: &Batchful) -> Drawn {
    let end = play.target_h + 30.0;
    let upper = 1.5 * play.target;
    let ends = play.ends_text();
    let mut chart = ChartBuilder::on(panel)
        .caption(format!("seed {seed}: {ends}"), ("sans-serif", 13))
        .margin(8)
        .x_label_area_size(30)
        .y_label_area_size(34)
        .build_cartesian_2d(0.0..end, 0.0..upper)?;
    chart
        .configure_mesh()
        .x_desc("hours")
        .y_desc("volumes")
        .light_line_style(WHITE)
        .draw()?;
    let within = |(at_h, _): &&(f64, [f64; 3])| *at_h <= end;
    let edge = |pick: usize| move |(at_h, points): &(f64, [f64; 3])| (*at_h, points[pick].min(upper));
    let seen: Vec<&(f64, [f64; 3])> = play.fan.iter().filter(within).collect();
    let low = seen.iter().map(|point| edge(0)(point));
    let high = seen.iter().rev().map(|point| edge(2)(point));
    let outline: Vec<(f64, f64)> = low.chain(high).collect();
    if outline.len() > 2 {
        chart.draw_series([Polygon::new(outline, FIT.mix(0.25))])?;
    }
    chart.draw_series(LineSeries::new(
        seen.iter().map(|point| edge(1)(point)),
        FIT.stroke_width(2),
    ))?;
    let truth = play
        .truth
        .iter()
        .copied()
        .filter(|(at_h, y)| *at_h <= end && *y <= upper);
    chart.draw_series(LineSeries::new(truth, TRUTH.stroke_width(1)))?;
    chart.draw_series(LineSeries::new(
        [(0.0, play.target), (end, play.target)],
        &GOMPERTZ,
    ))?;
    if let Some(moved_h) = play.fit.moved_h {
        chart.draw_series(LineSeries::new([(moved_h, 0.0), (moved_h, upper)], LINE))?;
    }
    Ok(())
}

impl Batchful {
    fn ends_text(&self) -> String {
        let missed = self.fit.ahead[0].and_then(|guess| Some(guess.middle? - guess.truth));
        let missed = missed.map_or("no time a day ahead".to_owned(), |h| {
            format!("target missed by {h:+.1} h")
        });
        let ends = self
            .fit
            .ends
            .map_or(String::new(), |ends| format!(", move by {ends:+.2}"));
        missed + &ends
    }
}
