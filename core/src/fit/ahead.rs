//! A life from the present on: in the room, in the fridge, forgotten.

use super::{
    course::{Course, Problem},
    frame::Frame,
    life::{Life, State},
    prior::ALL,
    random::Random,
};
use crate::quantity::GRAMS_PER_LITRE_PER_VOLUME;

/// Days ahead.
pub(super) const HORIZON_H: f64 = 60.0 * 24.0;

/// What "after the move" means, h.
const AFTER_MOVE_H: f64 = 72.0;

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
    /// Content (g/L) and worst bottle (bar gauge) at the times of [`shown_hours`].
    pub(super) shown: Vec<(f64, f64)>,
}

/// Nodes of the future, from the present to the horizon.
pub(super) fn nodes(now_h: f64) -> Vec<f64> {
    let mut out = vec![now_h];
    let mut ahead = 0.0;
    while ahead < HORIZON_H {
        ahead += if ahead < 72.0 {
            0.5
        } else if ahead < 240.0 {
            1.0
        } else {
            4.0
        };
        out.push(now_h + ahead);
    }
    out
}

/// Times of the pictures' points: some sixty of the past, then every two hours for five days.
pub(super) fn shown_hours(now_h: f64) -> Vec<f64> {
    let past = (now_h / 2.0).clamp(1.0, 60.0).floor();
    let mut out = Vec::new();
    let mut index = 0.0;
    while index < past {
        out.push(now_h * index / past);
        index += 1.0;
    }
    let mut ahead = 0.0;
    while ahead <= SHOWN_H {
        out.push(now_h + ahead);
        ahead += 2.0;
    }
    out
}

/// Runs one member ahead.
pub(super) fn future(
    problem: &Problem,
    z: &[f64],
    times: &[f64],
    shown: &[f64],
    random: &mut Random,
) -> Future {
    let frame = &problem.frame;
    let life = problem.life(z);
    let course = problem.course(z, None);
    let now_h = frame.nodes.last().copied().unwrap_or(0.0);
    let surprises = problem.surprises(z);
    let last = frame.surprise_at(&surprises, now_h);
    let rates = Frame::surprises_ahead(last, &mut || random.normal(), times);
    let celsius: Vec<f64> = if frame.climate.chilled {
        let from = frame.climate.past.last().copied().unwrap_or(frame.fridge_c);
        times
            .iter()
            .map(|h| frame.climate.cooling(from, h - now_h))
            .collect()
    } else {
        frame.climate.room_ahead(times, random)
    };
    let start = course.states.last().copied().unwrap_or_else(|| life.start(frame));
    let path = run(frame, &life, start, times, &celsius, &rates);
    let all_sugar = Life::new(life.p, frame, true);
    let greedy = run(frame, &all_sugar, start, times, &celsius, &rates);

    let road = Road {
        frame,
        life: &life,
        course: &course,
        path: &path,
        times,
        celsius: &celsius,
    };
    let wanted = life.all_at_target(frame);
    let worst = |state: &State, celsius: f64| life.worst_bar(frame, state, celsius) - frame.ambient_bar;
    let warmest = |states: &[State]| -> Vec<f64> {
        states
            .iter()
            .zip(&celsius)
            .map(|(state, c)| worst(state, *c))
            .collect()
    };
    let (worst_path, worst_greedy) = (warmest(&path), warmest(&greedy));
    let highest = |values: &[f64]| values.iter().copied().fold(f64::MIN, f64::max);
    let day = times.partition_point(|h| *h <= now_h + 24.0);
    let end = path.last().copied().unwrap_or(start);
    let greedy_end = greedy.last().copied().unwrap_or(end);
    Future {
        content_now: life.content(frame, &start),
        target_h: road.first(|node| life.all(&road.state(node)) - wanted),
        move_h: if frame.climate.chilled {
            f64::INFINITY
        } else {
            road.rising(|node| road.chilled_from(node) - wanted)
        },
        limit_h: road.first_over_limit(&worst_greedy),
        forgotten_bar: [highest(&worst_path), highest(&worst_greedy)],
        forgotten_content: [life.content(frame, &end), all_sugar.content(frame, &greedy_end)],
        forgotten_alcohol: [life.alcohol(frame, &end), all_sugar.alcohol(frame, &greedy_end)],
        after_move_now: {
            let node = road.present();
            let all = if frame.climate.chilled {
                life.all(&path_at(&path, times, now_h + AFTER_MOVE_H))
            } else {
                road.chilled_from(node)
            };
            let sealed = life.bottle(frame, false, frame.fridge_c);
            sealed.content_g_per_l(&sealed.at_total(all, 0.8))
        },
        worst_now: worst_path.first().copied().unwrap_or(0.0),
        worst_24h: highest(worst_greedy.get(..day).unwrap_or(&worst_greedy)),
        gauge_now: problem.gauge_now(z, &course),
        rate: start.rate / GRAMS_PER_LITRE_PER_VOLUME,
        shown: shown.iter().map(|h| road.shown(*h)).collect(),
    }
}

fn path_at(path: &[State], times: &[f64], h: f64) -> State {
    let node = times
        .partition_point(|t| *t < h)
        .min(path.len().saturating_sub(1));
    path.get(node).copied().unwrap_or_else(|| path[0])
}

fn run(
    frame: &Frame,
    life: &Life,
    start: State,
    times: &[f64],
    celsius: &[f64],
    rates: &[f64],
) -> Vec<State> {
    let mut out = Vec::with_capacity(times.len());
    out.push(start);
    for (((pair, warm), rate), _) in times
        .windows(2)
        .zip(celsius.windows(2))
        .zip(rates.windows(2))
        .zip(0..)
    {
        let (Some(last), [h0, h1], [c0, c1], [r0, r1]) = (out.last(), pair, warm, rate) else {
            break;
        };
        out.push(life.step(frame, last, 0.5 * (c0 + c1), h1 - h0, (0.5 * (r0 + r1)).exp()));
    }
    out
}

