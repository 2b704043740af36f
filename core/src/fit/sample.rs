//! Equally likely lives: randomised maximum likelihood (Oliver, He and Reynolds 1996; Kitanidis 1995).
//!
//! Each member has a prior mean drawn from the prior and a noise of its own for every datum, and sits where its cost is
//! lowest. Both belong to the member for the whole life of the batch: from one grid point to the next a member only follows
//! what the new data say, so that forecasts do not jitter and a warm start is near its end. A Jacobian frozen at the maximum
//! does not do (members stay behind or overshoot, and the interval collapses on the few that settled), so each member
//! has one or two of its own, and what its steps find corrects them (Broyden 1965, Mathematics of Computation 19, 577).

mod settle;

use nalgebra::DVector;

use self::settle::{Member, Settling};
use super::{
    climb,
    course::{Course, Problem},
    draws::{Draws, MEMBERS},
    giving_up,
    random::Strata,
    series::{OLD_H, WEEKS_H},
};

/// Hours between fits on the grid.
const GRID_H: f64 = 0.5;

/// In how many fits every member has had steps of its own: a batch that is weeks old has settled, and each step is dear.
fn round(now_h: f64) -> f64 {
    if now_h < WEEKS_H {
        4.0
    } else if now_h < OLD_H {
        16.0
    } else {
        64.0
    }
}

/// The maximum, and the members.
pub(super) struct Sampled {
    pub(super) best: Vec<f64>,
    pub(super) members: Vec<Vec<f64>>,
    /// The members' courses; empty where there is nothing to fit.
    pub(super) courses: Vec<Course>,
}

/// Where an earlier fit left off, brought to the size of this problem.
pub(super) struct Warm {
    pub(super) best: Vec<f64>,
    pub(super) members: Vec<Vec<f64>>,
    /// Hours since.
    pub(super) ago_h: f64,
}

/// With how much care a fit is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Care {
    /// Others go on from it at once: members need not have settled.
    OnTheWay,
    Usual,
    /// A cold start beside the warm one looks for another valley, and a culture that slows down may have given up.
    Thorough,
}

/// Samples the posterior.
pub(super) fn sample(problem: &Problem, warm: Option<Warm>, care: Care, seed: u64, draws: &Draws) -> Sampled {
    let priors = (0..MEMBERS).map(|member| draws.of(member));
    if problem.data.is_empty() {
        return Sampled {
            best: vec![0.0; problem.size()],
            members: priors.map(|prior| prior.as_slice().to_vec()).collect(),
            courses: Vec::new(),
        };
    }
    let best = climb::maximum(
        problem,
        warm.as_ref().map(|w| w.best.as_slice()),
        care == Care::Thorough,
    );
    let best = if care == Care::Usual {
        best
    } else {
        giving_up::or_gives_up(problem, best)
    };
    let roots = climb::weights(&best.residuals).map(f64::sqrt);
    let noise = noise_sources(problem, seed);
    let mut members: Vec<Member> = priors
        .zip(0u64..)
        .map(|(prior, index)| Member::new(prior, noise_of(&noise, index)))
        .collect();
    let settled = Settling::new(problem, &roots, care);
    match &warm {
        Some(warm) => settled.follow(&best, warm, &mut members),
        None => settled.begin(&best, &mut members),
    }
    settled.gather(&best, &mut members);
    let (members, courses) = members
        .into_iter()
        .map(|m| (m.z.as_slice().to_vec(), m.course))
        .unzip();
    Sampled {
        best: best.z.as_slice().to_vec(),
        members,
        courses,
    }
}

/// Where the noise of each datum comes from: its parts'. What only bounds has none.
fn noise_sources(problem: &Problem, seed: u64) -> Vec<Vec<Strata>> {
    let data = problem.data.iter().map(|datum| {
        let keys = datum.noisy().then(|| datum.keys());
        let of_keys = keys.into_iter().flatten().map(|key| Strata::of(&[seed, 3, key]));
        of_keys.collect()
    });
    data.collect()
}

/// A member's noise. A mean has the mean of its parts' noise, so that a member stays where it was when they are told as one.
fn noise_of(sources: &[Vec<Strata>], member: u64) -> DVector<f64> {
    let of = |parts: &Vec<Strata>| {
        let (count, sum) = parts.iter().fold((0.0, 0.0), |(count, sum): (f64, f64), part| {
            (count + 1.0, sum + part.normal(member))
        });
        if count > 0.0 { sum / count.sqrt() } else { 0.0 }
    };
    DVector::from_iterator(sources.len(), sources.iter().map(of))
}
