//! What was measured or told, condensed and tied to a moment of a life.

use crate::{
    fit::{
        evidence::Evidence,
        frame::Frame,
        series::{HALF_HOURS, Point},
        told::{self, Side, Told},
    },
    forecast::NeverTight,
    note::Sample,
};

/// What a kelvin does to the pressure over a drink, as a share of it: the solubility's slope at room temperature (Weiss 1974).
pub(super) const PER_KELVIN: f64 = 0.03;

/// How sharply a pressure bounds, bar.
const LEAST_BAR: f64 = 0.03;
/// What the bottles of a vessel that was never tight hold is known no better than this, g/L.
const LEAST_G_PER_L: f64 = 0.05;
/// Tells it from contents that were tasted: their keys are seconds.
const NEVER_TIGHT: u64 = 1 << 39;
/// Hours for which the last pressure of a vessel that is not tight stands.
const BOUND_H: f64 = 6.0;

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
    /// Tells it from the others.
    key: u64,
    /// Half hours told as one: each by its place after the first, as a bit.
    parts: u8,
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
            parts: 1,
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

    /// The same, but the truth may lie above it: the gauge is on a vessel that loses gas.
    pub(super) fn at_least(self) -> Self {
        Self {
            side: Side::Above,
            scale: LEAST_BAR,
            ..self
        }
    }

    /// What the bottles hold if the sensor vessel was never tight.
    pub(super) fn of_never_tight(found: &NeverTight, evidence: &Evidence, frame: &Frame) -> Self {
        let value = found.co2.grams_per_litre();
        let point = Point {
            at_h: evidence.hours(found.at),
            value,
            count: 1.0,
            // Always the same: what a member adds to it shall not change with each look.
            key: NEVER_TIGHT,
        };
        Self {
            scale: (found.spread * value).max(LEAST_G_PER_L),
            ..Self::new(Kind::Content, &point, frame, &[])
        }
    }

    /// Tell each half hour that it stands for from all others, for the noise that a member of an ensemble gives it.
    pub(in crate::fit) fn keys(&self) -> impl Iterator<Item = u64> {
        let Self { key, parts, .. } = *self;
        (0..u8::BITS)
            .filter(move |place| parts >> place & 1 == 1)
            .map(move |place| key + u64::from(place))
    }

    /// The two as one, if they are half hours between the same nodes: their mean, which tells as much as both.
    fn and(&self, later: &Self) -> Option<Self> {
        let half_hours = later.key >> 32 == self.key >> 32 && later.key >> 32 & 0xff == HALF_HOURS;
        let place = later.key.wrapping_sub(self.key);
        if !half_hours
            || self.node != later.node
            || self.ambient.is_some() != later.ambient.is_some()
            || place >= u64::from(u8::BITS)
        {
            return None;
        }
        let parts = f64::from(self.parts.count_ones());
        let mean = |before: f64, later: f64| (before * parts + later) / (parts + 1.0);
        Some(Self {
            part: mean(self.part, later.part),
            at_h: mean(self.at_h, later.at_h),
            celsius: mean(self.celsius, later.celsius),
            ambient: self
                .ambient
                .zip(later.ambient)
                .map(|(before, later)| mean(before, later)),
            value: mean(self.value, later.value),
            scale: (self.scale * parts).hypot(later.scale) / (parts + 1.0),
            parts: self.parts | 1 << place,
            ..*self
        })
    }

    /// Whether the members of an ensemble give it noise: what only bounds has none.
    pub(in crate::fit) fn noisy(&self) -> bool {
        self.side == Side::Around
    }
}

/// Observations of one kind in order of time, half hours between the same two nodes as one: where a life is reckoned in longer steps,
/// they tell no more apart.
pub(super) fn together(data: impl Iterator<Item = Datum>) -> Vec<Datum> {
    let mut out: Vec<Datum> = Vec::new();
    for datum in data {
        match out.last().and_then(|last| last.and(&datum)) {
            Some(both) => {
                out.pop();
                out.push(both);
            }
            None => out.push(datum),
        }
    }
    out
}

/// Of a vessel that is not tight the last reading of each few hours: as a bound it tells as much as all of them.
pub(super) fn lower_bounds(points: &[Point]) -> impl Iterator<Item = &Point> {
    let block = |point: &Point| (point.at_h / BOUND_H).floor();
    points
        .chunk_by(move |a, b| block(a).total_cmp(&block(b)).is_eq())
        .filter_map(<[Point]>::last)
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

#[cfg(test)]
mod tests {
    use super::*;

    fn half_hour(index: u64, node: usize, value: f64) -> Datum {
        Datum {
            kind: Kind::Gauge,
            node,
            part: 0.5,
            at_h: 0.25 + 0.5 * [0.0, 1.0, 2.0, 3.0][usize::try_from(index % 4).unwrap()],
            celsius: 20.0,
            ambient: None,
            side: Side::Around,
            value,
            scale: 0.01,
            key: HALF_HOURS << 32 | index,
            parts: 1,
        }
    }

    #[test]
    fn half_hours_between_two_nodes_tell_as_one_what_all_of_them_told() {
        let told = [
            half_hour(40, 7, 1.0),
            half_hour(41, 7, 1.1),
            half_hour(43, 7, 1.5),
        ];
        let all = together(told.into_iter());
        let [one] = all.as_slice() else { panic!("{all:?}") };
        assert!((one.value - 1.2).abs() < 1e-12);
        assert!((one.at_h - (0.25 + 0.75 + 1.75) / 3.0).abs() < 1e-12);
        // The mean of three that are as sure each.
        assert!((one.scale - 0.01 / 3.0_f64.sqrt()).abs() < 1e-12);
        let keys: Vec<u64> = told.iter().flat_map(Datum::keys).collect();
        assert_eq!(one.keys().collect::<Vec<_>>(), keys);
    }

    #[test]
    fn what_lies_between_other_nodes_or_is_no_half_hour_stays_alone() {
        let fine = |index| Datum {
            key: index,
            ..half_hour(index, 2, 0.1)
        };
        let aired = Datum {
            ambient: Some(1.0),
            ..half_hour(5, 7, 0.1)
        };
        let told = [
            fine(1),
            fine(2),
            half_hour(1, 3, 0.2),
            half_hour(2, 4, 0.2),
            half_hour(4, 7, 0.1),
            aired,
            half_hour(60, 7, 0.1),
        ];
        assert_eq!(together(told.into_iter()).len(), told.len());
    }
}
