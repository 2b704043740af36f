//! A culture that gives up.
//!
//! Its pace falls to nothing at some alcohol, and the maximum of the posterior does not find the way there by itself: while the ceiling lies far
//! above what was made, it moves nothing. What slows down instead are rates, which remember no longer than days, so that a batch which stands still
//! is told to go on. So where a culture slows down a ceiling is tried that it has nearly reached.

use nalgebra::DVector;

use super::{
    climb::{Candidate, candidate, climbed},
    course::Problem,
    prior::{CEILING, Parameters, ceiling},
};
use crate::physics::sugar::abv_percent_of_co2;

/// A culture slows down where it makes less than this part of what it made at its highest, both over so many hours.
const SLOWER: f64 = 0.4;
const PACE_H: f64 = 6.0;

/// Ceilings that are tried, as parts of the alcohol reached, each from the one before, and the turns at each. Let go at once a life that stops
/// short climbs back to where it was.
const CEILINGS: [(f64, usize); 2] = [(1.4, 10), (1.15, 6)];
/// Turns with the ceiling let go.
const TURNS: usize = 6;

/// The maximum, or a culture that gives up, if that explains more. Nobody waits for a drink that has reached its target: there it is not asked.
pub(super) fn or_gives_up(problem: &Problem, best: Candidate) -> Candidate {
    let life = problem.life(best.z.as_slice());
    let short = |state| life.content(&problem.frame, state) < problem.frame.target_g_per_l;
    let waited_for = best.course.states.last().is_some_and(short);
    if life.p.gives_up_early() || !waited_for || !slows_down(problem, &best) {
        return best;
    }
    match gives_up(problem, &best) {
        Some(other) if other.cost < best.cost => other,
        _ => best,
    }
}

/// The best life of a culture that gives up at about the alcohol it has reached; `None`: the batch file says at which.
pub(super) fn gives_up(problem: &Problem, best: &Candidate) -> Option<Candidate> {
    let frame = &problem.frame;
    if frame.known.ceiling.is_some() {
        return None;
    }
    let starts = [best.z.clone(), DVector::zeros(best.z.len())].map(|mut z| {
        // A ceiling that is given has a number of its own there.
        z[CEILING] = 0.0;
        let (percent, there) = held(problem, best, z, &CEILINGS).pop()?;
        let mut z = there.z;
        ceiling::put(z.as_mut_slice(), &frame.known, percent);
        Some(candidate(problem, z))
    });
    let start = starts
        .into_iter()
        .flatten()
        .min_by(|a, b| a.cost.total_cmp(&b.cost))?;
    Some(climbed(problem, start, TURNS))
}

/// Lives whose ceiling is held at parts of the alcohol that the maximum has reached, each climbed to from the one before in so many turns; and the ceiling
/// of each, % vol.
pub(super) fn held(
    problem: &Problem,
    best: &Candidate,
    mut z: DVector<f64>,
    ceilings: &[(f64, usize)],
) -> Vec<(f64, Candidate)> {
    let mut problem = problem.clone();
    let made = best.course.states.last().map_or(0.0, |state| state.made);
    let reached = abv_percent_of_co2(made) + problem.frame.alcohol_percent;
    let climb = |(part, turns): &(f64, usize)| {
        problem.frame.known.ceiling = Some(part * reached);
        let there = climbed(&problem, candidate(&problem, z.clone()), *turns);
        z = there.z.clone();
        (Parameters::of(z.as_slice(), &problem.frame.known).ceiling, there)
    };
    ceilings.iter().map(climb).collect()
}

/// What was made lately is much less than at its highest, in a drink that was not taken to the fridge.
fn slows_down(problem: &Problem, best: &Candidate) -> bool {
    let frame = &problem.frame;
    let made: Vec<(f64, f64)> = frame
        .nodes
        .iter()
        .zip(&best.course.states)
        .map(|(h, state)| (*h, state.made))
        .collect();
    let pace = |(to_h, to): (f64, f64)| {
        let before = made.partition_point(|(h, _)| *h <= to_h - PACE_H);
        let (from_h, from) = made.get(..before)?.last()?;
        Some((to - from) / (to_h - from_h))
    };
    let now = made.last().and_then(|last| pace(*last));
    let highest = made.iter().filter_map(|at| pace(*at)).fold(0.0, f64::max);
    !frame.climate.chilled && now.is_some_and(|now| now < SLOWER * highest)
}
