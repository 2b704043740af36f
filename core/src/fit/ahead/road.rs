//! Past and future of a member: when it comes to the target, when to move it, when it passes the limit, and what pictures show.

use super::{
    AFTER_MOVE_H,
    worst::{Stretch, Worst},
};
use crate::abreast::{ABREAST, Abreast, Real, Row, in_row};
use crate::fit::{
    course::Course,
    frame::Frame,
    knots::between,
    life::{Life, State},
};

/// Past and future of one member on one line of nodes.
pub(super) struct Road<'a> {
    pub(super) frame: &'a Frame,
    pub(super) life: &'a Life,
    /// The same life at every place of a row.
    pub(super) lives: &'a Life<Row>,
    pub(super) course: &'a Course,
    pub(super) path: &'a [State],
    pub(super) times: &'a [f64],
    pub(super) celsius: &'a [f64],
    /// The discrepancy on the log rate, at the knots of the past and at the nodes of the future.
    pub(super) surprises: &'a [f64],
    pub(super) rates: &'a [f64],
}

impl Road<'_> {
    fn past(&self) -> usize {
        self.frame.nodes.len()
    }

    /// Node of the present.
    pub(super) fn present(&self) -> usize {
        self.past() - 1
    }

    pub(super) fn len(&self) -> usize {
        self.past() + self.path.len().saturating_sub(1)
    }

    pub(super) fn state(&self, node: usize) -> State {
        self.known(node)
            .copied()
            .unwrap_or_else(|| self.life.start(self.frame))
    }

    fn known(&self, node: usize) -> Option<&State> {
        if node < self.past() {
            self.course.states.get(node)
        } else {
            self.path.get(node + 1 - self.past())
        }
    }

    fn hour(&self, node: usize) -> f64 {
        let h = if node < self.past() {
            self.frame.nodes.get(node)
        } else {
            self.times.get(node + 1 - self.past())
        };
        h.copied().unwrap_or(f64::INFINITY)
    }

    fn celsius(&self, node: usize) -> f64 {
        if node < self.past() {
            self.frame.climate.felt(node, self.life.p.probe)
        } else {
            self.celsius.get(node + 1 - self.past()).copied().unwrap_or(20.0)
        }
    }

    fn surprise(&self, node: usize) -> f64 {
        let log = if node < self.past() {
            self.frame.surprise_at(self.surprises, self.hour(node))
        } else {
            self.rates.get(node + 1 - self.past()).copied().unwrap_or(0.0)
        };
        log.exp()
    }

    /// All CO2 72 h after a move to the fridge made at each of some nodes.
    fn chilled_from(&self, nodes: [usize; ABREAST]) -> [f64; ABREAST] {
        let (frame, lives) = (self.frame, self.lives);
        let states = nodes.map(|node| self.state(node));
        let mut state = State::abreast(states.each_ref());
        let from = Row(nodes.map(|node| self.celsius(node)));
        // The rate's factor goes with it: three days are short beside its memory.
        let surprise = Row(nodes.map(|node| self.surprise(node)));
        let mut before = frame.climate.cooling(from, 0.0, lives.p.cools_h);
        let mut gone = 0.0;
        while gone < AFTER_MOVE_H {
            let dt = if gone < 12.0 { 0.5 } else { 3.0 };
            let celsius = frame.climate.cooling(from, gone + dt, lives.p.cools_h);
            state = if self.life.leaks_through_wall() {
                lives.tight_step(frame, &state, [before, celsius], dt, surprise)
            } else {
                lives.brewed(frame, &state, lives.warmth(before, celsius), dt, surprise)
            };
            before = celsius;
            gone += dt;
        }
        lives.all(frame, &state).0
    }

    /// When a move to the fridge ends at all the CO2 that is `wanted`, no later than at the node `by` if that is told; and all of it
    /// after one at the node `soon`.
    ///
    /// What a move ends at only rises with its time, and is dear: by steps back from there, then by ever narrower sections.
    pub(super) fn move_for(&self, wanted: f64, by: Option<usize>, soon: usize) -> (f64, f64) {
        let last = by.unwrap_or(self.len() - 1);
        let excess = |nodes: [usize; ABREAST]| self.chilled_from(nodes).map(|all| all - wanted);
        // The first row ends with the node that is asked for.
        let back = |place: u32| last.saturating_sub(4 * (usize::pow(2, place) - 1));
        let mut nodes = by_places(back);
        nodes[ABREAST - 1] = soon;
        let all = self.chilled_from(nodes);
        let after_soon = all[ABREAST - 1];
        if all[0] < wanted {
            // Through a plastic wall CO2 may go again.
            let move_h = by.map_or(f64::INFINITY, |_| self.move_for(wanted, None, soon).0);
            return (move_h, after_soon);
        }
        let mut known: Vec<(usize, f64)> = nodes
            .into_iter()
            .zip(all)
            .map(|(node, all)| (node, all - wanted))
            .collect();
        known.pop();
        let mut stride = 4 << (ABREAST - 1);
        let (mut low, mut high) = loop {
            let below = known.windows(2).find(|pair| pair[1].1 < 0.0);
            if let Some(pair) = below {
                break (pair[1], pair[0]);
            }
            let from = *known.last().unwrap_or(&(0, 0.0));
            if from.0 == 0 {
                return (0.0, after_soon);
            }
            let back = by_places(|place| from.0.saturating_sub(stride * (usize::pow(2, place + 1) - 1)));
            known = vec![from];
            known.extend(back.into_iter().zip(excess(back)));
            stride <<= ABREAST;
        };
        while high.0 - low.0 > 1 {
            let span = high.0 - low.0;
            let between = std::array::from_fn(|place| low.0 + (span * (place + 1) / (ABREAST + 1)).max(1));
            for found in between.into_iter().zip(excess(between)) {
                if found.1 >= 0.0 {
                    high = found;
                    break;
                }
                low = found;
            }
        }
        (self.crossing(high.0, low.1, high.1), after_soon)
    }

    /// Node and hours at which `excess` first rises through zero, node by node.
    pub(super) fn first(&self, excess: impl Fn(usize) -> f64) -> (Option<usize>, f64) {
        let mut before = excess(0);
        if before >= 0.0 {
            return (Some(0), 0.0);
        }
        for node in 1..self.len() {
            let here = excess(node);
            if here >= 0.0 {
                return (Some(node), self.crossing(node, before, here));
            }
            before = here;
        }
        (None, f64::INFINITY)
    }

    fn crossing(&self, node: usize, before: f64, here: f64) -> f64 {
        let (h0, h1) = (self.hour(node - 1), self.hour(node));
        h0 + (h1 - h0) * (-before / (here - before)).clamp(0.0, 1.0)
    }

    /// When the worst bottle first exceeds the limit: the past by the warmest node of every few hours, the future by the judged
    /// nodes and, once one of them is over, those before it.
    pub(super) fn first_over_limit(
        &self,
        worst: &Worst<'_>,
        path: &[State],
        judged: &[usize],
        highest: f64,
    ) -> f64 {
        const WINDOW_H: f64 = 3.0;
        const TOGETHER: usize = 8;
        let limit = self.frame.limit_bar;
        let ends = [self.state(0), self.state(self.present())];
        let whole = Stretch {
            ends: ends.each_ref(),
            hottest: self.frame.climate.past.iter().copied().fold(f64::MIN, f64::max),
        };
        // After a venting the last state does not hold the most.
        let never_over = self.frame.ventings.is_empty() && worst.bounds(&[whole])[0] <= limit;
        let mut warmest = Vec::new();
        let mut node = if never_over { self.past() } else { 0 };
        while node < self.past() {
            let window = self.hour(node) + WINDOW_H;
            let end = self.frame.nodes.partition_point(|h| *h < window).max(node + 1);
            warmest.extend((node..end).max_by(|a, b| self.celsius(*a).total_cmp(&self.celsius(*b))));
            node = end;
        }
        for some in warmest.chunks(ABREAST) {
            let states: Vec<State> = some.iter().map(|node| self.state(*node)).collect();
            let at: Vec<_> = states
                .iter()
                .zip(some)
                .map(|(state, node)| (state, self.celsius(*node)))
                .collect();
            if let Some(over) = worst.each(&at).iter().position(|bar| *bar > limit) {
                return self.hour(some[over]);
            }
        }
        if highest <= limit {
            return f64::INFINITY;
        }
        let first_of = |nodes: &[usize]| {
            let states: Vec<_> = nodes
                .iter()
                .map(|node| (&path[*node], self.celsius[*node]))
                .collect();
            worst.each(&states).iter().position(|bar| *bar > limit)
        };
        let mut over = None;
        'blocks: for (row, blocks) in judged.chunks(TOGETHER * ABREAST).enumerate() {
            let stretches: Vec<Stretch<'_>> = blocks
                .chunks(TOGETHER)
                .map(|some| Stretch {
                    ends: [&path[some[0]], &path[some[some.len() - 1]]],
                    hottest: some
                        .iter()
                        .map(|node| self.celsius[*node])
                        .fold(f64::MIN, f64::max),
                })
                .collect();
            let bounds = worst.bounds(&stretches);
            for (block, (some, bound)) in blocks.chunks(TOGETHER).zip(bounds).enumerate() {
                // What is not a number is no bound.
                let calm = bound <= limit;
                let first = if calm { None } else { first_of(some) };
                if let Some(first) = first {
                    over = Some((row * ABREAST + block) * TOGETHER + first);
                    break 'blocks;
                }
            }
        }
        let Some(over) = over else {
            return f64::INFINITY;
        };
        let last = judged.get(over).copied().unwrap_or(0);
        let sound = over.checked_sub(1).and_then(|i| judged.get(i)).map_or(0, |i| *i);
        let between: Vec<usize> = (sound + 1..last).collect();
        let first = first_of(&between).map_or(last, |place| between[place]);
        match (self.times.get(first.wrapping_sub(1)), self.times.get(first)) {
            (Some(before), Some(h)) => 0.5 * (before + h),
            (None, Some(h)) => *h,
            _ => f64::INFINITY,
        }
    }

    /// Content and worst bottle at some hours.
    pub(super) fn shown(&self, hours: &[f64], worst: &Worst<'_>, contents: &Contents) -> Vec<(f64, f64)> {
        let now_h = self.hour(self.present());
        let node = |h: &f64| {
            if *h <= now_h {
                self.frame.nodes.partition_point(|t| t < h).min(self.present())
            } else {
                self.present() + self.times.partition_point(|t| t < h).min(self.path.len() - 1)
            }
        };
        let start = self.life.start(self.frame);
        let states: Vec<(&State, f64)> = hours
            .iter()
            .map(node)
            .map(|node| (self.known(node).unwrap_or(&start), self.celsius(node)))
            .collect();
        let bars = worst.each(&states);
        let contents = states
            .iter()
            .map(|(state, _)| contents.at(self.life.all(self.frame, state)));
        contents.zip(bars).collect()
    }
}

/// Content in the target's sense by all the CO2 in a bottle, read from a few points of a nearly straight line.
pub(super) struct Contents {
    step: f64,
    values: Vec<f64>,
}

impl Contents {
    pub(super) fn new(lives: &Life<Row>, frame: &Frame, path: &[State]) -> Self {
        let most = path
            .last()
            .map_or(0.0, |state| Life::at(lives, 0).all(frame, state))
            .max(1.0);
        let step = most / 8.0;
        let mut values = vec![lives.content_of(frame, Row::of(0.0)).0[0]];
        let points = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0].map(|point| step * point);
        for some in points.chunks(ABREAST) {
            let row = Row(in_row(some).map(|point| *point));
            values.extend(lives.content_of(frame, row).0.into_iter().take(some.len()));
        }
        Self { step, values }
    }

    fn at(&self, all: f64) -> f64 {
        between(&self.values, self.step, all)
    }
}

fn by_places(of: impl Fn(u32) -> usize) -> [usize; ABREAST] {
    let mut out = [0; ABREAST];
    for (place, out) in (0..).zip(&mut out) {
        *out = of(place);
    }
    out
}
