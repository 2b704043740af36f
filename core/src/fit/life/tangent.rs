//! How a life moves with its numbers: the step's derivative, carried along the course for eight numbers at once.
//!
//! One course tells the partial derivatives of every step ([`Local`]); a number of the whitened space then moves state after state
//! by a few products, where a course of its own would cost all the exponentials again. A change to [`Life::step`] has to be made
//! here too: a test holds both together.
#![expect(
    clippy::needless_range_loop,
    reason = "lanes of several arrays go together: an index says so plainly, and the compiler makes vectors of it"
)]

mod local;

use local::{
    GROWING, GROWTH_YIELD, LOST, Local, MADE, MAINTENANCE, PER_CEILING, PER_PRESSURE, PER_PRODUCT, POTENTIAL,
    Row, SECOND, SECOND_CEILING, SUGAR_PER_CO2, SURPRISE, WARMTH, X, Y,
};

use super::{Life, MOL_PER_M3_PER_G_PER_L, State};
use crate::fit::frame::Frame;

/// Numbers carried at once.
pub(in crate::fit) const LANES: usize = 8;

/// One value for each of them.
pub(in crate::fit) type Lanes = [f64; LANES];

const ZERO: Lanes = [0.0; LANES];

/// How what is seen of the state moves at every node with each of eight numbers: the pressure, and the rest where it is asked for.
#[derive(Clone, Debug)]
pub(in crate::fit) struct Trace {
    pub(in crate::fit) bar: Vec<Lanes>,
    /// The other fields that an observation reads: see [`State::nudged`].
    pub(in crate::fit) rest: Vec<[Lanes; State::SEEN - 1]>,
}

/// Carries every column along a life whose course is `states`, with the discrepancy's knots. `whole`: not the pressure alone.
pub(in crate::fit) fn carried(
    frame: &Frame,
    life: &Life,
    surprises: &[f64],
    states: &[State],
    columns: &[Columns],
    whole: bool,
) -> Vec<Trace> {
    let mut moved: Vec<Moved> = columns.iter().map(|column| column.start(frame, life)).collect();
    let mut traces: Vec<Trace> = moved
        .iter()
        .map(|moved| {
            let mut trace = Trace {
                bar: Vec::with_capacity(states.len()),
                rest: Vec::with_capacity(if whole { states.len() } else { 0 }),
            };
            trace.push(moved, whole);
            trace
        })
        .collect();
    for (node, state) in (1..states.len()).zip(states) {
        let local = Local::new(frame, life, surprises, state, node);
        for ((column, moved), trace) in columns.iter().zip(&mut moved).zip(&mut traces) {
            if node > column.from {
                column.step(&local, frame, life, moved);
                if let Some(before) = &local.vented {
                    column.vent(&local, frame, life, before, moved);
                }
            }
            trace.push(moved, whole);
        }
    }
    traces
}

impl Trace {
    fn push(&mut self, moved: &Moved, whole: bool) {
        self.bar.push(moved.bar);
        if whole {
            self.rest
                .push([moved.made, moved.lost, moved.seeped, moved.in_gas, moved.oxygen]);
        }
    }
}

/// How the state moves with each of eight numbers.
#[derive(Clone, Copy, Debug)]
struct Moved {
    x: Lanes,
    ln_q: Lanes,
    y: Lanes,
    made: Lanes,
    lost: Lanes,
    seeped: Lanes,
    bar: Lanes,
    in_gas: Lanes,
    oxygen: Lanes,
    air_kept: Lanes,
}

impl Moved {
    const STILL: Self = Self {
        x: ZERO,
        ln_q: ZERO,
        y: ZERO,
        made: ZERO,
        lost: ZERO,
        seeped: ZERO,
        bar: ZERO,
        in_gas: ZERO,
        oxygen: ZERO,
        air_kept: ZERO,
    };

