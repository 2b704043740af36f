//! A life from the present on: in the room, in the fridge, forgotten.

use super::{
    asleep::Asleep,
    climate::{RoomAt, between},
    course::{Course, Problem},
    frame::Frame,
    life::{Life, State},
};
use crate::quantity::GRAMS_PER_LITRE_PER_VOLUME;

/// Days ahead.
pub(super) const HORIZON_H: f64 = 60.0 * 24.0;

/// What "after the move" means, h.
const AFTER_MOVE_H: f64 = 72.0;

/// Hours over which a gain is told.
const GAIN_H: f64 = 36.0;

/// Hours ahead that the pictures show.
const SHOWN_H: f64 = 120.0;

/// What one member says. Times in hours since sealing, infinite when not within the horizon.
#[derive(Clone, Debug)]
pub(super) struct Future {
    pub(super) content_now: f64,
    pub(super) target_h: f64,
    pub(super) move_h: f64,
    pub(super) limit_h: f64,
    pub(super) forgotten_bar: [f64; 2],
    pub(super) forgotten_content: [f64; 2],
    pub(super) forgotten_alcohol: [f64; 2],
    pub(super) after_move_now: f64,
    pub(super) worst_now: f64,
    pub(super) worst_24h: f64,
    pub(super) gauge_now: f64,
    pub(super) rate: f64,
    /// Content gained in the last [`GAIN_H`], volumes.
    pub(super) gained: f64,
    /// For how long the culture sleeps after the cold, h.
    pub(super) asleep_h: f64,
    /// Content (g/L) and worst bottle (bar gauge) at the times of [`shown_hours`].
    pub(super) shown: Vec<(f64, f64)>,
}

/// Nodes of the future, from the present to the horizon.
fn nodes(now_h: f64) -> Vec<f64> {
    let mut out = vec![now_h];
    let mut ahead = 0.0;
    while ahead < HORIZON_H {
        ahead += if ahead < 24.0 {
            0.5
        } else if ahead < CLOSE_H {
            1.0
        } else if ahead < 240.0 {
            2.0
        } else {
            4.0
        };
        out.push(now_h + ahead);
    }
    out
}

/// Times of the pictures' points: some fifty of the past, then every three hours for five days.
fn shown_hours(now_h: f64) -> Vec<f64> {
    let past = (now_h / 2.0).clamp(1.0, 48.0).floor();
    let mut out = Vec::new();
    let mut index = 0.0;
    while index < past {
        out.push(now_h * index / past);
        index += 1.0;
    }
    let mut ahead = 0.0;
    while ahead <= SHOWN_H {
        out.push(now_h + ahead);
        ahead += 3.0;
    }
    out
}

/// Hours ahead for which the worst bottle is reckoned at every node; later only where the day is warmest.
const CLOSE_H: f64 = 72.0;

/// Where all members are run to, and looked at on the way.
pub(super) struct Nodes {
    /// Hours since sealing, the present first.
    times: Vec<f64>,
    /// Times of the pictures' points.
    pub(super) shown: Vec<f64>,
    room: Vec<RoomAt>,
}

impl Nodes {
    pub(super) fn new(frame: &Frame, now_h: f64) -> Self {
        let times = nodes(now_h);
        Self {
            room: frame.climate.room_at(&times),
            shown: shown_hours(now_h),
            times,
        }
    }
}

