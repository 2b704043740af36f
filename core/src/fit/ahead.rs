//! A life from the present on: in the room, in the fridge, forgotten.

use super::{
    asleep::Asleep,
    climate::{RoomAt, between},
    course::{Course, Problem},
    frame::Frame,
    life::{Life, State},
};
use crate::{
    abreast::{ABREAST, Abreast, Real, Row},
    quantity::GRAMS_PER_LITRE_PER_VOLUME,
};

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

/// A member before it is run ahead.
pub(super) struct Member<'a> {
    z: &'a [f64],
    course: &'a Course,
    life: Life,
    all_sugar: Life,
    start: State,
    /// The discrepancy on the log rate, at the knots of the past, and at the nodes of the future as it is likely and at worst.
    surprises: Vec<f64>,
    rates: [Vec<f64>; 2],
    celsius: Vec<f64>,
    asleep_h: f64,
}

impl<'a> Member<'a> {
    /// With what it is to meet on its way; `asleep` if it comes from the cold.
    pub(super) fn new(
        problem: &Problem,
        (z, course): (&'a [f64], &'a Course),
        Nodes { times, room, .. }: &Nodes,
        asleep: Option<Asleep>,
        [surprises_ahead, room_ahead]: [&mut dyn FnMut() -> f64; 2],
    ) -> Self {
        let frame = &problem.frame;
        let life = problem.life(z);
        let now_h = problem.now_h();
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
        Self {
            z,
            course,
            all_sugar: Life::new(life.p, frame, true),
            start: course.states.last().copied().unwrap_or_else(|| life.start(frame)),
            life,
            surprises,
            rates,
            celsius,
            asleep_h,
        }
    }

    /// What it says, once it was run: as is likely, and with all sugar at worst.
    fn told(&self, problem: &Problem, Nodes { times, shown, .. }: &Nodes, paths: &[Vec<State>; 2]) -> Future {
        let (frame, life, start) = (&problem.frame, &self.life, &self.start);
        let [path, greedy] = paths;
        let now_h = problem.now_h();
        let lives = Life::abreast([life; ABREAST]);
        let road = Road {
            frame,
            life,
            lives: &lives,
            course: self.course,
            path,
            times,
            celsius: &self.celsius,
            surprises: &self.surprises,
            rates: &self.rates[0],
        };
        let wanted = life.all_at_target(frame);
        let worst = Worst {
            frame,
            life,
            lives: &lives,
            celsius: &self.celsius,
        };
        let judged = judged(times, &self.celsius);
        let within_a_day = times.partition_point(|h| *h <= now_h + 24.0);
        let day: Vec<usize> = (0..within_a_day).collect();
        let highest = [worst.highest(path, &judged), worst.highest(greedy, &judged)];
        let (target, target_h) = road.first(|node| life.all(frame, &road.state(node)) - wanted);
        let end = path.last().unwrap_or(start);
        let greedy_end = greedy.last().unwrap_or(end);
        let before = {
            let node = frame.nodes.partition_point(|h| *h < now_h - GAIN_H);
            self.course.states.get(node).unwrap_or(start)
        };
        // What all the sugar does to a life leaves alone how it holds its gas.
        let states = [start, before, end, greedy_end];
        let states = State::abreast(std::array::from_fn(|place| states[place % states.len()]));
        let contents = lives.content(frame, &states).0;
        let (content_now, content_before) = (contents[0], contents[1]);
        // The node half an hour on: a person takes as long to carry the bottles, and the rule waits for a second evaluation.
        let soon = (road.present() + 1).min(road.len().saturating_sub(1));
        let (move_h, all_after_move) = if frame.climate.chilled {
            let after = path_at(path, times, now_h + AFTER_MOVE_H);
            (f64::INFINITY, life.all(frame, &after))
        } else {
            road.move_for(wanted, target, soon)
        };
        Future {
            content_now,
            target_h,
            move_h,
            limit_h: road.first_over_limit(&worst, greedy, &judged, highest[1]),
            forgotten_bar: highest,
            forgotten_content: [contents[2], contents[3]],
            forgotten_alcohol: [
                life.alcohol(frame, end),
                self.all_sugar.alcohol(frame, greedy_end),
            ],
            after_move_now: life.content_of(frame, all_after_move),
            worst_now: worst.at(start, self.celsius.first().copied().unwrap_or(20.0)),
            worst_24h: worst.highest(greedy, &day),
            gauge_now: problem.gauge_now(self.z, self.course),
            rate: start.rate / GRAMS_PER_LITRE_PER_VOLUME,
            gained: (content_now - content_before) / GRAMS_PER_LITRE_PER_VOLUME,
            asleep_h: self.asleep_h,
            shown: road.shown(shown, &worst, &Contents::new(&lives, frame, greedy)),
        }
    }
}