    fn add(&mut self, lane: usize, from: &State, to: &State, step: f64) {
        let by = |from: f64, to: f64| (to - from) / step;
        self.x[lane] = by(from.x, to.x);
        self.ln_q[lane] = by(from.ln_q, to.ln_q);
        self.y[lane] = by(from.y, to.y);
        self.made[lane] = by(from.made, to.made);
        self.lost[lane] = by(from.lost, to.lost);
        self.seeped[lane] = by(from.seeped, to.seeped);
        self.bar[lane] = by(from.bar, to.bar);
        self.in_gas[lane] = by(from.in_gas, to.in_gas);
        self.oxygen[lane] = by(from.oxygen, to.oxygen);
        self.air_kept[lane] = by(from.air_kept, to.air_kept);
    }

    /// `state`, moved along a lane.
    fn along(&self, lane: usize, state: &State, step: f64) -> State {
        State {
            x: state.x + step * self.x[lane],
            ln_q: state.ln_q + step * self.ln_q[lane],
            y: state.y + step * self.y[lane],
            made: state.made + step * self.made[lane],
            lost: state.lost + step * self.lost[lane],
            seeped: state.seeped + step * self.seeped[lane],
            bar: state.bar + step * self.bar[lane],
            in_gas: state.in_gas + step * self.in_gas[lane],
            oxygen: state.oxygen + step * self.oxygen[lane],
            air_kept: state.air_kept + step * self.air_kept[lane],
            ..*state
        }
    }
}

impl State {
    /// How many of its fields an observation reads.
    pub(in crate::fit) const SEEN: usize = 6;

    /// The state with one of them a little larger, and by how much.
    pub(in crate::fit) fn nudged(&self, field: usize) -> (Self, f64) {
        let mut state = *self;
        let (value, step) = match field {
            0 => (&mut state.bar, 1e-4),
            1 => (&mut state.made, 1e-4),
            2 => (&mut state.lost, 1e-4),
            3 => (&mut state.seeped, 1e-4),
            4 => (&mut state.in_gas, 1e-3),
            _ => (&mut state.oxygen, 1e-4),
        };
        *value += step;
        (state, step)
    }
}

/// A constant of a life.
type Constant = fn(&Life) -> f64;

/// How the constants of a life move with each of eight numbers of the whitened space.
#[derive(Clone, Debug)]
struct Own {
    /// The life with each number moved by `step`.
    lives: Vec<Life>,
    step: f64,
    warms: Vec<usize>,
    rooms: Vec<usize>,
    /// Inputs of the step that a lane moves itself, and by how much.
    direct: Vec<(usize, usize, f64)>,
    growth: Lanes,
    second_growth: Lanes,
    oxygen_rate: Lanes,
    oxygen_share: Lanes,
    all: Lanes,
    factor: Lanes,
    gain: Lanes,
    kla: Lanes,
    probe: Lanes,
    air: Lanes,
    stretch: Lanes,
    seep: Lanes,
}

/// Eight numbers to carry along a course.
pub(in crate::fit) struct Columns {
    own: Option<Box<Own>>,
    /// How the discrepancy's knots move.
    knots: Vec<Lanes>,
    /// The last node that none of them moves.
    from: usize,
}

