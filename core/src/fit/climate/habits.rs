//! What a room does from day to day, and how far the drink stands from it.
//!
//! The room is a level, a daily swing and a slow wander (Ornstein-Uhlenbeck), followed through the last three days by a Kalman filter (Kalman 1960,
//! J. Basic Eng. 82, 35). How far rooms wander differs: three spreads are followed side by side and weighed by how well each foretold what came, so
//! that a steady cellar is not told as a kitchen in April.

use nalgebra::{Matrix4, Vector4};

use crate::fit::knots::between;

/// How long the wander remembers, h, and the spreads that are weighed, K.
const WANDER_H: f64 = 96.0;
const WANDERS_K: [f64; 3] = [0.5, 1.0, 2.0];

/// Spread of the wander where nobody told of the room, K.
const WANDER_UNKNOWN_K: f64 = 1.6;

/// Hours between the knots of the wander ahead.
const KNOT_H: f64 = 6.0;

/// Days that are looked back on, h.
const LOOK_BACK_H: f64 = 72.0;

/// A point of half an hour is off by so much: draughts, the thermometer's step, a day that is no cosine, K.
const POINT_K: f64 = 0.25;

/// A point further off than so many deviations pulls no harder than one that far.
const FAR: f64 = 3.0;

/// Spread of the level about what the batch file expects, or about a kitchen's 21 degC, and of either part of the daily swing, K.
const EXPECTED_K: f64 = 2.5;
const LEVEL_K: f64 = 4.0;
const SWING_K: f64 = 1.2;

/// How far a drink may stand from its room before anybody measured it, and by how much the lag of two hours misses it in any two hours, K.
const APART_K: f64 = 1.0;
const LAG_MISSES_K: f64 = 0.3;

/// Hours after which a distance measured then counts for a third.
const APART_FADES_H: f64 = 48.0;

/// The room as it is now and how it goes on.
#[derive(Clone, Debug)]
pub(super) struct Habits {
    /// Level, daily swing by hours since sealing (cosine, sine), and wander now, degC and K.
    state: Vector4<f64>,
    /// Root of their covariance.
    root: Matrix4<f64>,
    /// Spread of the wander, K.
    wander_k: f64,
}

impl Habits {
    /// Of what was told of the room, in order of time, and what the batch file expects of it.
    pub(super) fn told(told: &[(f64, f64)], expected: Option<f64>) -> Self {
        let Some((last, _)) = told.last() else {
            // The doubt of a room that nobody told of is that of the drink as a whole.
            return Self {
                state: Vector4::new(expected.unwrap_or(21.0), 0.0, 0.0, 0.0),
                root: Matrix4::zeros(),
                wander_k: WANDER_UNKNOWN_K,
            };
        };
        let from = told.partition_point(|(h, _)| *h <= last - LOOK_BACK_H);
        let recent = told.get(from..).unwrap_or_default();
        let followed = WANDERS_K.map(|wander_k| Follower::through(recent, expected, wander_k).cost);
        let least = followed.iter().copied().fold(f64::INFINITY, f64::min);
        let (mut weights, mut squares) = (0.0, 0.0);
        for (cost, wander_k) in followed.iter().zip(WANDERS_K) {
            let weight = (0.5 * (least - cost)).exp();
            weights += weight;
            squares += weight * wander_k * wander_k;
        }
        let wander_k = (squares / weights).sqrt();
        let Follower {
            state, covariance, ..
        } = Follower::through(recent, expected, wander_k);
        Self {
            state,
            // Rounding may spoil a covariance; the doubt of each number stays.
            root: covariance.cholesky().map_or_else(
                || Matrix4::from_diagonal(&covariance.diagonal().map(|variance| variance.max(0.0).sqrt())),
                |root| root.l(),
            ),
            wander_k,
        }
    }

    /// Where level and daily swing stand, degC.
    pub(super) fn usual(&self, h: f64) -> f64 {
        basis(h, 0.0).dot(&self.state)
    }

    /// The same with what is left of the present's wander `ahead_h` from now.
    pub(super) fn expected(&self, h: f64, ahead_h: f64) -> f64 {
        basis(h, kept(ahead_h)).dot(&self.state)
    }

    /// One room that may be over `span_h` hours, told by standard normals.
    pub(super) fn drawn(&self, span_h: f64, normals: &mut dyn FnMut() -> f64) -> Chance {
        let apart = self.root * Vector4::from_fn(|_, _| normals());
        let keep = kept(KNOT_H);
        let fresh = self.wander_k * (1.0 - keep * keep).sqrt();
        let mut wander = vec![apart.w];
        let mut reach = 0.0;
        while reach <= span_h + KNOT_H {
            let last = wander.last().copied().unwrap_or(0.0);
            wander.push(keep * last + fresh * normals());
            reach += KNOT_H;
        }
        Chance { apart, wander }
    }
}

