//! How cost grows with the number of batches, as a vector drawing.

use std::{error::Error, path::Path};

use plotters::prelude::{
    BLACK, ChartBuilder, Circle, Color, IntoDrawingArea, IntoLogRange, LineSeries, RGBColor, SVGBackend,
    SeriesLabelPosition, WHITE,
};

/// A line of the picture.
pub(crate) struct Line {
    pub(crate) name: &'static str,
    /// Batches, and what they cost.
    pub(crate) points: Vec<(f64, f64)>,
}

const COLOURS: [RGBColor; 4] = [
    RGBColor(0, 95, 115),
    RGBColor(187, 62, 3),
    RGBColor(202, 103, 2),
    RGBColor(90, 90, 90),
];

/// Draws the lines, both axes logarithmic: what grows as the number of batches does is a slope of one.
///
/// # Errors
/// The file cannot be written.
pub(crate) fn draw(path: &Path, lines: &[Line]) -> Result<(), Box<dyn Error>> {
    let all = || lines.iter().flat_map(|line| line.points.iter());
    let most_x = all().map(|(x, _)| *x).fold(10.0, f64::max);
    let most_y = all().map(|(_, y)| *y).fold(10.0, f64::max);
    let area = SVGBackend::new(path, (760, 480)).into_drawing_area();
    area.fill(&WHITE)?;
    let mut chart = ChartBuilder::on(&area)
        .caption("What batches cost", ("sans-serif", 18))
        .margin(12)
        .x_label_area_size(36)
        .y_label_area_size(56)
        .build_cartesian_2d((0.8..most_x * 1.5).log_scale(), (0.01..most_y * 3.0).log_scale())?;
    chart
        .configure_mesh()
        .x_desc("live batches, a reading of each of two sensors in 5 minutes")
        .light_line_style(WHITE)
        .draw()?;
    for (line, colour) in lines.iter().zip(COLOURS) {
        chart
            .draw_series(LineSeries::new(
                line.points.iter().copied(),
                colour.stroke_width(2),
            ))?
            .label(line.name)
            .legend(move |(x, y)| Circle::new((x + 8, y), 4, colour.filled()));
        chart.draw_series(
            line.points
                .iter()
                .map(|point| Circle::new(*point, 4, colour.filled())),
        )?;
    }
    chart
        .configure_series_labels()
        .position(SeriesLabelPosition::UpperLeft)
        .border_style(BLACK)
        .draw()?;
    area.present()?;
    Ok(())
}
