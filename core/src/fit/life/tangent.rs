//! How a life moves with its numbers: the step's derivative, carried along the course for eight numbers at once.
//!
//! One course tells the partial derivatives of every step ([`Local`]); a number of the whitened space then moves state after state
//! by a few products, where a course of its own would cost all the exponentials again. A change to [`Life::step`] has to be made
//! here too: a test holds both together.
#![expect(
    clippy::needless_range_loop,
    reason = "lanes of several arrays go together: an index says so plainly, and the compiler makes vectors of it"
)]

use super::{Life, MOL_PER_M3_PER_G_PER_L, State, passed};
use crate::fit::frame::Frame;
use crate::physics::{
    air::OXYGEN_SHARE,
    headspace::{Sealed, Vessel},
    solubility::CO2_MOLAR_MASS_G,
    sugar::abv_percent_of_co2,
};

/// Numbers carried at once.
pub(in crate::fit) const LANES: usize = 8;

/// One value for each of them.
pub(in crate::fit) type Lanes = [f64; LANES];

const ZERO: Lanes = [0.0; LANES];

/// What the drink's part of a step depends on, in this order.
const X: usize = 0;
const Y: usize = 1;
const MADE: usize = 2;
const LOST: usize = 3;
const GROWING: usize = 4;
const SECOND: usize = 5;
const WARMTH: usize = 6;
const SURPRISE: usize = 7;
const GROWTH_YIELD: usize = 8;
const MAINTENANCE: usize = 9;
const SECOND_CEILING: usize = 10;
const POTENTIAL: usize = 11;
const SUGAR_PER_CO2: usize = 12;
const PER_PRODUCT: usize = 13;
const PER_PRESSURE: usize = 14;
const PER_CEILING: usize = 15;
const INPUTS: usize = 16;

/// A derivative by each of them.
type Row = [f64; INPUTS];

/// A derivative of the headspace's two results: CO2 in the gas, and pressure.
type Pair = [f64; 2];

/// One step and its partial derivatives.
#[derive(Clone, Debug)]
struct Local {
    dt: f64,
    middle_c: f64,
    /// How much warmer the middle is for each kelvin by which the thermometer lies off.
    reach: f64,
    warmth: f64,
    /// The discrepancy's knot before the middle of the step, and how far it is to the next.
    knot: usize,
    part: f64,
    /// Of the growth rate, by warmth, adaptation and its factor; and whether adaptation still grows.
    growing: [f64; 3],
    adapting: bool,
    x: Row,
    y: Row,
    made: Row,
    oxygen: Row,
    oxygen_kept: f64,
    by_oxygen_rate: f64,
    seeped_by_bar: f64,
    seeped_by_rate: f64,
    headspace: Headspace,
    /// The state just before a venting at the end of the step.
    vented: Option<State>,
}

/// The headspace's part of a step.
#[derive(Clone, Debug)]
struct Headspace {
    /// What it starts from.
    in_gas: f64,
    all: f64,
    eaten: f64,
    oxygen: f64,
    made: f64,
    solutes: f64,
    celsius: f64,
    bar: f64,
    air_kept: f64,
    result: Pair,
    by_in_gas: Pair,
    by_all: Pair,
    by_eaten: Pair,
    by_solutes: Pair,
    by_kelvin: Pair,
    by_air: Pair,
    by_kla: Pair,
    by_capacity: Pair,
}

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

