//! The box's growth beside measured growth curves and another library's fit of them (`tests/reference/growth.py`).
//!
//! The curves have no lag to speak of: they say nothing of the adaptation, only of growth and its ceiling.

use super::super::{
    Evidence, Observed, Surroundings,
    course::Problem,
    frame::Frame,
    life::Life,
    prior::{ALL, Parameters},
};
use crate::{
    batch::Batch,
    quantity::{AbsolutePressure, Temperature},
};

const CURVES: &str = include_str!("../../../../tests/reference/growth_curves.csv");
const FITS: &str = include_str!("../../../../tests/reference/growth_scipy.csv");

/// Rows of a table: the strain, and the numbers after it.
fn rows(text: &str) -> Vec<(&str, Vec<f64>)> {
    let lines = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    lines
        .map(|line| {
            let mut cells = line.split(',');
            let strain = cells.next().expect("a strain");
            (
                strain,
                cells.map(|cell| cell.parse().expect("a number")).collect(),
            )
        })
        .collect()
}

/// A sweet drink at a steady 25 degC, where the temperature law is 1.
fn frame() -> Frame {
    let text = "name = \"growth\"\nbottled_at = \"2026-03-02T07:00:00Z\"\n[drink]\nhexose_g_per_l = 180\n[bottle]\n\
                material = \"glass\"\ncapacity_ml = 500\nfill_ml = 475\npressure_limit_bar = 6.0\n[target]\n\
                co2_volumes = 2.8\nfridge_c = 4.0\n";
    let (batch, _) = Batch::from_toml(text, "growth").expect("a sound batch file");
    let sealed = batch.bottled_at;
    let mut evidence = Evidence::new(
        batch,
        Surroundings {
            usual_ambient: AbsolutePressure::STANDARD_ATMOSPHERE,
        },
    );
    let warm = Temperature::from_celsius(25.0).expect("a temperature");
    evidence.observe(sealed, Observed::Liquid(warm));
    let mut frame = Problem::new(&evidence, 0.0).frame;
    // Each number of a point is a trait of its own.
    frame.known.taught = None;
    frame
}

/// Growth rate, log of the adaptation, logit of the start, ceiling.
#[derive(Clone, Copy)]
struct Growth([f64; 4]);

impl Growth {
    /// The culture at rising `times`, by the box's own steps. It makes next to nothing, so that nothing holds it back.
    fn curve(self, frame: &Frame, times: &[f64]) -> Vec<f64> {
        let Self([growth, ln_adapted, logit, ceiling]) = self;
        let sugar = 180.0;
        let start = 1.0 / (1.0 + (-logit).exp());
        let mut z = vec![0.0; ALL];
        let median = Parameters::of(&z, &frame.known);
        (z[0], z[1], z[5]) = (-6.0, -6.0, -6.0);
        // The half-saturation of the sugar is all that is left of the brakes.
        z[2] = (growth * (sugar + 2.0) / sugar / median.growth).ln() / 0.45;
        z[3] = (start / median.start).ln() / 1.2;
        z[4] = (ln_adapted - median.ln_adapted) / 1.3;
        let life = Life::new(Parameters::of(&z, &frame.known), frame, false);
        let mut state = life.start(frame);
        let mut before = 0.0;
        let mut out = Vec::new();
        for h in times {
            for _ in 0..4 {
                state = life.step(frame, &state, [25.0; 2], 0.25 * (h - before), 1.0);
            }
            before = *h;
            out.push(ceiling * state.grown());
        }
        out
    }

    /// Root mean square of what is left between the curve and the data.
    fn rms(self, frame: &Frame, times: &[f64], data: &[f64]) -> f64 {
        let curve = self.curve(frame, times);
        let squares: f64 = curve.iter().zip(data).map(|(a, b)| (a - b).powi(2)).sum();
        #[expect(clippy::cast_precision_loss, reason = "some fifty points")]
        let count = data.len() as f64;
        (squares / count).sqrt()
    }

    fn times(self, index: usize, factor: f64) -> Self {
        let mut changed = self.0;
        changed[index] *= factor;
        Self(changed)
    }
}

#[test]
fn measured_growth_is_told_as_well_as_by_a_reference_library() {
    let frame = frame();
    let curves = rows(CURVES);
    for (strain, fitted) in rows(FITS) {
        let [growth, ln_adapted, logit, ceiling, rms] = fitted[..] else {
            panic!("{strain}: six columns");
        };
        let mine = curves.iter().filter(|(of, _)| *of == strain);
        let points: Vec<&Vec<f64>> = mine.map(|(_, numbers)| numbers).collect();
        let column = |i: usize| points.iter().map(|point| point[i]).collect::<Vec<f64>>();
        let (times, data, reference) = (column(0), column(1), column(2));
        assert_eq!(times.len(), 52, "{strain}");
        let found = Growth([growth, ln_adapted, logit, ceiling]);
        // The steps give the closed form of 1994 to half a percent of the ceiling ...
        let curve = found.curve(&frame, &times);
        for ((h, a), b) in times.iter().zip(&curve).zip(&reference) {
            assert!((a - b).abs() < 0.005 * ceiling, "{strain} at {h} h: {a} and {b}");
        }
        // ... lie as near to the data ...
        let left = found.rms(&frame, &times, &data);
        assert!((left / rms - 1.0).abs() < 0.05, "{strain}: {left} and {rms}");
        // ... and nearest at the reference's parameters: each of them five percent off is worse either way.
        for index in [0, 2, 3] {
            for factor in [0.95, 1.05] {
                let off = found.times(index, factor).rms(&frame, &times, &data);
                assert!(
                    off > left,
                    "{strain}: parameter {index} times {factor}: {off} and {left}"
                );
            }
        }
    }
}
