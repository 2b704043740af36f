//! The worst bottle of a batch on one member's way: fullest, and half a degree warmer than the rest.

use super::CLOSE_H;
use crate::abreast::{ABREAST, Abreast, Row, in_row};
use crate::fit::{
    frame::Frame,
    life::{Life, State},
};

/// The worst bottle of a member at the nodes of the future.
pub(super) struct Worst<'a> {
    pub(super) frame: &'a Frame,
    pub(super) life: &'a Life,
    /// The same life at every place of a row.
    pub(super) lives: &'a Life<Row>,
    pub(super) celsius: &'a [f64],
}

impl Worst<'_> {
    /// Gauge pressure at equilibrium, bar.
    pub(super) fn at(&self, state: &State, celsius: f64) -> f64 {
        self.life.worst_bar(self.frame, state, celsius) - self.frame.ambient_bar
    }

    /// The highest at some nodes of a path. CO2 only becomes more (unless it seeps away): a node before a warmer one is passed over.
    pub(super) fn highest(&self, path: &[State], nodes: &[usize]) -> f64 {
        let seeps = self.life.leaks_through_wall();
        let mut hottest = f64::MIN;
        let mut chosen = Vec::with_capacity(nodes.len());
        for (place, node) in nodes.iter().enumerate().rev() {
            if seeps || self.celsius[*node] > hottest || place == 0 {
                hottest = hottest.max(self.celsius[*node]);
                chosen.push((&path[*node], self.celsius[*node]));
            }
        }
        self.each(&chosen).into_iter().fold(f64::MIN, f64::max)
    }

    /// As [`Self::at`] of some states, each at its temperature.
    pub(super) fn each(&self, states: &[(&State, f64)]) -> Vec<f64> {
        let mut out = Vec::with_capacity(states.len());
        for some in states.chunks(ABREAST) {
            let row = in_row(some);
            let celsius = Row::by_place(|place| row[place].1);
            let states = State::abreast(row.map(|(state, _)| *state));
            let bars = self.lives.worst_bar(self.frame, &states, celsius) - self.frame.ambient_bar;
            out.extend(bars.0.into_iter().take(some.len()));
        }
        out
    }

    /// A bound that each stretch of states stays below: the gas of its last with the sugar and oxygen of its first, at its highest
    /// temperature. None holds where CO2 seeps away.
    pub(super) fn bounds(&self, stretches: &[Stretch<'_>]) -> Vec<f64> {
        if self.life.leaks_through_wall() {
            return vec![f64::INFINITY; stretches.len()];
        }
        let mut out = Vec::with_capacity(stretches.len());
        for some in stretches.chunks(ABREAST) {
            let row = in_row(some);
            let ends = [0, 1].map(|end| State::abreast(row.map(|stretch| stretch.ends[end])));
            let hottest = Row::by_place(|place| row[place].hottest);
            let bars = self.lives.worst_bar_between(self.frame, ends.each_ref(), hottest);
            out.extend((bars - self.frame.ambient_bar).0.into_iter().take(some.len()));
        }
        out
    }
}

/// States from one to another, and the highest temperature between.
pub(super) struct Stretch<'a> {
    pub(super) ends: [&'a State; 2],
    pub(super) hottest: f64,
}

/// Nodes at which the worst bottle is reckoned: all that are close, then the warmest of each day, and the last.
pub(super) fn judged(times: &[f64], celsius: &[f64]) -> Vec<usize> {
    let close = times.first().copied().unwrap_or(0.0) + CLOSE_H;
    let last = times.len().saturating_sub(1);
    (0..times.len())
        .filter(|node| {
            let around = |other: Option<&f64>| other.is_none_or(|other| celsius[*node] >= *other);
            times[*node] <= close
                || *node == last
                || (around(celsius.get(*node - 1)) && around(celsius.get(*node + 1)))
        })
        .collect()
}