impl Local {
    /// The step from `state` to `node`.
    fn new(frame: &Frame, life: &Life, surprises: &[f64], state: &State, node: usize) -> Self {
        let p = &life.p;
        let (h0, h1) = (frame.nodes[node - 1], frame.nodes[node]);
        let dt = h1 - h0;
        let (from, to) = (
            frame.climate.felt(node - 1, p.probe),
            frame.climate.felt(node, p.probe),
        );
        let middle_c = 0.5 * (from + to);
        let warmth = p.warmth(middle_c + p.probe);
        let (knot, part) = frame.knot_at(0.5 * (h0 + h1));
        let surprise = frame.surprise_at(surprises, 0.5 * (h0 + h1)).exp();
        let adapted = 1.0 / (1.0 + (-state.ln_q).exp());
        let growing = p.growth * warmth * adapted;
        let second = p.second_growth * warmth;

        let mut unit = [[0.0; INPUTS]; INPUTS];
        for (index, row) in unit.iter_mut().enumerate() {
            row[index] = 1.0;
        }
        let rates = Rates {
            life,
            alcohol: frame.alcohol_percent,
            lost: state.lost,
            growing,
            second,
            warmth,
            surprise,
        };
        let here = rates.at(
            (state.x, &unit[X]),
            (state.y, &unit[Y]),
            (state.made, &unit[MADE]),
        );
        let most = life.potential.max(state.made);
        let half = 0.5 * dt;
        let half_x = (state.x + half * here[0].0).clamp(0.0, 1.0);
        let half_y = (state.y + half * here[1].0).max(0.0);
        let half_made = (state.made + half * here[2].0).min(most);
        let half_rows = [0, 1, 2].map(|i| plus(&unit[i], half, &here[i].1));
        let mid = rates.at(
            (half_x, &half_rows[0]),
            (half_y, &half_rows[1]),
            (half_made, &half_rows[2]),
        );
        let made = (state.made + dt * mid[2].0).min(most);
        let full = made < most;
        let root = half_x.sqrt();
        let oxygen_kept = (-dt * p.oxygen_rate * warmth * root).exp();
        let left = (1.0 - state.oxygen) * oxygen_kept * dt;
        let mut oxygen = half_rows[0].map(|by| left * p.oxygen_rate * warmth * 0.5 / root.max(1e-6) * by);
        oxygen[WARMTH] += left * p.oxygen_rate * root;
        let mut next = State {
            made,
            oxygen: 1.0 - (1.0 - state.oxygen) * oxygen_kept,
            ..*state
        };
        let over = (state.bar - frame.ambient_bar).max(0.0) * dt * CO2_MOLAR_MASS_G;
        let seep = p.seepage * life.pilot.capacity / life.pilot.drink;
        next.seeped += seep * over;
        let mut headspace = Headspace::new(frame, life, state, &next, to, dt);
        for by in &mut headspace.by_kelvin {
            *by *= 1.0 + frame.climate.more(node);
        }
        let vented = frame.ventings.contains(&node).then(|| {
            // What the venting left is known; what it started from is run again.
            life.step(frame, state, [from, to], dt, surprise)
        });
        Self {
            dt,
            middle_c,
            reach: 1.0 + 0.5 * (frame.climate.more(node - 1) + frame.climate.more(node)),
            warmth,
            knot,
            part,
            growing: [p.growth * adapted, growing * (1.0 - adapted), warmth * adapted],
            adapting: state.ln_q + dt * p.growth * warmth < 30.0,
            x: plus(&unit[X], dt, &mid[0].1),
            y: plus(&unit[Y], dt, &mid[1].1),
            made: if full {
                plus(&unit[MADE], dt, &mid[2].1)
            } else if life.potential > state.made {
                unit[POTENTIAL]
            } else {
                unit[MADE]
            },
            oxygen,
            oxygen_kept,
            by_oxygen_rate: left * warmth * root,
            seeped_by_bar: if over > 0.0 {
                seep * dt * CO2_MOLAR_MASS_G
            } else {
                0.0
            },
            seeped_by_rate: over,
            headspace,
            vented,
        }
    }
}

fn plus(row: &Row, factor: f64, other: &Row) -> Row {
    let mut out = *row;
    for (out, other) in out.iter_mut().zip(other) {
        *out += factor * other;
    }
    out
}

/// The rates of change within a step, and how they move.
struct Rates<'a> {
    life: &'a Life,
    alcohol: f64,
    lost: f64,
    growing: f64,
    second: f64,
    warmth: f64,
    surprise: f64,
}

