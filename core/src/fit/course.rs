//! A life from the sealing to the present, and what the sensors should have shown of it.

mod datum;
mod runs;
mod slopes;

use self::datum::{Datum, Kind, PER_KELVIN, lower_bounds, together, without_outliers};
use super::{
    evidence::Evidence,
    frame::Frame,
    knots::between,
    life::{Life, State},
    prior::{ALL, COOLING, GAUGE, GRAVITY, LIFE, Parameters, SHARE, WALL},
};
use crate::physics::{gravity::CO2_DENSITY_PER_G_PER_L, sugar::INVERSION};

/// Hours between the knots of the surrounding air's pressure, their spread in bar, and how long it remembers, h.
const AIR_KNOT_H: f64 = 24.0;
const AIR_BAR: f64 = 0.009;
const AIR_H: f64 = 48.0;

/// What a g/L of sucrose adds to the gravity when it is split: 1.053 g/L of hexoses, which weigh 0.3 % less a gram (CRC
/// Handbook, concentrative properties of solutions, from memory).
const INVERSION_GAIN: f64 = 0.385e-3 * (INVERSION * 0.997 - 1.0);

/// A life at every node of its frame.
#[derive(Clone, Debug)]
pub(super) struct Course {
    pub(super) states: Vec<State>,
}

/// Everything a fit works on.
#[derive(Clone, Debug)]
pub(super) struct Problem {
    pub(super) frame: Frame,
    pub(super) data: Vec<Datum>,
    /// Gravity that the recipe says, when sealed.
    gravity_at_start: f64,
    /// A wired gauge is heard.
    wired: bool,
    pub(super) air_knots: usize,
    /// What changes from which node on: asked of no member, only where a change is looked for.
    pub(super) change: Option<(usize, Change)>,
}

/// What may change in a life, beside what the posterior reckons with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Change {
    /// The sensor vessel leaks: gas in mol per m3 of drink, hour and bar above the surrounding air.
    Leak(f64),
    /// The culture slows down: the fall of its log rate.
    Slower(f64),
}

impl Problem {
    /// Of the evidence up to `now_h`.
    pub(super) fn new(evidence: &Evidence, now_h: f64) -> Self {
        let mut frame = Frame::new(evidence, now_h);
        let trusted = |h: f64| evidence.trusts_pressure(h);
        let ambient = evidence.ambient.points(now_h, |_| true);
        let mut data = Vec::new();
        for (kind, points) in [
            (Kind::Gauge, evidence.gauge.points(now_h, trusted)),
            (Kind::Absolute, evidence.absolute.points(now_h, trusted)),
            (Kind::Gravity, evidence.gravity.points(now_h, |_| true)),
        ] {
            let tolerance = if kind == Kind::Gravity { 0.003 } else { 0.08 };
            let sound = without_outliers(&points, tolerance);
            let of = |point| Datum::new(kind, point, &frame, &ambient);
            if kind != Kind::Gravity && evidence.never_tight().is_some() {
                data.extend(lower_bounds(&sound).map(|point| of(point).at_least()));
            } else {
                data.extend(together(sound.iter().map(of)));
            }
        }
        data.extend(
            evidence
                .never_tight()
                .map(|found| Datum::of_never_tight(found, evidence, &frame)),
        );
        for told in evidence.notes.until(now_h) {
            data.extend(Datum::told(told, &frame, evidence, &ambient));
        }
        frame.followed = !data.is_empty();
        let air_knots = 2 + frame
            .knots
            .iter()
            .filter(|h| **h / AIR_KNOT_H % 1.0 < 1e-9 && **h <= now_h)
            .count();
        let drink = &evidence.batch().drink;
        let extract = drink.sucrose.grams_per_litre()
            + drink.hexose.grams_per_litre()
            + drink.unfermentable.grams_per_litre();
        Self {
            wired: data
                .iter()
                .any(|datum| matches!(datum.kind, Kind::Gauge | Kind::Absolute)),
            frame,
            data,
            gravity_at_start: 1.0 + extract * 0.000_385,
            air_knots,
            change: None,
        }
    }

    /// The present, hours since sealing.
    pub(super) fn now_h(&self) -> f64 {
        self.frame.nodes.last().copied().unwrap_or(0.0)
    }

    /// Numbers in a point of the whitened space.
    pub(super) fn size(&self) -> usize {
        ALL + self.frame.knots.len() + self.air_knots
    }

    /// Parameters of a point.
    pub(super) fn life(&self, z: &[f64]) -> Life {
        Life::new(Parameters::of(z, &self.frame.known), &self.frame, false)
    }

    /// The discrepancy's knots of a point.
    pub(super) fn surprises(&self, z: &[f64]) -> Vec<f64> {
        self.frame
            .surprises(z.get(ALL..ALL + self.frame.knots.len()).unwrap_or_default())
    }

