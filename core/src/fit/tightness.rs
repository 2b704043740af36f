//! A sensor vessel that was never tight.
//!
//! A leak that begins under pressure breaks its course, and `change` sees that. One that was there from the start, or from a time without
//! pressure, breaks nothing: what goes out is nothing at first and grows with the pressure, and the readings look like those of a
//! slower culture, of which the other bottles hold two or three times as much as it tells. But a culture's rate wanders little, and
//! its pressure does not fall: a life that leaks from the start explains by and by what a tight one needs ever greater surprises for.
//! So both are climbed to, now and then, and compared.

use jiff::Timestamp;
use nalgebra::DVector;
use serde::{Deserialize, Serialize};

use super::{
    ahead::GAIN_H,
    change::is_stirred,
    climb::{self, Candidate, candidate, climbed},
    course::{Change, Problem, extended},
    evidence::Evidence,
    giving_up,
    slopes::Slopes,
};
use crate::{
    forecast::NeverTight,
    quantity::{Co2Volumes, GRAMS_PER_LITRE_PER_VOLUME},
};

/// Hours of age between two looks, of a batch that is older than the third, and of the first.
const EVERY_H: f64 = 6.0;
const EVERY_OLD_H: f64 = 24.0;
const OLD_H: f64 = 168.0;
const FIRST_H: f64 = 12.0;

/// Pressures that have to be told.
const ENOUGH: usize = 24;

/// What is believed of such a leak, mol per m3 of drink, hour and bar, and the spread of its logarithm: a half-litre bottle at 2 bar loses half of
/// its CO2 in a day, in some hours, or in some days.
const LEAK: f64 = 1.0;
const LEAK_SPREAD: f64 = 0.8;
/// Step of the differences that are taken of it.
const STEP: f64 = 1e-3;

/// Turns of a climb with a leak, and of one with a leak that is given.
const TURNS: usize = 10;
const TURNS_ON: usize = 4;

/// The cost must fall by so much: of 80 sound batches, each looked at some twenty times, it fell by 9.2 at most for a leak of at least ...
const TELLING: f64 = 12.0;
/// ... this size. Smaller ones look like any slow misfit of the box, and have to tell more: three of those batches came to 15, 32 and 71 with one.
const SMALL: f64 = 0.3;
const TELLING_SMALL: f64 = 50.0;
/// ... and by so much more than for a culture that gave up at the alcohol it has reached, which shows no rise either.
const MORE_THAN_STILL: f64 = 6.0;
/// Where it fell by so much more at the last look, the climb may have been left behind in another valley.
const LEFT_BEHIND: f64 = 5.0;
/// Once told it is believed until the cost falls by less than this.
const DOUBTED: f64 = 4.0;
/// A vessel in which nothing rises any more looks like a small leak: what gained less than this lately, volumes, has to tell as much.
const STANDS_STILL: f64 = 0.06;

/// Ceilings of alcohol that are tried for that culture, as parts of the alcohol that the maximum has, and the turns at each: each from the one before.
const CEILINGS: [(f64, usize); 3] = [(1.4, 15), (1.15, 8), (1.0, 8)];

/// Costs count by this part where leaks are weighed: the box errs by more than its noise.
const TEMPER: f64 = 0.25;
/// Spread of what the drink then holds, as a logarithm, beside that of the leaks: no cap leaks evenly.
const UNEVEN: f64 = 0.35;

/// A batch that looks tight by so much is looked at half as often.
const SURELY_TIGHT: f64 = -8.0;

/// What is held of the sensor vessel's tightness.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Tightness {
    /// When it is looked at next, hours since sealing; `None`: nobody has followed it yet.
    next_h: Option<f64>,
    /// By how much the cost fell at the last look.
    gain: f64,
    /// It was never tight.
    pub(super) found: Option<NeverTight>,
    /// Knots of the discrepancy at the last look, the maxima without and with a leak, and the leak.
    knots: usize,
    tight: Vec<f64>,
    leaking: Option<(Vec<f64>, f64)>,
}