impl Rates<'_> {
    /// Of culture, second population and CO2, each with its derivative.
    fn at(&self, (x, dx): (f64, &Row), (y, dy): (f64, &Row), (made, dmade): (f64, &Row)) -> [(f64, Row); 3] {
        let (life, p) = (self.life, &self.life.p);
        let sugar = (life.potential - made).max(0.0);
        let left = sugar * life.sugar_per_co2;
        let bar = (0.55 * (made - self.lost) - 0.2).max(0.0);
        let percent = self.alcohol + abv_percent_of_co2(made);
        let alcohol = percent * life.per_ceiling;
        let below = (1.0 - alcohol.powi(4)).max(0.0);
        let [sated, product, pressure] = [
            1.0 / (left + 2.0),
            1.0 / (1.0 + made * life.per_product),
            1.0 / (1.0 + bar * life.per_pressure),
        ];
        let others = below * product * pressure;
        let h = left * sated * others;
        let by_left = if sugar > 0.0 {
            2.0 * sated * sated * others
        } else {
            0.0
        };
        let by_bar = if bar > 0.0 {
            -h * pressure * life.per_pressure * 0.55
        } else {
            0.0
        };
        let by_alcohol = if below > 0.0 {
            -4.0 * alcohol.powi(3) * left * sated * product * pressure
        } else {
            0.0
        };
        let by_made = -by_left * life.sugar_per_co2 - h * product * life.per_product
            + by_bar
            + by_alcohol * abv_percent_of_co2(1.0) * life.per_ceiling;
        let mut dh = dmade.map(|d| by_made * d);
        dh[LOST] -= by_bar;
        dh[POTENTIAL] += by_left * life.sugar_per_co2;
        dh[SUGAR_PER_CO2] += by_left * sugar;
        dh[PER_PRODUCT] -= h * product * made;
        dh[PER_PRESSURE] -= h * pressure * bar;
        dh[PER_CEILING] += by_alcohol * percent;

        let spread = x * (1.0 - x);
        let grown = self.growing * h * spread;
        let room = y * (1.0 - y * life.per_second_ceiling);
        let second = self.second * h * room;
        let kept = p.maintenance * x + y;
        let made_rate = (p.growth_yield * grown + kept * self.warmth * h) * self.surprise;
        let mut out = [
            (grown, [0.0; INPUTS]),
            (second, [0.0; INPUTS]),
            (made_rate, [0.0; INPUTS]),
        ];
        let by_x = self.growing * h * (1.0 - 2.0 * x);
        let by_y = self.second * h * (1.0 - 2.0 * y * life.per_second_ceiling);
        for i in 0..INPUTS {
            out[0].1[i] = self.growing * spread * dh[i] + by_x * dx[i];
            out[1].1[i] = self.second * room * dh[i] + by_y * dy[i];
        }
        out[0].1[GROWING] += h * spread;
        out[1].1[SECOND] += h * room;
        out[1].1[SECOND_CEILING] -= self.second * h * y * y;
        for i in 0..INPUTS {
            out[2].1[i] = self.surprise
                * (p.growth_yield * out[0].1[i]
                    + self.warmth * (h * (p.maintenance * dx[i] + dy[i]) + kept * dh[i]));
        }
        out[2].1[SURPRISE] += made_rate;
        out[2].1[GROWTH_YIELD] += grown * self.surprise;
        out[2].1[MAINTENANCE] += x * self.warmth * h * self.surprise;
        out[2].1[WARMTH] += kept * h * self.surprise;
        out
    }
}

