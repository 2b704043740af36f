//! One step and its partial derivatives, by what the step starts from and by the life's numbers.

use super::super::{Life, State, step::passed};
use crate::fit::frame::Frame;
use crate::physics::{
    air::OXYGEN_SHARE,
    headspace::{Sealed, Vessel},
    solubility::CO2_MOLAR_MASS_G,
    sugar::abv_percent_of_co2,
};

/// What the drink's part of a step depends on, in this order.
pub(super) const X: usize = 0;
pub(super) const Y: usize = 1;
pub(super) const MADE: usize = 2;
pub(super) const LOST: usize = 3;
pub(super) const GROWING: usize = 4;
pub(super) const SECOND: usize = 5;
pub(super) const WARMTH: usize = 6;
pub(super) const SURPRISE: usize = 7;
pub(super) const GROWTH_YIELD: usize = 8;
pub(super) const MAINTENANCE: usize = 9;
pub(super) const SECOND_CEILING: usize = 10;
pub(super) const POTENTIAL: usize = 11;
pub(super) const SUGAR_PER_CO2: usize = 12;
pub(super) const PER_PRODUCT: usize = 13;
pub(super) const PER_PRESSURE: usize = 14;
pub(super) const PER_CEILING: usize = 15;
pub(super) const INPUTS: usize = 16;

/// A derivative by each of them.
pub(super) type Row = [f64; INPUTS];

/// A derivative of the headspace's two results: CO2 in the gas, and pressure.
pub(super) type Pair = [f64; 2];

/// One step and its partial derivatives.
#[derive(Clone, Debug)]
pub(super) struct Local {
    pub(super) dt: f64,
    pub(super) middle_c: f64,
    /// How much warmer the middle is for each kelvin by which the thermometer lies off.
    pub(super) reach: f64,
    pub(super) warmth: f64,
    /// The discrepancy's knot before the middle of the step, and how far it is to the next.
    pub(super) knot: usize,
    pub(super) part: f64,
    /// Of the growth rate, by warmth, adaptation and its factor; and whether adaptation still grows.
    pub(super) growing: [f64; 3],
    pub(super) adapting: bool,
    pub(super) x: Row,
    pub(super) y: Row,
    pub(super) made: Row,
    pub(super) oxygen: Row,
    pub(super) oxygen_kept: f64,
    pub(super) by_oxygen_rate: f64,
    pub(super) seeped_by_bar: f64,
    pub(super) seeped_by_rate: f64,
    pub(super) headspace: Headspace,
    /// The state just before a venting at the end of the step.
    pub(super) vented: Option<State>,
}

/// The headspace's part of a step.
#[derive(Clone, Debug)]
pub(super) struct Headspace {
    /// What it starts from.
    pub(super) in_gas: f64,
    pub(super) all: f64,
    pub(super) eaten: f64,
    pub(super) oxygen: f64,
    pub(super) made: f64,
    pub(super) solutes: f64,
    pub(super) celsius: f64,
    pub(super) bar: f64,
    pub(super) air_kept: f64,
    pub(super) result: Pair,
    pub(super) by_in_gas: Pair,
    pub(super) by_all: Pair,
    pub(super) by_eaten: Pair,
    pub(super) by_solutes: Pair,
    pub(super) by_kelvin: Pair,
    pub(super) by_air: Pair,
    pub(super) by_kla: Pair,
    pub(super) by_capacity: Pair,
}

impl Local {
    /// The step from `state` to `node`.
    pub(super) fn new(frame: &Frame, life: &Life, surprises: &[f64], state: &State, node: usize) -> Self {
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
    pub(super) fn in_vessel_of(&self, other: &Life, life: &Life, frame: &Frame, dt: f64) -> Pair {
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

pub(super) fn pair((in_gas, bar): (f64, f64)) -> Pair {
    [in_gas, bar]
}