    /// Residuals of a course, each over its scale.
    pub(super) fn residuals(&self, z: &[f64], course: &Course) -> Vec<f64> {
        self.residuals_of(&self.life(z), z, course)
    }

    /// The same of a point whose life is given.
    fn residuals_of(&self, life: &Life, z: &[f64], course: &Course) -> Vec<f64> {
        let air = self.air(z);
        self.data
            .iter()
            .map(|datum| self.residual(datum, &life.p, &air, life, course))
            .collect()
    }

    fn residual(&self, datum: &Datum, p: &Parameters, air: &[f64], life: &Life, course: &Course) -> f64 {
        let shown = if datum.kind == Kind::Content {
            self.content_at(datum, life, course)
        } else {
            self.shown(datum, p, air, course)
        };
        datum.side.residual(shown, datum.value, datum.scale)
    }

    /// By how much the residuals change for each bar an hour by which the gauge creeps from `from_h` on.
    pub(super) fn creeping(&self, from_h: f64) -> Vec<f64> {
        self.astray(from_h, |kind| matches!(kind, Kind::Gauge | Kind::Absolute))
    }

    /// The same for each unit of gravity an hour by which the float creeps.
    pub(super) fn float_creeping(&self, from_h: f64) -> Vec<f64> {
        self.astray(from_h, |kind| kind == Kind::Gravity)
    }

    fn astray(&self, from_h: f64, wanted: fn(Kind) -> bool) -> Vec<f64> {
        let since = |datum: &Datum| {
            if wanted(datum.kind) {
                (datum.at_h - from_h).max(0.0) / datum.scale
            } else {
                0.0
            }
        };
        self.data.iter().map(since).collect()
    }

    /// A float is heard beside a wired gauge.
    pub(super) fn hears_both(&self) -> bool {
        self.wired && self.heard(|kind| kind == Kind::Gravity)
    }