impl Headspace {
    fn new(frame: &Frame, life: &Life, state: &State, next: &State, celsius: f64, dt: f64) -> Self {
        let p = &life.p;
        let all = life.all_in_pilot(next);
        let in_gas = state.in_gas.min(all);
        let eaten = life.eaten(next);
        let solutes = life.solutes(next.made);
        let kelvin = celsius + p.probe + 273.15;
        let vessel = Vessel {
            capacity: life.pilot.capacity * (1.0 + p.stretch * (state.bar - 1.0)),
            ..life.pilot
        };
        let air = life.air.vented(p.air * state.air_kept);
        let sealed =
            |vessel: Vessel, kelvin: f64| Sealed::charted(vessel, air, kelvin, solutes, &frame.chart);
        let here = sealed(vessel, kelvin);
        let ratio = here.ratio(in_gas, all - in_gas, eaten);
        let result = pair(passed(&here, in_gas, all, eaten, p.kla, dt));
        let after = result[0];
        // The exchange, by what it starts from, the capacity ratio and its rate.
        let balanced = all / (1.0 + ratio);
        let kept = (-p.kla * (1.0 + ratio) * dt).exp();
        let away = in_gas - balanced;
        let by_ratio = -balanced / (1.0 + ratio) * (1.0 - kept) - away * p.kla * dt * kept;
        // Then the pressure, by what is in the gas.
        let total = result[1];
        let bar = |sealed: &Sealed, after: f64, all: f64, eaten: f64| {
            sealed.total(after, all - after, eaten) * 1e-5
        };
        let gas_step = (1e-5 * after).max(1e-6);
        let bar_by_gas = (bar(&here, after + gas_step, all, eaten) - total) / gas_step;
        let through = |in_gas: f64, bar: f64| [in_gas, bar + bar_by_gas * in_gas];
        let of_sealed = |there: &Sealed, step: f64| {
            let moved = (there.ratio(in_gas, all - in_gas, eaten) - ratio) / step;
            through(by_ratio * moved, (bar(there, after, all, eaten) - total) / step)
        };
        let of_state = |in_gas_there: f64, all_there: f64, eaten_there: f64, step: f64| {
            (here.ratio(in_gas_there, all_there - in_gas_there, eaten_there) - ratio) / step
        };
        let in_gas_step = (1e-5 * in_gas).max(1e-6);
        let all_step = 1e-5 * all.max(1.0);
        let by_eaten = through(
            by_ratio * of_state(in_gas, all, eaten + 1e-4, 1e-4),
            (bar(&here, after, all, eaten + 1e-4) - total) * 1e4,
        );
        Self {
            in_gas,
            all,
            eaten,
            oxygen: next.oxygen,
            made: next.made,
            solutes,
            celsius,
            bar: state.bar,
            air_kept: state.air_kept,
            result,
            by_in_gas: through(
                kept + by_ratio * of_state(in_gas + in_gas_step, all, eaten, in_gas_step),
                0.0,
            ),
            by_all: through(
                (1.0 - kept) / (1.0 + ratio) + by_ratio * of_state(in_gas, all + all_step, eaten, all_step),
                (bar(&here, after, all + all_step, eaten) - total) / all_step,
            ),
            by_eaten,
            by_kla: through(-away * (1.0 + ratio) * dt * kept, 0.0),
            by_solutes: through(by_ratio * ratio / solutes.max(1e-9), 0.0),
            by_kelvin: of_sealed(&sealed(vessel, kelvin + 1e-3), 1e-3),
            // Air is what oxygen that goes takes from it.
            by_air: by_eaten.map(|by| by * (eaten - 1.0 / OXYGEN_SHARE)),
            by_capacity: if p.stretch > 0.0 {
                let grown = Vessel {
                    capacity: vessel.capacity * (1.0 + 1e-5),
                    ..vessel
                };
                of_sealed(&sealed(grown, kelvin), 1e-5 * vessel.capacity)
            } else {
                [0.0; 2]
            },
        }
    }

    /// What the same step gives in the vessel of another life.
    fn in_vessel_of(&self, other: &Life, life: &Life, frame: &Frame, dt: f64) -> Pair {
        let p = &life.p;
        let vessel = Vessel {
            capacity: other.pilot.capacity * (1.0 + p.stretch * (self.bar - 1.0)),
            ..other.pilot
        };
        let air = other.air.vented(p.air * self.air_kept);
        let kelvin = self.celsius + p.probe + 273.15;
        let sealed = Sealed::charted(vessel, air, kelvin, self.solutes, &frame.chart);
        pair(passed(&sealed, self.in_gas, self.all, self.eaten, p.kla, dt))
    }
}

fn pair((in_gas, bar): (f64, f64)) -> Pair {
    [in_gas, bar]
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
    direct: Vec<(usize, Lanes)>,
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
            let by = lanes(&of);
            if by.iter().any(|by| by.abs() > 0.0) {
                direct.push((input, by));
            }
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
                for (input, by) in &own.direct {
                    for lane in 0..LANES {
                        result[lane] += row[*input] * by[lane];
                    }
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