impl Tightness {
    /// Looked at anew if it is due; `best` is the maximum of `problem`, the fit's own.
    pub(super) fn judged(
        self,
        evidence: &Evidence,
        at: Timestamp,
        (problem, best): (&Problem, &[f64]),
    ) -> Self {
        let now_h = problem.now_h();
        let every_h = if now_h < OLD_H { EVERY_H } else { EVERY_OLD_H };
        let next_h = ((now_h / every_h).floor() + 1.0) * every_h;
        // A fit from nothing costs enough without.
        let Some(due_h) = self.next_h else {
            let next_h = Some(next_h.max(FIRST_H));
            return Self { next_h, ..self };
        };
        if now_h < due_h {
            return self;
        }
        let without = evidence
            .never_tight()
            .map(|_| Problem::new(&evidence.as_if_tight(), now_h));
        let problem = without.as_ref().unwrap_or(problem);
        if !can_tell(problem) {
            let next_h = Some(next_h);
            return Self { next_h, ..self };
        }
        let brought = |z: &[f64]| {
            let z = extended(z, self.knots, problem, &vec![0.0; problem.size()]);
            DVector::from_vec(z)
        };
        let best = if without.is_some() {
            climbed(problem, candidate(problem, brought(&self.tight)), TURNS)
        } else {
            candidate(problem, DVector::from_column_slice(best))
        };
        let from = self.leaking.as_ref().map(|(z, leak)| (brought(z), *leak));
        let look = Look {
            problem: problem.clone(),
            best,
        };
        let mut leaking = look.leaking(from);
        let falls = |leaking: &(Candidate, f64)| look.best.cost - leaking.0.cost;
        if falls(&leaking) < self.gain - LEFT_BEHIND {
            let anew = look.leaking(None);
            leaking = if anew.0.cost < leaking.0.cost {
                anew
            } else {
                leaking
            };
        }
        let gain = falls(&leaking);
        Self {
            next_h: Some(if gain < SURELY_TIGHT {
                next_h + every_h
            } else {
                next_h
            }),
            found: look.judged(at, (gain, &leaking), self.found.is_some()),
            gain,
            knots: problem.frame.knots.len(),
            tight: look.best.z.as_slice().to_vec(),
            leaking: Some((leaking.0.z.as_slice().to_vec(), leaking.1)),
        }
    }
}

/// Enough was told of a vessel that stood in the room, its cap never lifted: what cold and lifted caps do to a pressure is known worse
/// than what leaks do.
fn can_tell(problem: &Problem) -> bool {
    let frame = &problem.frame;
    let undisturbed = frame.ventings.is_empty() && !frame.climate.chilled;
    undisturbed && problem.pressures() >= ENOUGH && frame.nodes.iter().all(|h| !is_stirred(problem, *h))
}

/// A problem and its maximum without a leak.
struct Look {
    problem: Problem,
    best: Candidate,
}

impl Look {
    /// The maximum with a leak: from the last one, or from that without; over all numbers of a point and the leak.
    fn leaking(&self, from: Option<(DVector<f64>, f64)>) -> (Candidate, f64) {
        let (z, size) = from.unwrap_or_else(|| (self.best.z.clone(), 0.0));
        let downhill = |(at, size): &(Candidate, f64)| {
            let roots = climb::weights(&at.residuals).map(f64::sqrt);
            let numbers = at.z.len();
            let jacobian = self.with(*size).jacobian(&at.z, &at.course, &at.residuals);
            let mut jacobian = jacobian.insert_column(numbers, 0.0);
            let there = self.with_leak(at.z.clone(), size + STEP);
            jacobian.set_column(numbers, &((there.residuals - &at.residuals) / STEP));
            let slopes = Slopes::new(&jacobian, &roots);
            let gradient = slopes.gradient(&roots.component_mul(&at.residuals), at.z.clone().push(*size));
            (slopes, gradient)
        };
        let moved = |(at, size): &(Candidate, f64), step: DVector<f64>| {
            let numbers = at.z.len();
            let size = size + step[numbers];
            (self.with_leak(&at.z + step.rows(0, numbers), size), size)
        };
        let start = (self.with_leak(z, size), size);
        climb::descended(start, TURNS, downhill, moved, |(at, _)| at.cost)
    }

