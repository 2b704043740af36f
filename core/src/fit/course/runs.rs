//! Points run from the sealing to the present: alone, like another up to a node, or some of them abreast.

use nalgebra::DVector;

use super::{Change, Course, Problem};
use crate::{
    abreast::{ABREAST, Abreast, Real, Row, in_row},
    fit::life::{Life, State},
};

impl Problem {
    /// Course and residuals of a point.
    pub(in crate::fit) fn shown_at(&self, z: &DVector<f64>) -> (Course, DVector<f64>) {
        let life = self.life(z.as_slice());
        let course = self.course_of(&life, z.as_slice(), None);
        let residuals = DVector::from_vec(self.residuals_of(&life, z.as_slice(), &course));
        (course, residuals)
    }

    /// The same of some points, bit for bit, at less than half the cost.
    pub(in crate::fit) fn shown_at_each(&self, points: &[DVector<f64>]) -> Vec<(Course, DVector<f64>)> {
        let points: Vec<&[f64]> = points.iter().map(DVector::as_slice).collect();
        let lives: Vec<Life> = points.iter().map(|z| self.life(z)).collect();
        let courses = self.courses_of(&lives, &points);
        let shown = |((course, life), z): ((Course, &Life), &&[f64])| {
            let residuals = DVector::from_vec(self.residuals_of(life, z, &course));
            (course, residuals)
        };
        courses.into_iter().zip(&lives).zip(&points).map(shown).collect()
    }

    /// Whole courses of some points.
    pub(in crate::fit) fn courses(&self, points: &[Vec<f64>]) -> Vec<Course> {
        let points: Vec<&[f64]> = points.iter().map(Vec::as_slice).collect();
        let lives: Vec<Life> = points.iter().map(|z| self.life(z)).collect();
        self.courses_of(&lives, &points)
    }

    /// The same of points whose lives are given.
    fn courses_of(&self, lives: &[Life], points: &[&[f64]]) -> Vec<Course> {
        let mut out = Vec::with_capacity(points.len());
        for (lives, points) in lives.chunks(ABREAST).zip(points.chunks(ABREAST)) {
            match (lives, points) {
                ([life], [z]) => out.push(self.course_of(life, z, None)),
                _ if self.change.is_some() => {
                    let alone = lives.iter().zip(points);
                    out.extend(alone.map(|(life, z)| self.course_of(life, z, None)));
                }
                _ => {
                    let courses = self.courses_abreast(in_row(lives), in_row(points));
                    out.extend(courses.into_iter().take(points.len()));
                }
            }
        }
        out
    }

    /// Courses of a row of lives, which no change concerns.
    fn courses_abreast(&self, lives: [&Life; ABREAST], points: [&&[f64]; ABREAST]) -> [Course; ABREAST] {
        let frame = &self.frame;
        let surprises = points.map(|z| self.surprises(z));
        let rows = Life::abreast(lives);
        let starts = lives.map(|life| life.start(frame));
        let mut state = State::abreast(starts.each_ref());
        let mut courses = starts.map(|start| {
            let mut states = Vec::with_capacity(frame.nodes.len());
            states.push(start);
            Course { states }
        });
        let mut before = frame.climate.felt(0, rows.p.probe);
        for (node, hours) in (1..).zip(frame.nodes.windows(2)) {
            let celsius = frame.climate.felt(node, rows.p.probe);
            let surprise = Row::by_place(|place| frame.surprise_into(&surprises[place], node)).e_to();
            state = rows.tight_step(frame, &state, [before, celsius], hours[1] - hours[0], surprise);
            if frame.ventings.contains(&node) {
                let vented: [State; ABREAST] = std::array::from_fn(|row| {
                    lives[row].vented(frame, &State::at(&state, row), Abreast::at(&celsius, row))
                });
                state = State::abreast(vented.each_ref());
            }
            for (row, course) in courses.iter_mut().enumerate() {
                course.states.push(State::at(&state, row));
            }
            before = celsius;
        }
        courses
    }

    /// The whole course of a point; `like`: a course that is the same up to the given node.
    pub(in crate::fit) fn course(&self, z: &[f64], like: Option<(&Course, usize)>) -> Course {
        self.course_of(&self.life(z), z, like)
    }

    /// The same of a point whose life is given.
    fn course_of(&self, life: &Life, z: &[f64], like: Option<(&Course, usize)>) -> Course {
        let frame = &self.frame;
        let surprises = self.surprises(z);
        let n = frame.nodes.len();
        let mut states = Vec::with_capacity(n);
        if let Some((course, node)) = like {
            states.extend_from_slice(course.states.get(..=node).unwrap_or_default());
        }
        let celsius_at = |node: usize| frame.climate.felt(node, life.p.probe);
        if states.is_empty() {
            states.push(life.start(frame));
        }
        let mut before = celsius_at(states.len() - 1);
        while states.len() < n {
            let node = states.len();
            let (Some(h1), Some(h0), Some(state)) =
                (frame.nodes.get(node), frame.nodes.get(node - 1), states.last())
            else {
                break;
            };
            let celsius = [before, celsius_at(node)];
            let surprise = frame.surprise_into(&surprises, node).e_to();
            let mut next = match self.change.filter(|(from, _)| *from < node) {
                Some((_, Change::Leak(leak))) => {
                    life.step(frame, &state.leaking(leak), celsius, h1 - h0, surprise)
                }
                Some((_, Change::Slower(fall))) => {
                    life.step(frame, state, celsius, h1 - h0, surprise * (-fall).exp())
                }
                None => life.step(frame, state, celsius, h1 - h0, surprise),
            };
            if frame.ventings.contains(&node) {
                next = life.vented(frame, &next, celsius[1]);
            }
            states.push(next);
            before = celsius[1];
        }
        Course { states }
    }
}