/// Runs one member ahead; `asleep` if it comes from the cold.
pub(super) fn future(
    problem: &Problem,
    (z, course): (&[f64], &Course),
    Nodes { times, shown, room }: &Nodes,
    asleep: Option<Asleep>,
    [surprises_ahead, room_ahead]: [&mut dyn FnMut() -> f64; 2],
) -> Future {
    let frame = &problem.frame;
    let life = problem.life(z);
    let now_h = frame.nodes.last().copied().unwrap_or(0.0);
    let surprises = problem.surprises(z);
    let last = frame.surprise_at(&surprises, now_h);
    let mut rates = Frame::surprises_ahead(last, surprises_ahead, times);
    let celsius: Vec<f64> = if frame.climate.chilled {
        let last = frame.climate.past.len().saturating_sub(1);
        let from = frame.climate.felt(last, life.p.probe);
        times
            .iter()
            .map(|h| frame.climate.cooling(from, h - now_h, life.p.cools_h))
            .collect()
    } else {
        frame.climate.room_ahead(room, life.p.probe, room_ahead)
    };
    let asleep_h = asleep.map_or(0.0, |asleep| {
        let [delay, _] = rates
            .each_mut()
            .map(|rates| asleep.hold_back(&life, times, &celsius, rates));
        delay
    });
    let start = course.states.last().copied().unwrap_or_else(|| life.start(frame));
    let all_sugar = Life::new(life.p, frame, true);
    let [path, greedy] = run([&life, &all_sugar], frame, start, times, &celsius, &rates);

    let road = Road {
        frame,
        life: &life,
        course,
        path: &path,
        times,
        celsius: &celsius,
        surprises: &surprises,
        rates: &rates[0],
    };
    let wanted = life.all_at_target(frame);
    let worst = Worst {
        frame,
        life: &life,
        celsius: &celsius,
    };
    let judged = judged(times, &celsius);
    let within_a_day = times.partition_point(|h| *h <= now_h + 24.0);
    let day: Vec<usize> = (0..within_a_day).collect();
    let highest = [worst.highest(&path, &judged), worst.highest(&greedy, &judged)];
    let contents = Contents::new(&life, frame, &greedy);
    let (target, target_h) = road.first(|node| life.all(frame, &road.state(node)) - wanted);
    let end = path.last().copied().unwrap_or(start);
    let greedy_end = greedy.last().copied().unwrap_or(end);
    Future {
        content_now: life.content(frame, &start),
        target_h,
        move_h: if frame.climate.chilled {
            f64::INFINITY
        } else {
            road.rising(target, &|node| road.chilled_from(node) - wanted)
        },
        limit_h: road.first_over_limit(&worst, &greedy, &judged, highest[1]),
        forgotten_bar: highest,
        forgotten_content: [life.content(frame, &end), all_sugar.content(frame, &greedy_end)],
        forgotten_alcohol: [life.alcohol(frame, &end), all_sugar.alcohol(frame, &greedy_end)],
        after_move_now: {
            // The node half an hour on: a person takes as long to carry the bottles, and the rule waits for a second evaluation.
            let node = (road.present() + 1).min(road.len().saturating_sub(1));
            let all = if frame.climate.chilled {
                life.all(frame, &path_at(&path, times, now_h + AFTER_MOVE_H))
            } else {
                road.chilled_from(node)
            };
            life.content_of(frame, all)
        },
        worst_now: worst.at(&start, celsius.first().copied().unwrap_or(20.0)),
        worst_24h: worst.highest(&greedy, &day),
        gauge_now: problem.gauge_now(z, course),
        rate: start.rate / GRAMS_PER_LITRE_PER_VOLUME,
        gained: {
            let node = frame.nodes.partition_point(|h| *h < now_h - GAIN_H);
            let before = course.states.get(node).unwrap_or(&start);
            (life.content(frame, &start) - life.content(frame, before)) / GRAMS_PER_LITRE_PER_VOLUME
        },
        asleep_h,
        shown: shown.iter().map(|h| road.shown(*h, &contents)).collect(),
    }
}

fn path_at(path: &[State], times: &[f64], h: f64) -> State {
    let node = times
        .partition_point(|t| *t < h)
        .min(path.len().saturating_sub(1));
    path.get(node).copied().unwrap_or_else(|| path[0])
}

/// Two lives that differ in their sugar alone, each with its own rates, on one line of nodes.
fn run(
    lives: [&Life; 2],
    frame: &Frame,
    start: State,
    times: &[f64],
    celsius: &[f64],
    rates: &[Vec<f64>; 2],
) -> [Vec<State>; 2] {
    let mut out = [(); 2].map(|()| Vec::with_capacity(times.len()));
    let mut states = [start; 2];
    out.iter_mut().for_each(|path| path.push(start));
    let [likely, worst] = rates;
    let rates = likely.windows(2).zip(worst.windows(2));
    for ((pair, warm), (likely, worst)) in times.windows(2).zip(celsius.windows(2)).zip(rates) {
        let ([h0, h1], [c0, c1]) = (pair, warm) else {
            break;
        };
        let surprises = [likely, worst].map(|rates| (0.5 * rates.iter().sum::<f64>()).exp());
        let warmth = lives[0].warmth(*c0, *c1);
        // The culture adapts the same with more sugar.
        let growing = lives[0].growing(&states[0], warmth);
        for (((life, state), path), surprise) in lives.iter().zip(&mut states).zip(&mut out).zip(surprises) {
            *state = if life.leaks_through_wall() {
                life.step(frame, state, [*c0, *c1], h1 - h0, surprise)
            } else {
                life.brewed_growing(frame, state, [warmth, growing], h1 - h0, surprise)
            };
            path.push(*state);
        }
    }
    out
}

