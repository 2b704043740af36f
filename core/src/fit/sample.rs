//! Equally likely lives: randomised maximum likelihood (Oliver, He and Reynolds 1996; Kitanidis 1995).
//!
//! Each member has a prior mean drawn from the prior and a noise of its own for every datum, and sits where its cost is
//! lowest. Both belong to the member for the whole life of the batch: from one grid point to the next a member only follows
//! what the new data say, so that forecasts do not jitter and a warm start is near its end. A Jacobian frozen at the maximum
//! does not do (members stay behind or overshoot, and the interval collapses on the few that settled), so each member
//! has one or two of its own, and what its steps find corrects them (Broyden 1965, Mathematics of Computation 19, 577).

use nalgebra::{DMatrix, DVector};

use super::{
    climb::{self, Candidate, damped_step},
    course::{Course, Problem},
    draws::Draws,
    factor::{add_product, add_to_lower},
    random::Random,
    series::{OLD_H, WEEKS_H},
};

/// Members of the posterior.
pub(super) const MEMBERS: usize = 64;

/// Hours between fits on the grid.
const GRID_H: f64 = 0.5;

/// A member has settled once a step lowers its cost by less.
const ENOUGH: f64 = 0.1;

/// At which turns a member that begins anew, and one that goes on from where it was, has a Jacobian of its own; at the others the
/// last one is corrected. And how many turns there are at most.
const ANEW: (&[usize], usize) = (&[0, 1], 10);
const GOES_ON: (&[usize], usize) = (&[0], 4);

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

