//! How the residuals move with every number of a point: the Jacobian, by derivatives carried along one course.

use nalgebra::{DMatrix, DVector};

use super::{Course, Datum, Kind, Problem};
use crate::fit::{
    life::{Columns, LANES, Lanes, Life, State, Trace, carried},
    prior::{ALL, CO2, LIFE, Parameters},
};

/// Step of the differences that are taken, in prior standard deviations.
const STEP: f64 = 1e-4;

impl Problem {
    /// Jacobian of the residuals at a point whose course and residuals are given.
    pub(in crate::fit) fn jacobian(
        &self,
        z: &DVector<f64>,
        course: &Course,
        residuals: &DVector<f64>,
    ) -> DMatrix<f64> {
        if self.change.is_some() {
            return self.differences(z, residuals);
        }
        let mut jacobian = DMatrix::zeros(residuals.len(), z.len());
        let life = self.life(z.as_slice());
        let surprises = self.surprises(z.as_slice());
        let readings = Readings::new(self, z.as_slice(), &life, course, residuals);
        let lives: Vec<usize> = (0..LIFE).filter(|index| !self.idle(*index)).collect();
        let knots: Vec<usize> = (ALL..ALL + self.frame.knots.len()).collect();
        let of_lives = lives.chunks(LANES).map(|chunk| {
            let lives = chunk.iter().map(|index| self.life(&moved(z, *index))).collect();
            Columns::of_lives(&life, lives, STEP)
        });
        let of_knots = knots.chunks(LANES).map(|chunk| self.columns_of(chunk));
        let columns: Vec<Columns> = of_lives.chain(of_knots).collect();
        let whole = !readings.curved.is_empty();
        let traces = carried(&self.frame, &life, &surprises, &course.states, &columns, whole);
        for (chunk, trace) in lives.chunks(LANES).chain(knots.chunks(LANES)).zip(&traces) {
            readings.write(trace, chunk, &mut jacobian);
        }
        for index in &lives {
            readings.write_direct(z, *index, &mut jacobian);
        }
        for index in (LIFE..z.len()).filter(|index| self.only_observed(*index) && !self.idle(*index)) {
            let there = moved(z, index);
            let there = if index < ALL {
                self.residuals(&there, course)
            } else {
                self.residuals_of(&life, &there, course)
            };
            for (row, (there, here)) in there.iter().zip(residuals.iter()).enumerate() {
                jacobian[(row, index)] = (there - here) / STEP;
            }
        }
        for slope in jacobian.iter_mut().filter(|slope| !slope.is_finite()) {
            *slope = 0.0;
        }
        jacobian
    }

    /// The same by differences of whole courses: the carried derivatives know of no change. Slow, and seldom asked for.
    fn differences(&self, z: &DVector<f64>, residuals: &DVector<f64>) -> DMatrix<f64> {
        let mut jacobian = DMatrix::zeros(residuals.len(), z.len());
        for index in (0..z.len()).filter(|index| !self.idle(*index)) {
            let there = moved(z, index);
            let shown = self.residuals(&there, &self.course(&there, None));
            for (row, (there, here)) in shown.iter().zip(residuals.iter()).enumerate() {
                let slope = (there - here) / STEP;
                jacobian[(row, index)] = if slope.is_finite() { slope } else { 0.0 };
            }
        }
        jacobian
    }

    /// Numbers of the discrepancy's knots. A knot acts from the knot before it on.
    fn columns_of(&self, chunk: &[usize]) -> Columns {
        let mut knots = vec![[0.0; LANES]; self.frame.knots.len()];
        let mut alone = vec![0.0; self.frame.knots.len()];
        for (lane, index) in chunk.iter().enumerate() {
            alone[index - ALL] = 1.0;
            for (lanes, value) in knots.iter_mut().zip(self.frame.surprises(&alone)) {
                lanes[lane] = value;
            }
            alone[index - ALL] = 0.0;
        }
        let from = chunk
            .first()
            .and_then(|index| self.frame.knots.get((index - ALL).checked_sub(1)?))
            .map_or(0, |from_h| {
                let after = self.frame.nodes.partition_point(|h| h <= from_h);
                after.saturating_sub(1)
            });
        Columns::of_knots(knots, from)
    }
}

/// The point with one number moved.
fn moved(z: &DVector<f64>, index: usize) -> Vec<f64> {
    let mut z = z.as_slice().to_vec();
    z[index] += STEP;
    z
}

/// A reading that is no straight line in the pressure: how it moves with what it reads of the two nodes around it.
struct Curved {
    row: usize,
    by: [[f64; State::SEEN]; 2],
}