/// The worst bottle of a member at the nodes of the future.
struct Worst<'a> {
    frame: &'a Frame,
    life: &'a Life,
    celsius: &'a [f64],
}

impl Worst<'_> {
    /// Gauge pressure at equilibrium, bar.
    fn at(&self, state: &State, celsius: f64) -> f64 {
        self.life.worst_bar(self.frame, state, celsius) - self.frame.ambient_bar
    }

    /// The highest at some nodes of a path. CO2 only becomes more (unless it seeps away): a node before a warmer one is passed over.
    fn highest(&self, path: &[State], nodes: &[usize]) -> f64 {
        let seeps = self.life.leaks_through_wall();
        let mut hottest = f64::MIN;
        let mut highest = f64::MIN;
        for (place, node) in nodes.iter().enumerate().rev() {
            if seeps || self.celsius[*node] > hottest || place == 0 {
                hottest = hottest.max(self.celsius[*node]);
                highest = highest.max(self.at(&path[*node], self.celsius[*node]));
            }
        }
        highest
    }

    /// Whether it stays below `limit` at all of some states, by a bound: the gas of the last with the sugar and oxygen of the first at
    /// the highest temperature.
    fn surely_below(&self, limit: f64, states: [&State; 2], celsius: impl Iterator<Item = f64>) -> bool {
        let hottest = celsius.fold(f64::MIN, f64::max);
        let bound = self.life.worst_bar_between(self.frame, states, hottest) - self.frame.ambient_bar;
        !self.life.leaks_through_wall() && bound <= limit
    }
}

/// Past and future of one member on one line of nodes.
struct Road<'a> {
    frame: &'a Frame,
    life: &'a Life,
    course: &'a Course,
    path: &'a [State],
    times: &'a [f64],
    celsius: &'a [f64],
    /// The discrepancy on the log rate, at the knots of the past and at the nodes of the future.
    surprises: &'a [f64],
    rates: &'a [f64],
}