    /// The problem, its vessel leaking.
    fn with(&self, size: f64) -> Problem {
        let mut problem = self.problem.clone();
        problem.change = Some((0, Change::Leak(leak(size))));
        problem
    }

    /// A point with a leak, and what both cost.
    fn with_leak(&self, z: DVector<f64>, size: f64) -> Candidate {
        let mut there = candidate(&self.with(size), z);
        there.cost += size * size;
        there
    }

    /// What the bottles hold, if the sensor vessel was never tight; `told`: that was said before.
    fn judged(
        &self,
        at: Timestamp,
        (gain, leaking): (f64, &(Candidate, f64)),
        told: bool,
    ) -> Option<NeverTight> {
        let telling = match (told, leak(leaking.1) < SMALL || self.stands_still()) {
            (true, _) => DOUBTED,
            (false, true) => TELLING_SMALL,
            (false, false) => TELLING,
        };
        if gain < telling || !told && gain < self.still().max(0.0) + MORE_THAN_STILL {
            return None;
        }
        let mut likely = vec![(leaking.0.cost, self.content(&leaking.0))];
        for apart in [-1.2, -0.6, 0.6, 1.2] {
            let size = leaking.1 + apart;
            let problem = self.with(size);
            let there = climbed(&problem, candidate(&problem, leaking.0.z.clone()), TURNS_ON);
            likely.push((there.cost + size * size, self.content(&there)));
        }
        let (content, spread) = weighed(&likely)?;
        Some(NeverTight {
            at,
            co2: Co2Volumes::from_grams_per_litre(content.clamp(0.0, 190.0)).ok()?,
            spread,
        })
    }

    /// Content of the bottles, g/L: what their drink makes stays in them.
    fn content(&self, of: &Candidate) -> f64 {
        let life = self.problem.life(of.z.as_slice());
        let last = of.course.states.last();
        last.map_or(0.0, |state| life.content(&self.problem.frame, state))
    }

    /// The maximum gained next to nothing lately.
    fn stands_still(&self) -> bool {
        let before_h = self.problem.now_h() - GAIN_H;
        let node = self.problem.frame.nodes.partition_point(|h| *h < before_h);
        let states = &self.best.course.states;
        let life = self.problem.life(self.best.z.as_slice());
        let content = |state| life.content(&self.problem.frame, state);
        let gained = states
            .last()
            .zip(states.get(node))
            .map(|(now, then)| content(now) - content(then));
        before_h > 0.0 && gained.is_some_and(|gained| gained < STANDS_STILL * GRAMS_PER_LITRE_PER_VOLUME)
    }

    /// By how much the cost falls for a culture that has given up.
    fn still(&self) -> f64 {
        let starts = [self.best.z.clone(), DVector::zeros(self.best.z.len())];
        let lives = starts
            .into_iter()
            .flat_map(|z| giving_up::held(&self.problem, &self.best, z, &CEILINGS));
        let least = lives.map(|(_, there)| there.cost).fold(f64::MAX, f64::min);
        self.best.cost - least
    }
}

fn leak(size: f64) -> f64 {
    LEAK * (LEAK_SPREAD * size.clamp(-3.0, 3.0)).exp()
}

/// Middle of the contents and the spread of their logarithms, each weighed by its cost.
fn weighed(likely: &[(f64, f64)]) -> Option<(f64, f64)> {
    let least = likely.iter().map(|(cost, _)| *cost).fold(f64::MAX, f64::min);
    let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
    for (cost, content) in likely {
        let weight = (-0.5 * TEMPER * (cost - least)).exp();
        let ln = content.max(1e-3).ln();
        sum += weight;
        first += weight * ln;
        second += weight * ln * ln;
    }
    let mean = first / sum;
    let spread = (second / sum - mean * mean).max(0.0).sqrt().hypot(UNEVEN);
    (mean.is_finite() && spread.is_finite()).then(|| (mean.exp(), spread))
}
