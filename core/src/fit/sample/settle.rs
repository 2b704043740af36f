//! Members on their way to where their cost is lowest, some of them abreast.

use std::collections::VecDeque;

use nalgebra::DVector;

use super::{Care, GRID_H, Warm, round};
use crate::abreast::ABREAST;
use crate::fit::{
    climb::Candidate,
    course::{Course, Problem},
    slopes::Slopes,
};

/// A member has settled once a step lowers its cost by less; on the way to a later fit, by less than the second.
const ENOUGH: [f64; 2] = [0.1, 0.5];

/// Tries of a step, each shorter than the one before.
const TRIES: usize = 4;

/// Damping of the first step; by what it is multiplied where a step fails, and where one is taken. It has to reach far within a few tries: of all
/// that was tried on forty tuning batches of a week (a first damping of 0.0003 to 0.1, rising 4 to 50 times) low and steep found the
/// lowest places, and at the least cost.
const DAMPED: f64 = 0.001;
const DAMPED_MORE: f64 = 50.0;
const DAMPED_LESS: f64 = 0.2;

/// Fits on the grid after which a member has to begin anew.
const FAR_TURNS: f64 = 4.0;

/// Turns of a member: at which one it has a Jacobian of its own, the last one being corrected at the others, and how many at most.
type Turns = (usize, usize);

/// Of a member that begins anew by the slopes at the maximum, and of one that goes on from where it was.
const ANEW: Turns = (4, 10);
const GOES_ON: Turns = (0, 4);

/// One member on its way.
pub(super) struct Member {
    pub(super) prior: DVector<f64>,
    pub(super) noise: DVector<f64>,
    pub(super) z: DVector<f64>,
    pub(super) course: Course,
    residuals: DVector<f64>,
    cost: f64,
}

impl Member {
    /// With a prior mean and noise of its own; it stands nowhere yet.
    pub(super) fn new(prior: DVector<f64>, noise: DVector<f64>) -> Self {
        Self {
            prior,
            noise,
            z: DVector::zeros(0),
            course: Course { states: Vec::new() },
            residuals: DVector::zeros(0),
            cost: f64::MAX,
        }
    }

    fn stands(&mut self, z: DVector<f64>, (course, residuals, cost): (Course, DVector<f64>, f64)) {
        (self.z, self.course, self.residuals, self.cost) = (z, course, residuals, cost);
    }
}

/// A member between two of its steps.
struct Walk {
    member: usize,
    turns: Turns,
    turn: usize,
    tries: usize,
    damping: f64,
    slopes: Option<Slopes>,
    gradient: DVector<f64>,
    step: DVector<f64>,
}

impl Walk {
    fn new(member: usize, turns: Turns) -> Self {
        Self {
            member,
            turns,
            turn: 0,
            tries: 0,
            damping: DAMPED,
            slopes: None,
            gradient: DVector::zeros(0),
            step: DVector::zeros(0),
        }
    }

    /// Makes ready for a turn and its first try; false if the member is to stay where it is.
    fn turns(&mut self, settling: &Settling<'_>, member: &Member) -> bool {
        let (own, most) = self.turns;
        if self.turn >= most || member.residuals.iter().any(|r| !r.is_finite()) {
            return false;
        }
        let here = match self.slopes.take() {
            Some(slopes) if self.turn != own => slopes,
            _ => settling.slopes(&member.z, &member.course, &member.residuals),
        };
        let pull = settling.roots.component_mul(&member.residuals) + &member.noise;
        self.gradient = here.gradient(&pull, &member.z - &member.prior);
        self.slopes = Some(here);
        self.tries = 0;
        self.tries()
    }

    /// Finds the next step to try.
    fn tries(&mut self) -> bool {
        let step = self
            .slopes
            .as_ref()
            .filter(|_| self.tries < TRIES)
            .and_then(|here| here.step(&self.gradient, self.damping));
        step.map(|step| self.step = step).is_some()
    }

    /// Takes the step if the cost is lower there; false once the member is to stay where it is.
    fn goes(
        &mut self,
        settling: &Settling<'_>,
        member: &mut Member,
        z: DVector<f64>,
        (course, residuals): (Course, DVector<f64>),
    ) -> bool {
        let cost = settling.cost(member, &z, &residuals);
        if cost >= member.cost {
            self.damping *= DAMPED_MORE;
            self.tries += 1;
            return self.tries() || self.turns_to_own(settling, member);
        }
        let gain = member.cost - cost;
        if gain >= settling.enough
            && self.turn + 1 != self.turns.0
            && let Some(here) = &mut self.slopes
        {
            let change = settling.roots.component_mul(&(&residuals - &member.residuals));
            here.correct(&self.step, &change);
        }
        member.stands(z, (course, residuals, cost));
        self.damping *= DAMPED_LESS;
        self.turn += 1;
        if gain >= settling.enough {
            self.turns(settling, member)
        } else {
            self.turns_to_own(settling, member)
        }
    }

    /// The slopes of others lead no further: goes on by its own, if it has had none.
    fn turns_to_own(&mut self, settling: &Settling<'_>, member: &Member) -> bool {
        let (own, _) = self.turns;
        if self.turn >= own {
            return false;
        }
        (self.turn, self.damping) = (own, DAMPED);
        self.turns(settling, member)
    }
}

pub(super) struct Settling<'a> {
    problem: &'a Problem,
    /// Roots of the weights of the data.
    roots: &'a DVector<f64>,
    enough: f64,
}