/// Runs members ahead, some of them abreast.
pub(super) fn futures(problem: &Problem, members: &[Member<'_>], nodes: &Nodes) -> Vec<Future> {
    let mut out = Vec::with_capacity(members.len());
    for some in members.chunks(ABREAST) {
        let paths = run_each(&problem.frame, some, &nodes.times);
        let told = some
            .iter()
            .zip(&paths)
            .map(|(member, paths)| member.told(problem, nodes, paths));
        out.extend(told);
    }
    out
}

fn by_places(of: impl Fn(u32) -> usize) -> [usize; ABREAST] {
    let mut out = [0; ABREAST];
    for (place, out) in (0..).zip(&mut out) {
        *out = of(place);
    }
    out
}

fn path_at(path: &[State], times: &[f64], h: f64) -> State {
    let node = times
        .partition_point(|t| *t < h)
        .min(path.len().saturating_sub(1));
    path.get(node).copied().unwrap_or_else(|| path[0])
}

/// The ways of up to [`ABREAST`] members: as is likely, and with all sugar at worst.
fn run_each(frame: &Frame, members: &[Member<'_>], times: &[f64]) -> [[Vec<State>; 2]; ABREAST] {
    // What is missing in a row goes twice.
    let row: [&Member<'_>; ABREAST] = std::array::from_fn(|row| &members[row.min(members.len() - 1)]);
    let lives = [
        &Life::abreast(row.map(|member| &member.life)),
        &Life::abreast(row.map(|member| &member.all_sugar)),
    ];
    let mut states = [State::abreast(row.map(|member| &member.start)); 2];
    let mut out = row.map(|member| {
        [(); 2].map(|()| {
            let mut path = Vec::with_capacity(times.len());
            path.push(member.start);
            path
        })
    });
    for (node, hours) in (1..).zip(times.windows(2)) {
        let dt = hours[1] - hours[0];
        let celsius = [node - 1, node].map(|node| Row::by_place(|place| row[place].celsius[node]));
        let warmth = lives[0].warmth(celsius[0], celsius[1]);
        // The culture adapts the same with more sugar.
        let growing = lives[0].growing(&states[0], warmth);
        for (way, (life, state)) in lives.iter().zip(&mut states).enumerate() {
            let surprise = Row::by_place(|place| {
                let rates = &row[place].rates[way];
                0.5 * (rates[node - 1] + rates[node])
            })
            .e_to();
            *state = if life.leaks_through_wall() {
                life.tight_step(frame, state, celsius, dt, surprise)
            } else {
                life.brewed_growing(frame, state, [warmth, growing], dt, surprise)
            };
            for (place, paths) in out.iter_mut().enumerate() {
                paths[way].push(State::at(state, place));
            }
        }
    }
    out
}

/// The worst bottle of a member at the nodes of the future.
struct Worst<'a> {
    frame: &'a Frame,
    life: &'a Life,
    /// The same life at every place of a row.
    lives: &'a Life<Row>,
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
    fn each(&self, states: &[(&State, f64)]) -> Vec<f64> {
        let mut out = Vec::with_capacity(states.len());
        for some in states.chunks(ABREAST) {
            let row: [(&State, f64); ABREAST] = std::array::from_fn(|row| some[row.min(some.len() - 1)]);
            let celsius = Row::by_place(|place| row[place].1);
            let states = State::abreast(row.map(|(state, _)| state));
            let bars = self.lives.worst_bar(self.frame, &states, celsius) - self.frame.ambient_bar;
            out.extend(bars.0.into_iter().take(some.len()));
        }
        out
    }

    /// A bound that each stretch of states stays below: the gas of its last with the sugar and oxygen of its first, at its highest
    /// temperature. None holds where CO2 seeps away.
    fn bounds(&self, stretches: &[Stretch<'_>]) -> Vec<f64> {
        if self.life.leaks_through_wall() {
            return vec![f64::INFINITY; stretches.len()];
        }
        let mut out = Vec::with_capacity(stretches.len());
        for some in stretches.chunks(ABREAST) {
            let row: [&Stretch<'_>; ABREAST] = std::array::from_fn(|row| &some[row.min(some.len() - 1)]);
            let ends = [0, 1].map(|end| State::abreast(row.map(|stretch| stretch.ends[end])));
            let hottest = Row::by_place(|place| row[place].hottest);
            let bars = self.lives.worst_bar_between(self.frame, ends.each_ref(), hottest);
            out.extend((bars - self.frame.ambient_bar).0.into_iter().take(some.len()));
        }
        out
    }
}

/// States from one to another, and the highest temperature between.
struct Stretch<'a> {
    ends: [&'a State; 2],
    hottest: f64,
}

/// Past and future of one member on one line of nodes.
struct Road<'a> {
    frame: &'a Frame,
    life: &'a Life,
    /// The same life at every place of a row.
    lives: &'a Life<Row>,
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
    fn move_for(&self, wanted: f64, by: Option<usize>, soon: usize) -> (f64, f64) {
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
    fn shown(&self, hours: &[f64], worst: &Worst<'_>, contents: &Contents) -> Vec<(f64, f64)> {
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
    fn new(lives: &Life<Row>, frame: &Frame, path: &[State]) -> Self {
        let most = path
            .last()
            .map_or(0.0, |state| Life::at(lives, 0).all(frame, state))
            .max(1.0);
        let step = most / 8.0;
        let mut values = vec![lives.content_of(frame, Row::of(0.0)).0[0]];
        let points: Vec<f64> = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0]
            .map(|point| step * point)
            .to_vec();
        for points in points.chunks(ABREAST) {
            values.extend(lives.content_of(frame, Row::by_place(|place| points[place])).0);
        }
        Self { step, values }
    }

    fn at(&self, all: f64) -> f64 {
        between(&self.values, self.step, all)
    }
}