/// Past and future of one member on one line of nodes.
struct Road<'a> {
    frame: &'a Frame,
    life: &'a Life,
    course: &'a Course,
    path: &'a [State],
    times: &'a [f64],
    celsius: &'a [f64],
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
        let c = if node < self.past() {
            self.frame.climate.past.get(node)
        } else {
            self.celsius.get(node + 1 - self.past())
        };
        c.copied().unwrap_or(20.0)
    }

    /// All CO2 72 h after a move to the fridge made at `node`.
    fn chilled_from(&self, node: usize) -> f64 {
        let mut state = self.state(node);
        let from = self.celsius(node);
        let mut gone = 0.0;
        while gone < AFTER_MOVE_H {
            let dt = if gone < 12.0 { 0.5 } else { 3.0 };
            let celsius = self.frame.climate.cooling(from, gone + 0.5 * dt);
            state = self.life.step(self.frame, &state, celsius, dt, 1.0);
            gone += dt;
        }
        self.life.all(&state)
    }

    /// Hours at which `excess` first rises through zero, node by node.
    fn first(&self, excess: impl Fn(usize) -> f64) -> f64 {
        let mut before = excess(0);
        if before >= 0.0 {
            return 0.0;
        }
        for node in 1..self.len() {
            let here = excess(node);
            if here >= 0.0 {
                return self.crossing(node, before, here);
            }
            before = here;
        }
        f64::INFINITY
    }

    /// The same for an `excess` that only rises and is dear: by bisection.
    fn rising(&self, excess: impl Fn(usize) -> f64) -> f64 {
        let (mut low, mut high) = (0, self.len() - 1);
        let (mut below, mut above) = (excess(low), excess(high));
        if below >= 0.0 {
            return 0.0;
        }
        if above < 0.0 {
            return f64::INFINITY;
        }
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

    /// When the worst bottle first exceeds the limit: the past every few hours, the future as given.
    fn first_over_limit(&self, ahead: &[f64]) -> f64 {
        let mut due = 0.0;
        for node in 0..self.past() {
            let h = self.hour(node);
            if h < due {
                continue;
            }
            due = h + 1.0;
            let bar = self
                .life
                .worst_bar(self.frame, &self.state(node), self.celsius(node))
                - self.frame.ambient_bar;
            if bar > self.frame.limit_bar {
                return h;
            }
        }
        let mut before: Option<f64> = None;
        for (bar, h) in ahead.iter().zip(self.times) {
            if *bar > self.frame.limit_bar {
                return before.map_or(*h, |earlier| 0.5 * (earlier + h));
            }
            before = Some(*h);
        }
        f64::INFINITY
    }

    fn shown(&self, h: f64) -> (f64, f64) {
        let now_h = self.hour(self.present());
        let node = if h <= now_h {
            self.frame.nodes.partition_point(|t| *t < h).min(self.present())
        } else {
            self.present() + self.times.partition_point(|t| *t < h).min(self.path.len() - 1)
        };
        let state = self.state(node);
        let worst = self.life.worst_bar(self.frame, &state, self.celsius(node)) - self.frame.ambient_bar;
        (self.life.content(self.frame, &state), worst)
    }
}

/// CO2 that the reference culture makes at its best in the reference drink: volumes per hour. Vigour 1.
pub(super) const REFERENCE_VOLUMES_PER_H: f64 = 0.033;

/// Vigour, and hours of lag to the tangent at the highest rate, of a point in the reference drink at 20 degC.
pub(super) fn in_reference_drink(reference: &Frame, problem: &Problem, z: &[f64]) -> (f64, f64) {
    let mut life = problem.life(z);
    let dose = problem.frame.known.dose.unwrap_or(25.0);
    let mut p = life.p;
    p.start = (p.start * 25.0 / dose.max(1.0)).min(0.9);
    p.second *= 25.0 / dose.max(1.0);
    p.co2_at_start = p.co2_at_start.min(1.0);
    p.probe = 0.0;
    life = Life::new(p, reference, false);
    let mut state = life.start(reference);
    let (mut h, mut best, mut lag) = (0.0, 0.0, 0.0);
    while h < 480.0 {
        let next = life.step(reference, &state, 20.0, 0.5, 1.0);
        let rate = (next.made - state.made) / 0.5;
        if rate > best {
            best = rate;
            lag = (h + 0.25 - 0.5 * (next.made + state.made) / rate).max(0.0);
        }
        state = next;
        h += 0.5;
        if rate < 0.5 * best && h > 48.0 {
            break;
        }
    }
    (best / GRAMS_PER_LITRE_PER_VOLUME / REFERENCE_VOLUMES_PER_H, lag)
}

/// How many numbers of a point belong to the life's knots: for members carried on past the time of their fit.
pub(super) fn extended(
    z: &[f64],
    fitted_knots: usize,
    knots: usize,
    air_knots: usize,
    random: &mut Random,
) -> Vec<f64> {
    let mut out = z
        .get(..(ALL + fitted_knots).min(z.len()))
        .unwrap_or_default()
        .to_vec();
    while out.len() < ALL + knots {
        out.push(random.normal());
    }
    out.truncate(ALL + knots);
    let air = z.get((ALL + fitted_knots).min(z.len())..).unwrap_or_default();
    out.extend(air.iter().take(air_knots));
    while out.len() < ALL + knots + air_knots {
        out.push(random.normal());
    }
    out
}