/// How one room that may be goes beside what is expected.
pub(super) struct Chance {
    apart: Vector4<f64>,
    /// Its wander at knots.
    wander: Vec<f64>,
}

impl Chance {
    /// How far it lies off `ahead_h` from now, K; `phase`: see [`phase`].
    pub(super) fn apart(&self, phase: (f64, f64), ahead_h: f64) -> f64 {
        self.apart.x
            + self.apart.y * phase.0
            + self.apart.z * phase.1
            + between(&self.wander, KNOT_H, ahead_h)
    }
}

/// Cosine and sine of the hour of the day, counted from the sealing.
pub(super) fn phase(h: f64) -> (f64, f64) {
    let (sine, cosine) = (h * (std::f64::consts::TAU / 24.0)).sin_cos();
    (cosine, sine)
}

/// How far a room may have wandered in so many hours unheard, K.
pub(super) fn wandered(hours: f64) -> f64 {
    let keep = kept(hours.max(0.0));
    WANDER_UNKNOWN_K * (1.0 - keep * keep).sqrt()
}

/// How far the drink stands from where the room puts it, K: `apart` tells it at each hour, in order of time.
pub(super) fn distance(apart: &[(f64, f64)]) -> f64 {
    let Some((last, _)) = apart.last() else {
        return 0.0;
    };
    let (mut sum, mut weights, mut before) = (0.0, 0.0, f64::NEG_INFINITY);
    for (h, value) in apart {
        let weight = (h - before).min(2.0) / 2.0 * (-(last - h) / APART_FADES_H).exp();
        sum += weight * value;
        weights += weight;
        before = *h;
    }
    sum / (weights + (LAG_MISSES_K / APART_K).powi(2))
}

/// What of a wander is left after so many hours.
fn kept(hours: f64) -> f64 {
    (-hours / WANDER_H).exp()
}

/// What a thermometer shows of level, swing and wander; `kept`: how much of the latter is left.
fn basis(h: f64, kept: f64) -> Vector4<f64> {
    let (cosine, sine) = phase(h);
    Vector4::new(1.0, cosine, sine, kept)
}

/// The filter.
struct Follower {
    state: Vector4<f64>,
    covariance: Matrix4<f64>,
    /// Twice the negative logarithm of the likelihood.
    cost: f64,
}

impl Follower {
    /// Led through what was told.
    fn through(told: &[(f64, f64)], expected: Option<f64>, wander_k: f64) -> Self {
        let level_k = if expected.is_some() { EXPECTED_K } else { LEVEL_K };
        let spreads = Vector4::new(level_k, SWING_K, SWING_K, wander_k);
        let mut follower = Self {
            state: Vector4::new(expected.unwrap_or(21.0), 0.0, 0.0, 0.0),
            covariance: Matrix4::from_diagonal(&spreads.component_mul(&spreads)),
            cost: 0.0,
        };
        let mut before = told.first().map_or(0.0, |(h, _)| *h);
        for (h, value) in told {
            follower.wait(h - before, wander_k);
            follower.hear(*h, *value);
            before = *h;
        }
        follower
    }

    fn wait(&mut self, hours: f64, wander_k: f64) {
        let keep = kept(hours);
        self.state.w *= keep;
        for place in 0..3 {
            self.covariance[(place, 3)] *= keep;
            self.covariance[(3, place)] *= keep;
        }
        let wander = &mut self.covariance[(3, 3)];
        *wander = keep * keep * *wander + wander_k * wander_k * (1.0 - keep * keep);
    }

    fn hear(&mut self, h: f64, value: f64) {
        let shows = basis(h, 1.0);
        let seen = self.covariance * shows;
        let variance = shows.dot(&seen) + POINT_K * POINT_K;
        let missed = value - shows.dot(&self.state);
        let deviations = missed / variance.sqrt();
        let counted = deviations.clamp(-FAR, FAR);
        let gain = seen / variance;
        self.state += gain * (counted * variance.sqrt());
        self.covariance -= gain * seen.transpose();
        // Beyond `FAR` the cost rises straight, as that of a heavy tail.
        self.cost += variance.ln() + counted * (2.0 * deviations - counted);
    }
}

#[cfg(test)]
mod tests {
    use nalgebra::{DMatrix, DVector};

    use super::*;
    use crate::fit::random::Random;