impl Road<'_> {
    fn past(&self) -> usize {
        self.frame.nodes.len()
    }

    /// Node of the present.
    fn present(&self) -> usize {
        self.past() - 1
    }

    fn len(&self) -> usize {
        self.past() + self.path.len().saturating_sub(1)
    }

    fn state(&self, node: usize) -> State {
        let state = if node < self.past() {
            self.course.states.get(node)
        } else {
            self.path.get(node + 1 - self.past())
        };
        state.copied().unwrap_or_else(|| self.life.start(self.frame))
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

    /// All CO2 72 h after a move to the fridge made at `node`.
    fn chilled_from(&self, node: usize) -> f64 {
        let mut state = self.state(node);
        let from = self.celsius(node);
        // The rate's factor goes with it: three days are short beside its memory.
        let surprise = self.surprise(node);
        let mut gone = 0.0;
        while gone < AFTER_MOVE_H {
            let dt = if gone < 12.0 { 0.5 } else { 3.0 };
            let celsius = [gone, gone + dt].map(|h| self.frame.climate.cooling(from, h, self.life.p.cools_h));
            state = if self.life.leaks_through_wall() {
                self.life.step(self.frame, &state, celsius, dt, surprise)
            } else {
                let warmth = self.life.warmth(celsius[0], celsius[1]);
                self.life.brewed(self.frame, &state, warmth, dt, surprise)
            };
            gone += dt;
        }
        self.life.all(self.frame, &state)
    }

    /// Node and hours at which `excess` first rises through zero, node by node.
    fn first(&self, excess: impl Fn(usize) -> f64) -> (Option<usize>, f64) {
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

    /// The same for an `excess` that only rises and is dear, and is not below zero at node `by` if that is told: by steps back from
    /// there, then by bisection.
    fn rising(&self, by: Option<usize>, excess: &dyn Fn(usize) -> f64) -> f64 {
        let mut high = by.unwrap_or(self.len() - 1);
        let mut above = excess(high);
        if above < 0.0 {
            // Through a plastic wall CO2 may go again.
            return by.map_or(f64::INFINITY, |_| self.rising(None, excess));
        }
        let mut stride = 4;
        let (mut low, mut below) = loop {
            let low = high.saturating_sub(stride);
            let here = excess(low);
            if here < 0.0 {
                break (low, here);
            }
            if low == 0 {
                return 0.0;
            }
            (high, above) = (low, here);
            stride *= 2;
        };
        while high - low > 1 {
            let middle = low + (high - low) / 2;
            let here = excess(middle);
            if here >= 0.0 {
                (high, above) = (middle, here);
            } else {
                (low, below) = (middle, here);
            }
        }
        self.crossing(high, below, above)
    }

    fn crossing(&self, node: usize, before: f64, here: f64) -> f64 {
        let (h0, h1) = (self.hour(node - 1), self.hour(node));
        h0 + (h1 - h0) * (-before / (here - before)).clamp(0.0, 1.0)
    }

    /// When the worst bottle first exceeds the limit: the past by the warmest node of every few hours, the future by the judged
    /// nodes and, once one of them is over, those before it.
    fn first_over_limit(&self, worst: &Worst<'_>, path: &[State], judged: &[usize], highest: f64) -> f64 {
        const WINDOW_H: f64 = 3.0;
        const TOGETHER: usize = 8;
        let limit = self.frame.limit_bar;
        let ends = [self.state(0), self.state(self.present())];
        let warm = self.frame.climate.past.iter().copied();
        let vented = !self.frame.ventings.is_empty();
        let mut node = if !vented && worst.surely_below(limit, [&ends[0], &ends[1]], warm) {
            self.past()
        } else {
            0
        };
        while node < self.past() {
            let window = self.hour(node) + WINDOW_H;
            let end = self.frame.nodes.partition_point(|h| *h < window).max(node + 1);
            let warmest = (node..end).max_by(|a, b| self.celsius(*a).total_cmp(&self.celsius(*b)));
            if let Some(over) =
                warmest.filter(|node| worst.at(&self.state(*node), self.celsius(*node)) > limit)
            {
                return self.hour(over);
            }
            node = end;
        }
        if highest <= limit {
            return f64::INFINITY;
        }
        let ahead = |node: usize| worst.at(&path[node], self.celsius[node]);
        let calm = |some: &[usize]| {
            let warm = some.iter().map(|node| self.celsius[*node]);
            some.first()
                .zip(some.last())
                .is_some_and(|(first, last)| worst.surely_below(limit, [&path[*first], &path[*last]], warm))
        };
        let mut over = None;
        for (block, some) in judged
            .chunks(TOGETHER)
            .enumerate()
            .filter(|(_, some)| !calm(some))
        {
            over = some
                .iter()
                .position(|node| ahead(*node) > limit)
                .map(|i| block * TOGETHER + i);
            if over.is_some() {
                break;
            }
        }
        let Some(over) = over else {
            return f64::INFINITY;
        };
        let last = judged.get(over).copied().unwrap_or(0);
        let sound = over.checked_sub(1).and_then(|i| judged.get(i)).map_or(0, |i| *i);
        let first = (sound + 1..last)
            .find(|node| ahead(*node) > limit)
            .unwrap_or(last);
        match (self.times.get(first.wrapping_sub(1)), self.times.get(first)) {
            (Some(before), Some(h)) => 0.5 * (before + h),
            (None, Some(h)) => *h,
            _ => f64::INFINITY,
        }
    }

    fn shown(&self, h: f64, contents: &Contents) -> (f64, f64) {
        let now_h = self.hour(self.present());
        let node = if h <= now_h {
            self.frame.nodes.partition_point(|t| *t < h).min(self.present())
        } else {
            self.present() + self.times.partition_point(|t| *t < h).min(self.path.len() - 1)
        };
        let state = self.state(node);
        let worst = self.life.worst_bar(self.frame, &state, self.celsius(node)) - self.frame.ambient_bar;
        (contents.at(self.life.all(self.frame, &state)), worst)
    }
}

/// Nodes at which the worst bottle is reckoned: all that are close, then the warmest of each day, and the last.
fn judged(times: &[f64], celsius: &[f64]) -> Vec<usize> {
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

/// Content in the target's sense by all the CO2 in a bottle, read from a few points of a nearly straight line.
struct Contents {
    step: f64,
    values: Vec<f64>,
}

impl Contents {
    fn new(life: &Life, frame: &Frame, path: &[State]) -> Self {
        const POINTS: u32 = 8;
        let most = path.last().map_or(0.0, |state| life.all(frame, state)).max(1.0);
        let step = most / f64::from(POINTS);
        Self {
            step,
            values: (0..=POINTS)
                .map(|point| life.content_of(frame, step * f64::from(point)))
                .collect(),
        }
    }

    fn at(&self, all: f64) -> f64 {
        between(&self.values, self.step, all)
    }
}