impl Columns {
    /// Numbers that move constants of a life: `lives`, at most eight, each with one of them moved by `step`.
    pub(in crate::fit) fn of_lives(life: &Life, lives: Vec<Life>, step: f64) -> Self {
        let lanes = |of: &dyn Fn(&Life) -> f64| {
            let mut out = ZERO;
            for (out, moved) in out.iter_mut().zip(&lives) {
                *out = (of(moved) - of(life)) / step;
            }
            out
        };
        let differ = |of: &dyn Fn(&Life) -> [f64; 4]| -> Vec<usize> {
            let here = of(life);
            (0..lives.len())
                .filter(|lane| {
                    of(&lives[*lane])
                        .iter()
                        .zip(&here)
                        .any(|(a, b)| a.total_cmp(b).is_ne())
                })
                .collect()
        };
        let inputs: [(usize, Constant); 8] = [
            (GROWTH_YIELD, |l| l.p.growth_yield),
            (MAINTENANCE, |l| l.p.maintenance),
            (SECOND_CEILING, |l| l.per_second_ceiling),
            (POTENTIAL, |l| l.potential),
            (SUGAR_PER_CO2, |l| l.sugar_per_co2),
            (PER_PRODUCT, |l| l.per_product),
            (PER_PRESSURE, |l| l.per_pressure),
            (PER_CEILING, |l| l.per_ceiling),
        ];
        let mut direct = Vec::new();
        for (input, of) in inputs {
            let moved = lanes(&of).into_iter().enumerate();
            direct.extend(
                moved
                    .filter(|(_, by)| by.abs() > 0.0)
                    .map(|(lane, by)| (input, lane, by)),
            );
        }
        let own = Own {
            warms: differ(&|l| [l.p.coldest, l.p.best, l.p.cold, l.p.probe]),
            rooms: differ(&|l| [l.pilot.drink, l.pilot.capacity, 0.0, 0.0]),
            direct,
            growth: lanes(&|l| l.p.growth),
            second_growth: lanes(&|l| l.p.second_growth),
            oxygen_rate: lanes(&|l| l.p.oxygen_rate),
            oxygen_share: lanes(&|l| l.p.oxygen_share),
            all: lanes(&|l| l.p.co2_at_start * MOL_PER_M3_PER_G_PER_L + l.shut_in),
            factor: lanes(&|l| l.solute_factor),
            gain: lanes(&|l| l.solute_gain),
            kla: lanes(&|l| l.p.kla),
            probe: lanes(&|l| l.p.probe),
            air: lanes(&|l| l.p.air / life.p.air),
            stretch: lanes(&|l| l.p.stretch),
            seep: lanes(&|l| l.p.seepage * l.pilot.capacity / l.pilot.drink),
            lives,
            step,
        };
        Self {
            own: Some(Box::new(own)),
            knots: Vec::new(),
            from: 0,
        }
    }

    /// Numbers that move the discrepancy: how they move each of its knots, and the last node before all of them.
    pub(in crate::fit) fn of_knots(knots: Vec<Lanes>, from: usize) -> Self {
        Self {
            own: None,
            knots,
            from,
        }
    }

    fn start(&self, frame: &Frame, life: &Life) -> Moved {
        let mut at = Moved::STILL;
        if let Some(own) = &self.own {
            let start = life.start(frame);
            for (lane, life) in own.lives.iter().enumerate() {
                at.add(lane, &start, &life.start(frame), own.step);
            }
        }
        at
    }