/// How the residuals move with the states.
struct Readings<'a> {
    problem: &'a Problem,
    course: &'a Course,
    residuals: &'a DVector<f64>,
    gain: f64,
    air: Vec<f64>,
    curved: Vec<Curved>,
}

impl<'a> Readings<'a> {
    fn new(
        problem: &'a Problem,
        z: &[f64],
        life: &Life,
        course: &'a Course,
        residuals: &'a DVector<f64>,
    ) -> Self {
        let p = Parameters::of(z, &problem.frame.known);
        let air = problem.air(z);
        let curves = problem.data.iter().any(|datum| !straight(datum));
        let mut nudged = Course {
            states: if curves { course.states.clone() } else { Vec::new() },
        };
        let mut curved = Vec::new();
        for (row, datum) in problem
            .data
            .iter()
            .enumerate()
            .filter(|(_, datum)| !straight(datum))
        {
            let mut by = [[0.0; State::SEEN]; 2];
            for (next, by) in by.iter_mut().enumerate() {
                let node = datum.node + next;
                let Some(state) = course.states.get(node) else {
                    continue;
                };
                for (field, by) in by
                    .iter_mut()
                    .enumerate()
                    .filter(|(field, _)| reads(datum, *field))
                {
                    let (there, step) = state.nudged(field);
                    nudged.states[node] = there;
                    *by = (problem.residual(datum, &p, &air, life, &nudged) - residuals[row]) / step;
                }
                nudged.states[node] = *state;
            }
            curved.push(Curved { row, by });
        }
        Self {
            problem,
            course,
            residuals,
            gain: p.gain,
            air,
            curved,
        }
    }

    /// The columns of some numbers whose effect on the states is given.
    fn write(&self, trace: &Trace, indices: &[usize], jacobian: &mut DMatrix<f64>) {
        for (row, datum) in self
            .problem
            .data
            .iter()
            .enumerate()
            .filter(|(_, datum)| straight(datum))
        {
            let Some(low) = trace.bar.get(datum.node) else {
                continue;
            };
            let high = trace.bar.get(datum.node + 1).unwrap_or(low);
            let factor = self.gain / datum.scale;
            for (lane, index) in indices.iter().enumerate() {
                let bar = low[lane] + (high[lane] - low[lane]) * datum.part;
                jacobian[(row, *index)] = bar * factor;
            }
        }
        for curved in &self.curved {
            let mut sum: Lanes = [0.0; LANES];
            let node = self.problem.data[curved.row].node;
            for (next, by) in curved.by.iter().enumerate() {
                let (Some(bar), Some(rest)) = (trace.bar.get(node + next), trace.rest.get(node + next))
                else {
                    continue;
                };
                for (field, by) in std::iter::once(bar).chain(rest).zip(by) {
                    for (sum, field) in sum.iter_mut().zip(field) {
                        *sum += field * by;
                    }
                }
            }
            for (lane, index) in indices.iter().enumerate() {
                jacobian[(curved.row, *index)] = sum[lane];
            }
        }
    }

    /// What a number does to readings beside what it does to the states.
    fn write_direct(&self, z: &DVector<f64>, index: usize, jacobian: &mut DMatrix<f64>) {
        // Only what is told of a bottle of the batch, not of the sensor vessel, asks for more of a life.
        let asks = |curved: &&Curved| index == CO2 || self.problem.data[curved.row].kind == Kind::Content;
        let mut asking = self.curved.iter().filter(asks).peekable();
        if asking.peek().is_none() {
            return;
        }
        let moved = &moved(z, index);
        let p = Parameters::of(moved, &self.problem.frame.known);
        let life = self.problem.life(moved);
        for Curved { row, .. } in asking {
            let datum = &self.problem.data[*row];
            let there = self.problem.residual(datum, &p, &self.air, &life, self.course);
            jacobian[(*row, index)] += (there - self.residuals[*row]) / STEP;
        }
    }
}

/// Whether an observation reads a field of the state, as [`State::nudged`] counts them.
fn reads(datum: &Datum, field: usize) -> bool {
    match datum.kind {
        Kind::Gauge | Kind::Absolute | Kind::ByEye | Kind::Squeezed => field == 0,
        Kind::Gravity | Kind::Hydrometer { .. } => (1..=4).contains(&field),
        Kind::Content => (1..=3).contains(&field),
    }
}

fn straight(datum: &Datum) -> bool {
    matches!(datum.kind, Kind::Gauge | Kind::Absolute) && datum.noisy()
}