    /// What the gauge has told of the CO2 over the drink, bar, as if it had stood at 20 degC, since `from_h`: (hour, bar). The air
    /// shut in counts as nitrogen, whose oxygen is eaten.
    pub(super) fn co2_over_drink(&self, from_h: f64) -> impl Iterator<Item = (f64, f64)> + '_ {
        const BESIDE_BAR: f64 = 0.8;
        let above = |datum: &Datum| match datum.kind {
            Kind::Gauge => Some(datum.value + self.frame.ambient_bar),
            Kind::Absolute => Some(datum.value),
            _ => None,
        };
        self.data
            .iter()
            .filter(move |datum| datum.at_h >= from_h)
            .filter_map(move |datum| {
                let co2 = above(datum)? - BESIDE_BAR;
                Some((datum.at_h, co2 * (-PER_KELVIN * (datum.celsius - 20.0)).exp()))
            })
    }

    /// What a sound gauge on the sensor vessel shows at the last node, bar.
    pub(super) fn gauge_now(&self, z: &[f64], course: &Course) -> f64 {
        let p = Parameters::of(z, &self.frame.known);
        let air = self.air(z);
        let at_h = self.frame.nodes.last().copied().unwrap_or(0.0);
        let celsius = self.frame.climate.past.last().copied().unwrap_or(20.0);
        let ambient = self.frame.ambient_bar + between(&air, AIR_KNOT_H, at_h);
        let inside = course.states.last().map_or(ambient, |state| state.bar);
        (inside - ambient) * p.gain + p.zero + p.drift * (celsius - 20.0)
    }

    fn air(&self, z: &[f64]) -> Vec<f64> {
        let knots = z.get(ALL + self.frame.knots.len()..).unwrap_or_default();
        let keep = (-AIR_KNOT_H / AIR_H).exp();
        let fresh = (1.0 - keep * keep).sqrt();
        let mut before = None;
        knots
            .iter()
            .map(|z| {
                let value = before.map_or(AIR_BAR * z, |last: f64| keep * last + AIR_BAR * fresh * z);
                before = Some(value);
                value
            })
            .collect()
    }

    fn shown(&self, datum: &Datum, p: &Parameters, air: &[f64], course: &Course) -> f64 {
        let bar = || {
            let low = course.states.get(datum.node).map_or(0.0, |state| state.bar);
            let high = course.states.get(datum.node + 1).map_or(low, |state| state.bar);
            low + (high - low) * datum.part
        };
        let offset = p.zero + p.drift * (datum.celsius - 20.0);
        match datum.kind {
            Kind::Gauge => {
                let ambient = datum
                    .ambient
                    .unwrap_or_else(|| self.frame.ambient_bar + between(air, AIR_KNOT_H, datum.at_h));
                (bar() - ambient) * p.gain + offset
            }
            Kind::Absolute => bar() * p.gain + offset,
            // A dial has an offset of its own, unless it is the only one.
            Kind::ByEye if self.wired => bar() - self.frame.ambient_bar,
            Kind::ByEye => bar() - self.frame.ambient_bar + p.zero,
            Kind::Squeezed => bar() - self.frame.ambient_bar,
            Kind::Content => 0.0,
            Kind::Gravity | Kind::Hydrometer { .. } => {
                let gas = match datum.kind {
                    Kind::Hydrometer { gas } => gas,
                    _ => 1.0,
                };
                let Some(state) = course.states.get(datum.node) else {
                    return self.gravity_at_start;
                };
                let later = course.states.get(datum.node + 1).unwrap_or(state);
                let made = state.made + (later.made - state.made) * datum.part;
                let dissolved = state.dissolved(p) + (later.dissolved(p) - state.dissolved(p)) * datum.part;
                let split = self.frame.split(made);
                self.gravity_at_start + p.gravity_zero - p.gravity_slope * 1e-3 * made
                    + INVERSION_GAIN * split
                    + 1e-3 * CO2_DENSITY_PER_G_PER_L * gas * dissolved
            }
        }
    }

    /// CO2 in a bottle of the batch when a note tells of it, g/L in the target's sense.
    fn content_at(&self, datum: &Datum, life: &Life, course: &Course) -> f64 {
        let node = if datum.part < 0.5 {
            datum.node
        } else {
            datum.node + 1
        };
        let state = course.states.get(node).or_else(|| course.states.last());
        state.map_or(0.0, |state| life.content(&self.frame, state))
    }

    /// How many pressures count at their word.
    pub(super) fn pressures(&self) -> usize {
        let told = |datum: &&Datum| matches!(datum.kind, Kind::Gauge | Kind::Absolute) && datum.noisy();
        self.data.iter().filter(told).count()
    }

    /// A float or hydrometer is heard.
    pub(super) fn hears_gravity(&self) -> bool {
        self.heard(|kind| matches!(kind, Kind::Gravity | Kind::Hydrometer { .. }))
    }

    /// By how much gauge (bar) and float showed more than the life at `z` over the last hours, on the mean.
    pub(super) fn apart_lately(&self, z: &[f64], hours: f64) -> [Option<f64>; 2] {
        let residuals = self.residuals(z, &self.course(z, None));
        let from_h = self.now_h() - hours;
        let mean = |wanted: fn(Kind) -> bool| {
            let lately = self.data.iter().zip(&residuals);
            let lately = lately.filter(|(datum, _)| wanted(datum.kind) && datum.at_h >= from_h);
            let (count, sum) = lately.fold((0.0, 0.0), |(count, sum), (datum, residual)| {
                (count + 1.0, sum - residual * datum.scale)
            });
            (count > 0.0).then(|| sum / count)
        };
        [
            mean(|kind| matches!(kind, Kind::Gauge | Kind::Absolute)),
            mean(|kind| kind == Kind::Gravity),
        ]
    }

    fn heard(&self, wanted: impl Fn(Kind) -> bool) -> bool {
        self.data.iter().any(|datum| wanted(datum.kind))
    }

    /// Whether a number of a point only enters the observation: its course stays what it was.
    pub(super) fn only_observed(&self, index: usize) -> bool {
        (LIFE..ALL).contains(&index) || index >= ALL + self.frame.knots.len()
    }

    /// Whether a number of a point says nothing about this batch: no such wall or sensor.
    pub(super) fn idle(&self, index: usize) -> bool {
        let wired = |kind| matches!(kind, Kind::Gauge | Kind::Absolute);
        (index == SHARE && !self.heard(|kind| kind == Kind::Content))
            || index == COOLING
            || (WALL.contains(&index) && !self.frame.known.plastic)
            || (GAUGE.contains(&index) && !self.heard(|kind| wired(kind) || kind == Kind::ByEye))
            || (GRAVITY.contains(&index) && !self.hears_gravity())
            || (index >= ALL + self.frame.knots.len() && !self.heard(|kind| kind == Kind::Gauge))
    }
}

/// A point fitted with `fitted_knots` of the discrepancy, brought to the size of `problem`; what is new comes from `fresh`.
pub(super) fn extended(z: &[f64], fitted_knots: usize, problem: &Problem, fresh: &[f64]) -> Vec<f64> {
    let (fitted, now) = (ALL + fitted_knots, ALL + problem.frame.knots.len());
    (0..problem.size())
        .map(|index| {
            let known = if index < now {
                z.get(index).filter(|_| index < fitted)
            } else {
                z.get(index - now + fitted)
            };
            known.or_else(|| fresh.get(index)).copied().unwrap_or(0.0)
        })
        .collect()
}