    /// A room of 19 degC with a swing of 1.5 K and a wander of the given spread, every half hour for so many hours.
    fn room(seed: u64, wander_k: f64, hours: u32) -> Vec<(f64, f64)> {
        let mut random = Random::new(seed);
        let mut wander = wander_k * random.normal();
        let keep = kept(0.5);
        (0..2 * hours)
            .map(|half| {
                let h = 0.5 * f64::from(half);
                wander = keep * wander + wander_k * (1.0 - keep * keep).sqrt() * random.normal();
                let (cosine, sine) = phase(h - 7.0);
                (
                    h,
                    19.0 + 1.5 * cosine + 0.2 * sine + wander + 0.1 * random.normal(),
                )
            })
            .collect()
    }

    /// The filter is the joint normal of all that was told, conditioned at once: what a Gaussian process of the same covariance says
    /// (Rasmussen and Williams 2006, equations 2.25 and 2.26), with the Cholesky factor of nalgebra.
    #[test]
    fn the_filter_says_what_the_joint_normal_says() {
        let told: Vec<(f64, f64)> = room(3, 0.6, 30).into_iter().step_by(3).collect();
        let wander_k = 1.0;
        let follower = Follower::through(&told, None, wander_k);
        let last = told[told.len() - 1].0;
        let shared = |one: f64, other: f64| {
            let day = std::f64::consts::TAU / 24.0 * (one - other);
            LEVEL_K * LEVEL_K
                + SWING_K * SWING_K * day.cos()
                + wander_k * wander_k * kept((one - other).abs())
        };
        let noise = |one: usize, other: usize| if one == other { POINT_K * POINT_K } else { 0.0 };
        let all = DMatrix::from_fn(told.len(), told.len(), |i, j| {
            shared(told[i].0, told[j].0) + noise(i, j)
        });
        let root = all.cholesky().expect("a covariance");
        let off = DVector::from_iterator(told.len(), told.iter().map(|(_, value)| value - 21.0));
        for ahead in [0.0, 5.0, 18.0] {
            let h = last + ahead;
            let with = DVector::from_iterator(told.len(), told.iter().map(|(at, _)| shared(h, *at)));
            let mean = 21.0 + with.dot(&root.solve(&off));
            let variance = shared(h, h) - with.dot(&root.solve(&with));
            let shows = basis(h, kept(ahead));
            let own =
                shows.dot(&(follower.covariance * shows)) + wander_k * wander_k * (1.0 - kept(ahead).powi(2));
            assert!((shows.dot(&follower.state) - mean).abs() < 1e-6, "{ahead} {mean}");
            assert!((own / variance - 1.0).abs() < 1e-6, "{ahead} {own} {variance}");
        }
    }

    #[test]
    fn a_steady_room_is_told_as_one_and_a_restless_one_is_not() {
        for seed in 0..10 {
            let steady = Habits::told(&room(seed, 0.2, 72), None).wander_k;
            let restless = Habits::told(&room(seed, 2.5, 72), None).wander_k;
            assert!(steady < 0.8, "{seed}: {steady}");
            assert!(restless > 1.5, "{seed}: {restless}");
        }
    }

    #[test]
    fn the_level_of_a_room_does_not_wait_for_its_day() {
        // Told from seven in the evening to one at night, the swing on its way down: what is expected a day later is the room of then.
        let told = room(1, 0.0, 6);
        let habits = Habits::told(&told, None);
        let (last, value) = told[told.len() - 1];
        assert!(
            (habits.expected(last + 24.0, 24.0) - value).abs() < 0.5,
            "{habits:?}"
        );
    }

    #[test]
    fn one_wild_point_moves_nothing_and_a_new_level_is_followed() {
        let mut told = room(5, 0.3, 48);
        let calm = Habits::told(&told, None);
        let last = told.len() - 1;
        told[last].1 += 30.0;
        let wild = Habits::told(&told, None);
        let (h, _) = told[last];
        assert!(
            (wild.expected(h + 6.0, 6.0) - calm.expected(h + 6.0, 6.0)).abs() < 1.0,
            "{wild:?}"
        );
        told[last].1 -= 30.0;
        for (_, value) in &mut told[last - 24..] {
            *value += 5.0;
        }
        let warm = Habits::told(&told, None);
        assert!(
            warm.expected(h + 6.0, 6.0) - calm.expected(h + 6.0, 6.0) > 3.5,
            "{warm:?}"
        );
    }

    #[test]
    fn what_stands_apart_is_known_in_hours_and_nothing_is_not() {
        let shelf = |count: u32| -> Vec<(f64, f64)> {
            (0..count)
                .map(|half| (10.0 + 0.5 * f64::from(half), 1.2))
                .collect()
        };
        assert!(distance(&[]).abs() < 1e-12);
        assert!((distance(&shelf(48)) - 1.2).abs() < 0.05);
        let soon = distance(&shelf(4));
        assert!((0.8..1.2).contains(&soon), "{soon}");
    }
}
