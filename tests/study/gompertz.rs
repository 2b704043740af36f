//! Rule two: a Gompertz curve by least squares, its covariance as the interval.
//!
//! `y = base + A exp(-exp(mu e / A (lag - t) + 1))` (Zwietering et al. 1990, Appl. Environ. Microbiol. 56, table 2, modified
//! Gompertz), by Levenberg's damped Gauss-Newton steps from a few starts. Intervals by the delta method.

use nalgebra::{Matrix4, Vector4};

use crate::{rule::Told, score::number};

/// Points of the standard normal at 5 and 95 %.
const Z: f64 = 1.644_854;

/// What the curve says at `now_h` of a target in volumes.
pub(crate) fn told(content: &[(f64, f64)], now_h: f64, target: f64) -> Told {
    let Some(fitted) = Fitted::to(content) else {
        return Told::NOTHING;
    };
    Told {
        content: fitted.interval(|curve| Some(curve.at(now_h))),
        target_h: fitted.interval(|curve| curve.reaches(target)),
    }
}

/// Base, log of the rise, log of the highest rate, lag.
#[derive(Clone, Copy, Debug)]
struct Curve(Vector4<f64>);

impl Curve {
    fn inner(&self, t: f64) -> f64 {
        let [_, rise, rate, lag] = self.0.into();
        (rate - rise + 1.0).exp() * (lag - t) + 1.0
    }

    fn at(&self, t: f64) -> f64 {
        self.0.x + (self.0.y - self.inner(t).min(50.0).exp()).exp()
    }

    /// Slope of [`Curve::at`] by each parameter.
    fn slope_at(&self, t: f64) -> Vector4<f64> {
        let [_, rise, rate, _] = self.0.into();
        let inner = self.inner(t).min(50.0);
        let outer = inner.exp();
        let above = (rise - outer).exp();
        let by_rate = -above * outer * (inner - 1.0);
        let steepness = (rate - rise + 1.0).exp();
        Vector4::new(1.0, above - by_rate, by_rate, -above * outer * steepness)
    }

    /// When it comes to `level`; `None` if it never does.
    fn reaches(&self, level: f64) -> Option<f64> {
        let [base, rise, rate, lag] = self.0.into();
        let part = (level - base) / rise.exp();
        (part > 0.0 && part < 1.0).then(|| lag - ((-part.ln()).ln() - 1.0) * (rise - rate - 1.0).exp())
    }

    /// Slope by each parameter, by differences.
    fn slope(&self, of: impl Fn(&Self) -> Option<f64>) -> Option<Vector4<f64>> {
        let mut slope = Vector4::zeros();
        for index in 0..4 {
            let step = 1e-5 * (1.0 + self.0[index].abs());
            let (mut up, mut down) = (*self, *self);
            up.0[index] += step;
            down.0[index] -= step;
            slope[index] = (of(&up)? - of(&down)?) / (2.0 * step);
        }
        Some(slope)
    }
}

struct Fitted {
    curve: Curve,
    covariance: Matrix4<f64>,
}

impl Fitted {
    fn to(points: &[(f64, f64)]) -> Option<Self> {
        let (first, last) = (points.first()?, points.last()?);
        if points.len() < 8 {
            return None;
        }
        let gain = (last.1 - first.1).max(0.05);
        let starts = [1.2, 2.0, 4.0].into_iter().flat_map(|more| {
            [0.2, 0.6].map(|lag| {
                let rate = gain / (0.5 * (last.0 - first.0).max(1.0));
                Curve(Vector4::new(
                    first.1,
                    (more * gain).ln(),
                    rate.ln(),
                    first.0 + lag * (last.0 - first.0),
                ))
            })
        });
        let best = starts
            .map(|start| descend(start, points))
            .filter(|(_, cost)| cost.is_finite())
            .min_by(|a, b| a.1.total_cmp(&b.1))?;
        let (curve, cost) = best;
        let (normal, _) = linearised(&curve, points);
        let scatter = cost / (number(points.len()) - 4.0);
        Some(Self {
            curve,
            covariance: normal.try_inverse()? * scatter,
        })
    }

