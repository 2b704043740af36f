//! What was measured or told, condensed and tied to a moment of a life.

use crate::{
    fit::{
        evidence::Evidence,
        frame::Frame,
        series::Point,
        told::{self, Side, Told},
    },
    note::Sample,
};

/// What a kelvin does to the pressure over a drink, as a share of it: the solubility's slope at room temperature (Weiss 1974).
pub(super) const PER_KELVIN: f64 = 0.03;

/// What kind of value an observation is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Kind {
    Gauge,
    Absolute,
    Gravity,
    /// A hydrometer in a sample: with this share of the dissolved CO2 in it.
    Hydrometer {
        gas: f64,
    },
    ByEye,
    Squeezed,
    /// CO2 in a bottle of the batch, g/L in the target's sense.
    Content,
}

impl Kind {
    /// Tells it from the others.
    fn number(self) -> u64 {
        match self {
            Self::Gauge => 0,
            Self::Absolute => 1,
            Self::Gravity => 2,
            Self::Hydrometer { .. } => 3,
            Self::ByEye => 4,
            Self::Squeezed => 5,
            Self::Content => 6,
        }
    }
}

/// One condensed observation, tied to the nodes around it.
#[derive(Clone, Copy, Debug)]
pub(in crate::fit) struct Datum {
    pub(super) kind: Kind,
    pub(super) node: usize,
    pub(super) part: f64,
    pub(in crate::fit) at_h: f64,
    pub(super) celsius: f64,
    /// Pressure of the surrounding air where it was told, bar.
    pub(super) ambient: Option<f64>,
    pub(super) side: Side,
    pub(super) value: f64,
    pub(super) scale: f64,
    /// Tells it from the others, for the noise that each member of an ensemble gives it.
    pub(in crate::fit) key: u64,
}

impl Datum {
    pub(super) fn new(kind: Kind, point: &Point, frame: &Frame, ambient: &[Point]) -> Self {
        let node = frame
            .nodes
            .partition_point(|h| *h <= point.at_h)
            .saturating_sub(1);
        let low = frame.nodes.get(node).copied().unwrap_or(0.0);
        let high = frame.nodes.get(node + 1).copied().unwrap_or(low);
        let part = if high > low {
            ((point.at_h - low) / (high - low)).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let at = |node: usize| frame.climate.past.get(node).copied().unwrap_or(20.0);
        let near = ambient.partition_point(|p| p.at_h <= point.at_h);
        let told = [near.checked_sub(1), Some(near)]
            .into_iter()
            .flatten()
            .filter_map(|i| ambient.get(i))
            .filter(|p| (p.at_h - point.at_h).abs() < 3.0)
            .min_by(|a, b| {
                (a.at_h - point.at_h)
                    .abs()
                    .total_cmp(&(b.at_h - point.at_h).abs())
            });
        let scale = match kind {
            // 7 mbar for a half-hour median: what the box leaves unexplained is most of it, noise the rest.
            Kind::Gauge | Kind::Absolute => {
                let above = if kind == Kind::Gauge {
                    point.value
                } else {
                    point.value - frame.ambient_bar
                };
                let unheard = frame.climate.unheard_doubt(node) * PER_KELVIN * above.max(0.2);
                (0.007 * (0.8 + 1.5 / point.count).sqrt()).hypot(unheard)
            }
            Kind::Gravity => 0.000_3 * (0.8 + 1.5 / point.count).sqrt(),
            Kind::Hydrometer { .. } | Kind::ByEye | Kind::Squeezed | Kind::Content => 1.0,
        };
        Self {
            kind,
            side: Side::Around,
            node,
            part,
            at_h: point.at_h,
            celsius: at(node) + (at(node + 1) - at(node)) * part,
            ambient: told.map(|p| p.value),
            value: point.value,
            scale,
            key: kind.number() << 40 | point.key,
        }
    }

    /// Of what a person found out at `at_h`; `alike` share one sitting.
    pub(super) fn told(
        (at_h, told, alike): (f64, Told, f64),
        frame: &Frame,
        evidence: &Evidence,
        ambient: &[Point],
    ) -> Option<Self> {
        if told.of_sensor_vessel() && evidence.opened(at_h) {
            return None;
        }
        let (kind, side, value, scale) = match told {
            Told::Hydrometer {
                gravity,
                step,
                sample,
            } => {
                // Nobody reads between the lines well, and the gas that stays in a sample lifts a little.
                let (gas, gassy) = match sample {
                    Sample::Degassed => (0.0, 0.0),
                    Sample::Gassy => (1.0, 0.000_5),
                    Sample::Unsaid => (0.3, 0.000_5),
                };
                let scale = 0.000_7_f64.hypot(gassy).hypot(0.4 * step);
                (Kind::Hydrometer { gas }, Side::Around, gravity.specific(), scale)
            }
            // A dial of class 2.5 to 4 bar may lie 0.1 bar off (EN 837-1).
            Told::ByEye { pressure, step } => {
                let scale = 0.06_f64.hypot(0.4 * step.bar());
                (Kind::ByEye, Side::Around, pressure.bar(), scale)
            }
            Told::Squeezed(_) if !frame.known.plastic => return None,
            Told::Squeezed(firmness) => {
                let (side, value, scale) = told::bar_of(firmness);
                (Kind::Squeezed, side, value, scale)
            }
            Told::Tasted(word) => {
                let (side, share, doubt) = told::share_of_target(word, &evidence.palate);
                let target = frame.target_g_per_l;
                (Kind::Content, side, share * target, doubt * target * alike.sqrt())
            }
            Told::InOwnWords { share, spread } => {
                let target = frame.target_g_per_l;
                (
                    Kind::Content,
                    Side::Around,
                    share * target,
                    spread * target * alike.sqrt(),
                )
            }
        };
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "not negative; it only tells one note from another"
        )]
        let key = (at_h * 3_600.0) as u64 & 0xffff_ffff;
        let point = Point {
            at_h,
            value,
            count: 1.0,
            key,
        };
        Some(Self {
            side,
            scale,
            ..Self::new(kind, &point, frame, ambient)
        })
    }

    /// Whether the members of an ensemble give it noise: what only bounds has none.
    pub(in crate::fit) fn noisy(&self) -> bool {
        self.side == Side::Around
    }
}

/// Leaves out what lies far from the running median of seven: beyond `tolerance` and five median deviations.
pub(super) fn without_outliers(points: &[Point], tolerance: f64) -> Vec<Point> {
    let median = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied().unwrap_or(0.0)
    };
    let around = |index: usize| {
        let low = index.saturating_sub(3).min(points.len().saturating_sub(7));
        points.get(low..(low + 7).min(points.len())).unwrap_or_default()
    };
    points
        .iter()
        .enumerate()
        .filter(|(index, point)| {
            let near = around(*index);
            if near.len() < 5 {
                return true;
            }
            let middle = median(near.iter().map(|p| p.value).collect());
            let deviation = median(near.iter().map(|p| (p.value - middle).abs()).collect());
            (point.value - middle).abs() <= tolerance.max(5.0 * deviation)
        })
        .map(|(_, point)| *point)
        .collect()
}
