//! A life from the present on: in the room, in the fridge, forgotten.

mod road;
mod worst;

use self::{
    road::{Contents, Road},
    worst::{Worst, judged},
};
use super::{
    asleep::Asleep,
    climate::RoomAt,
    course::{Course, Problem},
    frame::Frame,
    life::{Life, State},
};
use crate::{
    abreast::{ABREAST, Abreast, Real, Row, in_row},
    quantity::GRAMS_PER_LITRE_PER_VOLUME,
};

/// Days ahead.
pub(super) const HORIZON_H: f64 = 60.0 * 24.0;

/// What "after the move" means, h.
const AFTER_MOVE_H: f64 = 72.0;

/// Hours over which a gain is told.
pub(super) const GAIN_H: f64 = 36.0;

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

/// Hours ahead from which on a life takes so many nodes in one step: it hardly changes from day to day, only the room does from hour to hour.
const FAR_H: f64 = 240.0;
const FAR_NODES: usize = 3;

/// At worst a culture that gave up goes on at this part of its pace.
const GAVE_UP: f64 = 0.01;

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
        let start = course.states.last().copied().unwrap_or_else(|| life.start(frame));
        if life.p.gives_up_early() && frame.known.ceiling.is_none() {
            // No ceiling is leaned on for a worst case, but a culture that was heard to give up does not go on at once as if there were none.
            let brake = life.below_ceiling(frame, start.made).max(GAVE_UP).ln();
            rates[1].iter_mut().for_each(|rate| *rate += brake);
        }
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
            start,
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

/// The mean of what runs straight from node to node, over some equal steps.
fn mean_between(of: impl Fn(usize) -> f64, node: usize, steps: usize) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for step in node..node + steps {
        sum += 0.5 * (of(step) + of(step + 1));
        count += 1.0;
    }
    sum / count
}

fn path_at(path: &[State], times: &[f64], h: f64) -> State {
    let node = times
        .partition_point(|t| *t < h)
        .min(path.len().saturating_sub(1));
    path.get(node).copied().unwrap_or_else(|| path[0])
}

/// The ways of up to [`ABREAST`] members: as is likely, and with all sugar at worst.
fn run_each(frame: &Frame, members: &[Member<'_>], times: &[f64]) -> [[Vec<State>; 2]; ABREAST] {
    let row = in_row(members);
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
    let seeps = lives.iter().any(|life| life.leaks_through_wall());
    let far_h = times.first().copied().unwrap_or(0.0) + FAR_H;
    let mut node = 0;
    while let Some([from_h, rest @ ..]) = times.get(node..).filter(|rest| rest.len() > 1) {
        // What seeps through a wall goes by the pressure of the hour.
        let nodes = if seeps || *from_h < far_h {
            1
        } else {
            FAR_NODES.min(rest.len())
        };
        let dt = rest[nodes - 1] - from_h;
        let ends = [node, node + nodes].map(|node| Row::by_place(|place| row[place].celsius[node]));
        let celsius = Row::by_place(|place| mean_between(|node| row[place].celsius[node], node, nodes));
        let warmth = lives[0].warmth(celsius, celsius);
        // The culture adapts the same with more sugar.
        let growing = lives[0].growing(&states[0], warmth);
        for (way, (life, state)) in lives.iter().zip(&mut states).enumerate() {
            let surprise =
                Row::by_place(|place| mean_between(|node| row[place].rates[way][node], node, nodes)).e_to();
            let next = if seeps {
                life.tight_step(frame, state, ends, dt, surprise)
            } else {
                life.brewed_growing(frame, state, [warmth, growing], dt, surprise)
            };
            for (hour, _) in rest.iter().zip(1..nodes) {
                let between = state.towards(&next, (hour - from_h) / dt);
                for (place, paths) in out.iter_mut().enumerate() {
                    paths[way].push(State::at(&between, place));
                }
            }
            for (place, paths) in out.iter_mut().enumerate() {
                paths[way].push(State::at(&next, place));
            }
            *state = next;
        }
        node += nodes;
    }
    out
}