/// Samples the posterior; `thorough` asks for a cold start beside the warm one.
pub(super) fn sample(
    problem: &Problem,
    warm: Option<Warm>,
    thorough: bool,
    seed: u64,
    draws: &Draws,
) -> Sampled {
    let priors = (0..MEMBERS).map(|member| draws.of(member));
    if problem.data.is_empty() {
        return Sampled {
            best: vec![0.0; problem.size()],
            members: priors.map(|prior| prior.as_slice().to_vec()).collect(),
            courses: Vec::new(),
        };
    }
    let best = climb::maximum(problem, warm.as_ref().map(|w| w.best.as_slice()), thorough);
    let roots = climb::weights(&best.residuals).map(f64::sqrt);
    let mut members: Vec<Member> = priors
        .zip(0u64..)
        .map(|(prior, index)| Member {
            noise: noise_of(problem, seed, index),
            z: DVector::zeros(0),
            course: Course { states: Vec::new() },
            residuals: DVector::zeros(0),
            cost: f64::MAX,
            prior,
        })
        .collect();
    let settled = Settling {
        problem,
        roots: &roots,
    };
    match &warm {
        Some(warm) => settled.follow(warm, &mut members),
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

fn noise_of(problem: &Problem, seed: u64, member: u64) -> DVector<f64> {
    DVector::from_iterator(
        problem.data.len(),
        problem.data.iter().map(|datum| {
            let noise = Random::stratified(&[seed, 3, datum.key], member);
            if datum.noisy() { noise } else { 0.0 }
        }),
    )
}

/// One member on its way.
struct Member {
    prior: DVector<f64>,
    noise: DVector<f64>,
    z: DVector<f64>,
    course: Course,
    residuals: DVector<f64>,
    cost: f64,
}

impl Member {
    fn stands(&mut self, z: DVector<f64>, (course, residuals, cost): (Course, DVector<f64>, f64)) {
        (self.z, self.course, self.residuals, self.cost) = (z, course, residuals, cost);
    }
}

/// A Jacobian with its rows weighed, and the curvature that follows (its lower triangle).
#[derive(Clone)]
struct Slopes {
    weighted: DMatrix<f64>,
    curvature: DMatrix<f64>,
}

impl Slopes {
    /// Corrects them by what a step found: `change` of the weighed residuals. Broyden's update, of rank one.
    fn correct(&mut self, step: &DVector<f64>, change: &DVector<f64>) {
        let square = step.norm_squared();
        if square <= 0.0 {
            return;
        }
        let missed = change - &self.weighted * step;
        let across = self.weighted.tr_mul(&missed) / square;
        let again = missed.norm_squared() / (square * square);
        add_product(&mut self.weighted, 1.0 / square, &missed, step);
        add_to_lower(&mut self.curvature, &across, step, again);
    }
}

struct Settling<'a> {
    problem: &'a Problem,
    /// Roots of the weights of the data.
    roots: &'a DVector<f64>,
}

impl Settling<'_> {
    /// Course, residuals and cost of a member at `z`.
    fn at(&self, member: &Member, z: &DVector<f64>) -> (Course, DVector<f64>, f64) {
        let (course, residuals) = self.problem.shown_at(z);
        let cost = self.cost(member, z, &residuals);
        (course, residuals, cost)
    }

    fn cost(&self, member: &Member, z: &DVector<f64>, residuals: &DVector<f64>) -> f64 {
        let perturbed = self.roots.component_mul(residuals) + &member.noise;
        let cost = (z - &member.prior).norm_squared() + perturbed.norm_squared();
        if cost.is_finite() { cost } else { f64::MAX }
    }

    /// Goes on from where the members were. Each fit gives a part of them steps by a Jacobian of their own, so that all had some
    /// within [`round`] fits; a member that misses what is new has them at once.
    fn follow(&self, warm: &Warm, members: &mut [Member]) {
        let turn = (self.problem.now_h() / GRID_H).round();
        let turns = (warm.ago_h / GRID_H).round().max(1.0);
        for ((member, z), index) in members.iter_mut().zip(&warm.members).zip(0u32..) {
            let since = (turn - f64::from(index)).rem_euclid(round(self.problem.now_h()));
            self.puts(member, DVector::from_column_slice(z));
            if since < turns || self.misses(member) {
                self.settle(None, member, if turns > 4.0 { ANEW } else { GOES_ON });
            }
        }
    }

    /// Puts a member at `z`.
    fn puts(&self, member: &mut Member, z: DVector<f64>) {
        let here = self.at(member, &z);
        member.stands(z, here);
    }

    /// Whether a member lies away from a datum of the last hours by more than its noise lets it.
    fn misses(&self, member: &Member) -> bool {
        let from_h = self.problem.now_h() - 2.0;
        self.problem
            .data
            .iter()
            .zip(&member.residuals)
            .zip(self.roots.iter().zip(&member.noise))
            .any(|((datum, residual), (root, noise))| {
                datum.at_h >= from_h && (root * residual + noise).abs() > 3.0
            })
    }

    /// All from the maximum: the first step of each by one Jacobian.
    fn begin(&self, best: &Candidate, members: &mut [Member]) {
        let slopes = self.slopes(&best.z, &best.course, &best.residuals);
        for member in members {
            let cost = self.cost(member, &best.z, &best.residuals);
            let here = (best.course.clone(), best.residuals.clone(), cost);
            member.stands(best.z.clone(), here);
            self.settle(Some(slopes.clone()), member, ANEW);
        }
    }

    fn slopes(&self, z: &DVector<f64>, course: &Course, residuals: &DVector<f64>) -> Slopes {
        let weighted = climb::weighted(self.problem.jacobian(z, course, residuals), self.roots);
        Slopes {
            curvature: climb::curvature(&weighted),
            weighted,
        }
    }

    /// Steps of a member, each taken only if its cost falls. The first goes by the slopes given, if any; at the turns of `own` they are
    /// the member's own anew, in between they are corrected by what the step before found.
    fn settle(&self, mut slopes: Option<Slopes>, member: &mut Member, (own, turns): (&[usize], usize)) {
        let mut damping = 0.02;
        for turn in 0..turns {
            if member.residuals.iter().any(|r| !r.is_finite()) {
                return;
            }
            let mut here = match slopes.take() {
                Some(slopes) if turn == 0 || !own.contains(&turn) => slopes,
                _ => self.slopes(&member.z, &member.course, &member.residuals),
            };
            let pull = self.roots.component_mul(&member.residuals) + &member.noise;
            let gradient = here.weighted.tr_mul(&pull) + (&member.z - &member.prior);
            let mut gain = 0.0;
            for _ in 0..5 {
                let Some(step) = damped_step(&here.curvature, &gradient, damping) else {
                    return;
                };
                let z = &member.z + &step;
                let next = self.at(member, &z);
                if next.2 < member.cost {
                    gain = member.cost - next.2;
                    if gain >= ENOUGH && !own.contains(&(turn + 1)) {
                        let change = self.roots.component_mul(&(&next.1 - &member.residuals));
                        here.correct(&step, &change);
                    }
                    member.stands(z, next);
                    damping *= 0.2;
                    break;
                }
                damping *= 8.0;
            }
            if gain < ENOUGH {
                return;
            }
            slopes = Some(here);
        }
    }

    /// Members that stayed far above the others start again from the best of them; what still fails becomes a copy.
    fn gather(&self, best: &Candidate, members: &mut [Member]) {
        let lowest = members.iter().map(|m| m.cost).fold(f64::MAX, f64::min);
        let rows = u32::try_from(self.roots.len()).map_or(f64::from(u32::MAX), f64::from);
        let cutoff = lowest + 6.4 * (2.0 * rows).sqrt().max(4.0);
        for member in members.iter_mut().filter(|m| m.cost > cutoff) {
            self.puts(member, best.z.clone());
            self.settle(None, member, ANEW);
        }
        let sound: Vec<usize> = (0..members.len())
            .filter(|i| members[*i].cost <= cutoff)
            .collect();
        for index in 0..members.len() {
            if members[index].cost > cutoff
                && let Some(other) = sound.get(index % sound.len().max(1))
            {
                members[index].z = members[*other].z.clone();
                members[index].course = members[*other].course.clone();
            }
        }
    }
}