impl<'a> Settling<'a> {
    pub(super) fn new(problem: &'a Problem, roots: &'a DVector<f64>, care: Care) -> Self {
        let [enough, on_the_way] = ENOUGH;
        let enough = if care == Care::OnTheWay {
            on_the_way
        } else {
            enough
        };
        Self {
            problem,
            roots,
            enough,
        }
    }

    fn cost(&self, member: &Member, z: &DVector<f64>, residuals: &DVector<f64>) -> f64 {
        let perturbed = self.roots.component_mul(residuals) + &member.noise;
        let cost = (z - &member.prior).norm_squared() + perturbed.norm_squared();
        if cost.is_finite() { cost } else { f64::MAX }
    }

    /// Goes on from where the members were. Each fit gives a part of them steps by a Jacobian of their own, so that all had some
    /// within [`round`] fits; a member that misses what is new has them at once. After long all begin anew.
    pub(super) fn follow(&self, best: &Candidate, warm: &Warm, members: &mut [Member]) {
        let turn = (self.problem.now_h() / GRID_H).round();
        let turns = (warm.ago_h / GRID_H).round().max(1.0);
        let every = round(self.problem.now_h());
        let points: Vec<_> = warm
            .members
            .iter()
            .map(|z| DVector::from_column_slice(z))
            .collect();
        self.put(members.iter_mut().zip(points));
        let due = (0u32..)
            .zip(members.iter().enumerate())
            .filter(|(index, (_, member))| {
                let since = (turn - f64::from(*index)).rem_euclid(every);
                since < turns || self.misses(member)
            });
        let due: Vec<usize> = due.map(|(_, (place, _))| place).collect();
        if turns > FAR_TURNS {
            self.begin_anew(best, members, &due);
        } else {
            let walks = due.into_iter().map(|member| Walk::new(member, GOES_ON));
            self.settle(members, walks.collect(), || None);
        }
    }

    /// Puts members at points.
    fn put<'m>(&self, places: impl Iterator<Item = (&'m mut Member, DVector<f64>)>) {
        let (members, points): (Vec<_>, Vec<_>) = places.unzip();
        let shown = self.problem.shown_at_each(&points);
        for ((member, z), (course, residuals)) in members.into_iter().zip(points).zip(shown) {
            let cost = self.cost(member, &z, &residuals);
            member.stands(z, (course, residuals, cost));
        }
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

    /// All from the maximum.
    pub(super) fn begin(&self, best: &Candidate, members: &mut [Member]) {
        for member in members.iter_mut() {
            self.put_at(best, member);
        }
        let all: Vec<usize> = (0..members.len()).collect();
        self.begin_anew(best, members, &all);
    }

    /// Some from the maximum.
    fn begin_from(&self, best: &Candidate, members: &mut [Member], which: impl Fn(&Member) -> bool) {
        let some: Vec<usize> = (0..members.len()).filter(|i| which(&members[*i])).collect();
        for member in &some {
            self.put_at(best, &mut members[*member]);
        }
        self.begin_anew(best, members, &some);
    }

    fn put_at(&self, best: &Candidate, member: &mut Member) {
        let cost = self.cost(member, &best.z, &best.residuals);
        let here = (best.course.clone(), best.residuals.clone(), cost);
        member.stands(best.z.clone(), here);
    }

    /// Some from where they are: the first steps of each by the slopes at the maximum, which are nearly its own and cost nothing.
    fn begin_anew(&self, best: &Candidate, members: &mut [Member], some: &[usize]) {
        if !some.is_empty() {
            let slopes = self.slopes(&best.z, &best.course, &best.residuals);
            let walks = some.iter().map(|member| Walk::new(*member, ANEW));
            self.settle(members, walks.collect(), || Some(slopes.clone()));
        }
    }

    fn slopes(&self, z: &DVector<f64>, course: &Course, residuals: &DVector<f64>) -> Slopes {
        Slopes::new(&self.problem.jacobian(z, course, residuals), self.roots)
    }

    /// Steps of members, each taken only if its cost falls; the first goes by the slopes that are `given` for it, if any.
    ///
    /// A few are on their way at a time, and where their steps lead is reckoned abreast. None knows of the others.
    fn settle(
        &self,
        members: &mut [Member],
        mut waiting: VecDeque<Walk>,
        given: impl Fn() -> Option<Slopes>,
    ) {
        let mut walking: Vec<Walk> = Vec::with_capacity(ABREAST);
        loop {
            while walking.len() < ABREAST
                && let Some(mut walk) = waiting.pop_front()
            {
                walk.slopes = given();
                if walk.turns(self, &members[walk.member]) {
                    walking.push(walk);
                }
            }
            if walking.is_empty() {
                return;
            }
            let points: Vec<DVector<f64>> = walking
                .iter()
                .map(|walk| &members[walk.member].z + &walk.step)
                .collect();
            let mut shown = points
                .clone()
                .into_iter()
                .zip(self.problem.shown_at_each(&points));
            walking.retain_mut(|walk| {
                let next = shown.next();
                next.is_some_and(|(z, shown)| walk.goes(self, &mut members[walk.member], z, shown))
            });
        }
    }

    /// Members that stand higher than they would at the maximum, or far above the others, begin anew from there; what still fails becomes a copy.
    pub(super) fn gather(&self, best: &Candidate, members: &mut [Member]) {
        self.begin_from(best, members, |member| {
            self.cost(member, &best.z, &best.residuals) < member.cost
        });
        let lowest = members.iter().map(|m| m.cost).fold(f64::MAX, f64::min);
        let rows = u32::try_from(self.roots.len()).map_or(f64::from(u32::MAX), f64::from);
        let cutoff = lowest + 6.4 * (2.0 * rows).sqrt().max(4.0);
        self.begin_from(best, members, |member| member.cost > cutoff);
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