    fn interval(&self, of: impl Fn(&Curve) -> Option<f64>) -> [Option<f64>; 3] {
        let Some(middle) = of(&self.curve) else {
            return [None; 3];
        };
        let variance = self
            .curve
            .slope(&of)
            .map(|slope| (slope.transpose() * self.covariance * slope).x)
            .filter(|variance| *variance >= 0.0);
        let half = variance.map(|variance| Z * variance.sqrt());
        [
            half.map(|half| middle - half),
            Some(middle),
            half.map(|half| middle + half),
        ]
    }
}

fn cost(curve: &Curve, points: &[(f64, f64)]) -> f64 {
    points.iter().map(|(t, y)| (y - curve.at(*t)).powi(2)).sum()
}

fn linearised(curve: &Curve, points: &[(f64, f64)]) -> (Matrix4<f64>, Vector4<f64>) {
    let (mut normal, mut pull) = (Matrix4::zeros(), Vector4::zeros());
    for (t, y) in points {
        let slope = curve.slope_at(*t);
        normal += slope * slope.transpose();
        pull += slope * (y - curve.at(*t));
    }
    (normal, pull)
}

fn descend(mut curve: Curve, points: &[(f64, f64)]) -> (Curve, f64) {
    let mut at = cost(&curve, points);
    let mut damping = 1e-3;
    for _ in 0..60 {
        let (normal, pull) = linearised(&curve, points);
        let damped = normal + Matrix4::from_diagonal(&normal.diagonal().map(|d| damping * d + 1e-12));
        let Some(step) = damped.try_inverse().map(|inverse| inverse * pull) else {
            break;
        };
        let tried = Curve(curve.0 + step);
        let there = cost(&tried, points);
        if there.is_finite() && there < at {
            let gained = (at - there) / at.max(1e-12);
            (curve, at, damping) = (tried, there, damping / 5.0);
            if gained < 1e-7 {
                break;
            }
        } else {
            damping *= 4.0;
            if damping > 1e8 {
                break;
            }
        }
    }
    (curve, at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gompertz_curve_is_found_again() {
        let true_curve = Curve(Vector4::new(0.1, 3.5f64.ln(), 0.06f64.ln(), 14.0));
        let points: Vec<(f64, f64)> = (0..100)
            .map(|i| f64::from(i) / 2.0)
            .zip([0.004, -0.004].into_iter().cycle())
            .map(|(t, noise)| (t, true_curve.at(t) + noise))
            .collect();
        let expected = true_curve.reaches(3.0).unwrap();
        let [low, middle, high] = told(&points, 49.5, 3.0).target_h.map(Option::unwrap);
        assert!((middle - expected).abs() < 1.0, "{middle} {expected}");
        assert!(low < middle && middle < high && high - low < 10.0);
        assert!(
            told(&points, 49.5, 4.0).target_h[1].is_none(),
            "above its ceiling"
        );
    }

    #[test]
    fn slopes_are_those_of_differences() {
        let curve = Curve(Vector4::new(0.1, 3.0f64.ln(), 0.05f64.ln(), 20.0));
        for t in [1.0, 15.0, 40.0, 90.0] {
            let differences = curve.slope(|curve| Some(curve.at(t))).unwrap();
            assert!((differences - curve.slope_at(t)).norm() < 1e-6, "{t}");
        }
    }

    /// The tangent at the steepest point meets the base at the lag and has the highest rate as its slope.
    #[test]
    fn the_parameters_mean_what_zwietering_says() {
        let curve = Curve(Vector4::new(0.0, 3.0f64.ln(), 0.05f64.ln(), 20.0));
        let steepest = curve.reaches(3.0 / std::f64::consts::E).unwrap();
        let slope = (curve.at(steepest + 1e-3) - curve.at(steepest - 1e-3)) / 2e-3;
        assert!((slope - 0.05).abs() < 1e-7);
        assert!((steepest - curve.at(steepest) / slope - 20.0).abs() < 1e-4);
    }
}