    fn step(&self, local: &Local, frame: &Frame, life: &Life, next: &mut Moved) {
        let p = &life.p;
        let at = &next.clone();
        // The drink.
        let mut oxygen = at.oxygen.map(|by| by * local.oxygen_kept);
        let drink = |row: &Row| {
            let mut out = ZERO;
            for (lane, out) in out.iter_mut().enumerate() {
                *out = row[X] * at.x[lane]
                    + row[Y] * at.y[lane]
                    + row[MADE] * at.made[lane]
                    + row[LOST] * at.lost[lane];
            }
            out
        };
        let mut results = [
            drink(&local.x),
            drink(&local.y),
            drink(&local.made),
            drink(&local.oxygen),
        ];
        let rows = [&local.x, &local.y, &local.made, &local.oxygen];
        if let Some((low, high)) = self.knots.get(local.knot).zip(self.knots.get(local.knot + 1)) {
            for (result, row) in results.iter_mut().zip(rows) {
                for lane in 0..LANES {
                    result[lane] += row[SURPRISE] * (low[lane] + (high[lane] - low[lane]) * local.part);
                }
            }
        }
        if let Some(own) = &self.own {
            let mut warmth = ZERO;
            for lane in &own.warms {
                let moved = &own.lives[*lane].p;
                let celsius = local.middle_c + p.probe + (moved.probe - p.probe) * local.reach;
                warmth[*lane] = (moved.warmth(celsius) - local.warmth) / own.step;
            }
            let [by_warmth, by_ln_q, by_growth] = local.growing;
            let mut stirred = [ZERO; 2];
            for lane in 0..LANES {
                stirred[0][lane] =
                    by_warmth * warmth[lane] + by_ln_q * at.ln_q[lane] + by_growth * own.growth[lane];
                stirred[1][lane] = p.second_growth * warmth[lane] + local.warmth * own.second_growth[lane];
                if local.adapting {
                    next.ln_q[lane] += local.dt * (p.growth * warmth[lane] + local.warmth * own.growth[lane]);
                } else {
                    next.ln_q[lane] = 0.0;
                }
                oxygen[lane] += local.by_oxygen_rate * own.oxygen_rate[lane];
            }
            for (result, row) in results.iter_mut().zip(rows) {
                for lane in 0..LANES {
                    result[lane] += row[GROWING] * stirred[0][lane]
                        + row[SECOND] * stirred[1][lane]
                        + row[WARMTH] * warmth[lane];
                }
                for (input, lane, by) in &own.direct {
                    result[*lane] += row[*input] * by;
                }
            }
        }
        [next.x, next.y, next.made, next.oxygen] = results;
        for lane in 0..LANES {
            next.oxygen[lane] += oxygen[lane];
        }
        // The headspace.
        let headspace = &local.headspace;
        let mut all = self.own.as_ref().map_or(ZERO, |own| own.all);
        let mut eaten = ZERO;
        let mut solutes = ZERO;
        for lane in 0..LANES {
            next.seeped[lane] += local.seeped_by_bar * at.bar[lane];
            eaten[lane] = p.oxygen_share * next.oxygen[lane];
            solutes[lane] = life.solute_factor * life.solute_gain * next.made[lane];
        }
        if let Some(own) = &self.own {
            for lane in 0..LANES {
                next.seeped[lane] += local.seeped_by_rate * own.seep[lane];
                eaten[lane] += headspace.oxygen * own.oxygen_share[lane];
                solutes[lane] += (1.0 + life.solute_gain * headspace.made) * own.factor[lane]
                    + life.solute_factor * headspace.made * own.gain[lane];
            }
        }
        for lane in 0..LANES {
            all[lane] += MOL_PER_M3_PER_G_PER_L * (next.made[lane] - next.lost[lane] - next.seeped[lane]);
        }
        let mut results = [ZERO; 2];
        for (index, result) in results.iter_mut().enumerate() {
            for lane in 0..LANES {
                result[lane] = headspace.by_in_gas[index] * at.in_gas[lane]
                    + headspace.by_all[index] * all[lane]
                    + headspace.by_eaten[index] * eaten[lane]
                    + headspace.by_solutes[index] * solutes[lane];
            }
            if headspace.air_kept < 1.0 {
                for lane in 0..LANES {
                    result[lane] +=
                        headspace.by_air[index] * at.air_kept[lane] / headspace.air_kept.max(1e-9);
                }
            }
            let by_capacity = headspace.by_capacity[index] * life.pilot.capacity;
            if p.stretch > 0.0 {
                for lane in 0..LANES {
                    result[lane] += by_capacity * p.stretch * at.bar[lane];
                }
            }
            if let Some(own) = &self.own {
                for lane in 0..LANES {
                    result[lane] += headspace.by_kelvin[index] * own.probe[lane]
                        + headspace.by_air[index] * own.air[lane]
                        + headspace.by_kla[index] * own.kla[lane]
                        + by_capacity * (headspace.bar - 1.0) * own.stretch[lane];
                }
            }
        }
        if let Some(own) = &self.own {
            for lane in &own.rooms {
                let there = headspace.in_vessel_of(&own.lives[*lane], life, frame, local.dt);
                for (result, (there, here)) in results.iter_mut().zip(there.iter().zip(&headspace.result)) {
                    result[*lane] += (there - here) / own.step;
                }
            }
        }
        [next.in_gas, next.bar] = results;
    }

    /// The cap was lifted at the end of the step.
    fn vent(&self, local: &Local, frame: &Frame, life: &Life, before: &State, moved: &mut Moved) {
        const STEP: f64 = 1e-4;
        let celsius = local.headspace.celsius;
        let after = life.vented(frame, before, celsius);
        let earlier = *moved;
        for lane in 0..LANES {
            let there = earlier.along(lane, before, STEP);
            let moved_life = self.own.as_ref().and_then(|own| {
                let life = own.lives.get(lane)?;
                // A life of its own was moved by another step: its state goes as far.
                Some((life, own.step))
            });
            let (there, step) = match moved_life {
                Some((life, step)) => {
                    let there = earlier.along(lane, before, step);
                    (life.vented(frame, &there, celsius), step)
                }
                None => (life.vented(frame, &there, celsius), STEP),
            };
            moved.add(lane, &after, &there, step);
        }
    }
}
