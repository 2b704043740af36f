//! The grey box: one life of a batch, step by step.
//!
//! State: x (culture as a share of its ceiling), q (Baranyi's adaptation), y (production of a second, slower population), the CO2
//! made, the part of all CO2 that is in the sensor vessel's headspace, and the oxygen eaten. With w(T) the cardinal-temperature
//! law and h = S/(S+2) / (1 + made/Ki) / (1 + p/Pi):
//!
//! - growth a = mu w q/(1+q) h, x' = a x (1-x), q' = mu w q (Baranyi and Roberts 1994)
//! - y' = mu2 w h y (1 - y/R2)
//! - made' = [G x' + (R x + y) w] h exp(d(t)) (Luedeking and Piret 1959: growth-associated and maintenance)
//! - headspace: relaxes to its balance at the rate of the exchange
//!
//! d(t) is the discrepancy: an Ornstein-Uhlenbeck process on the log rate, so that the box may be wrong and say so.

mod tangent;

use super::{frame::Frame, prior::Parameters};
pub(super) use tangent::{Columns, LANES, Lanes, Trace, carried};

use crate::physics::{
    air::SealedAir,
    exchange::towards_balance,
    gas::GAS_CONSTANT,
    headspace::{MOL_PER_M3_PER_G_PER_L, Sealed, Vessel},
    solubility::{ALCOHOL_COST, CO2_MOLAR_MASS_G, solute_factor},
    sugar::abv_percent_of_co2,
};

/// What each g/L of CO2 made adds to the solubility, as a share of it.
fn solute_gain(frame: &Frame, salting_out: f64) -> f64 {
    let sugar = frame.fermentable_mol_per_l / (CO2_PER_HEXOSE * frame.hexose_g_per_l).max(1e-6);
    std::f64::consts::LN_10 * salting_out * sugar - abv_percent_of_co2(1.0) * ALCOHOL_COST
}

/// CO2 from a gram of hexose, about.
const CO2_PER_HEXOSE: f64 = 0.46;

/// Where a life stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct State {
    x: f64,
    ln_q: f64,
    y: f64,
    /// CO2 made since sealing, g/L.
    pub(super) made: f64,
    /// CO2 lost by venting, g/L.
    lost: f64,
    /// CO2 lost through a plastic wall, g/L.
    seeped: f64,
    /// CO2 lost through a leak of the sensor vessel, g/L.
    leaked: f64,
    /// How much it leaks: gas in mol per m3 of drink, hour and bar above the surrounding air.
    leak: f64,
    /// Absolute pressure in the sensor vessel, bar.
    pub(super) bar: f64,
    /// CO2 in the sensor vessel's headspace, mol per m3 of drink.
    in_gas: f64,
    oxygen: f64,
    /// Share of the trapped air that venting left.
    air_kept: f64,
    /// Production, g/(L h).
    pub(super) rate: f64,
}

impl State {
    /// The same, but the sensor vessel leaks: gas in mol per m3 of drink, hour and bar above the surrounding air.
    pub(super) fn leaking(self, leak: f64) -> Self {
        Self { leak, ..self }
    }

    /// CO2 dissolved in the sensor vessel's drink, g/L.
    pub(super) fn dissolved(&self, p: &Parameters) -> f64 {
        let all = p.co2_at_start + self.made - self.lost - self.seeped - self.leaked;
        (all - self.in_gas * (1e-3 * CO2_MOLAR_MASS_G)).max(0.0)
    }
}

/// Parameters with what follows from them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Life {
    pub(super) p: Parameters,
    solute_factor: f64,
    /// What each g/L of CO2 made adds to it, as a share: sugar goes, alcohol comes.
    solute_gain: f64,
    /// The sensor vessel as this life has it, and the air in it.
    pilot: Vessel,
    air: SealedAir,
    /// CO2 of a headspace that was not left to air, mol per m3 of drink.
    shut_in: f64,
    /// Fermentable sugar as CO2, g/L.
    potential: f64,
    /// One over some of the parameters: a division is dear in the hot loop.
    sugar_per_co2: f64,
    per_product: f64,
    per_pressure: f64,
    per_ceiling: f64,
    per_second_ceiling: f64,
}

#[cfg(test)]
impl State {
    /// Culture as a share of its ceiling.
    pub(super) fn grown(&self) -> f64 {
        self.x
    }
}

impl Life {
    /// `all_sugar`: lactose and the like count as fermentable, for worst cases.
    pub(super) fn new(p: Parameters, frame: &Frame, all_sugar: bool) -> Self {
        let sugar = frame.hexose_g_per_l
            + if all_sugar {
                frame.unfermentable_g_per_l
            } else {
                0.0
            };
        let yielded = if all_sugar {
            p.co2_per_sugar.max(0.475)
        } else {
            p.co2_per_sugar
        };
        let nominal = frame.pilot;
        let pilot = Vessel {
            drink: nominal.capacity - p.gas_space * (nominal.capacity - nominal.drink),
            ..nominal
        };
        Self {
            p,
            pilot,
            air: pilot.air_shut_in(frame.sealed_k, frame.ambient_bar * 1e5, frame.air_share),
            shut_in: (1.0 - frame.air_share) * frame.ambient_bar * 1e5 * (pilot.capacity - pilot.drink)
                / (pilot.drink * GAS_CONSTANT * frame.sealed_k),
            solute_factor: solute_factor(frame.sugar_mol_per_l, frame.alcohol_percent, p.salting_out)
                * p.henry,
            solute_gain: solute_gain(frame, p.salting_out),
            potential: sugar * yielded,
            sugar_per_co2: 1.0 / yielded,
            per_product: 1.0 / p.product_inhibition,
            per_pressure: 1.0 / p.pressure_inhibition,
            // A guess at where the culture gives up is not leaned on for a worst case; a figure that is known is.
            per_ceiling: if all_sugar && frame.known.ceiling.is_none() {
                0.0
            } else {
                1.0 / p.ceiling
            },
            per_second_ceiling: 1.0 / p.second_ceiling.max(p.second),
        }
    }

    pub(super) fn start(&self, frame: &Frame) -> State {
        let p = &self.p;
        State {
            x: p.start,
            ln_q: p.ln_adapted,
            y: p.second,
            made: 0.0,
            lost: 0.0,
            seeped: 0.0,
            leaked: 0.0,
            leak: 0.0,
            bar: frame.ambient_bar,
            // Capped as filled, the headspace holds air: the drink has yet to give it CO2.
            in_gas: self.shut_in,
            oxygen: 0.0,
            air_kept: 1.0,
            rate: 0.0,
        }
    }

    /// All CO2 in a bottle of the batch, mol per m3 of drink.
    pub(super) fn all(&self, frame: &Frame, state: &State) -> f64 {
        let seeped = if frame.bottles_of_plastic {
            state.seeped
        } else {
            0.0
        };
        (self.p.co2_at_start + self.p.in_batch(state.made) - state.lost - seeped).max(0.0)
            * MOL_PER_M3_PER_G_PER_L
            + self.shut_in
    }

    /// About how much was made once a bottle holds `all`, nothing of it lost.
    fn made_by(&self, all: f64) -> f64 {
        ((all - self.shut_in) / MOL_PER_M3_PER_G_PER_L - self.p.co2_at_start).max(0.0)
    }

    /// The same in the sensor vessel.
    fn all_in_pilot(&self, state: &State) -> f64 {
        (self.p.co2_at_start + state.made - state.lost - state.seeped - state.leaked).max(0.0)
            * MOL_PER_M3_PER_G_PER_L
            + self.shut_in
    }

    /// The sensor vessel at `celsius` (as its thermometer shows it).
    fn vessel(&self, frame: &Frame, state: &State, celsius: f64) -> Sealed {
        let grown = Vessel {
            capacity: self.pilot.capacity * (1.0 + self.p.stretch * (state.bar - 1.0)),
            ..self.pilot
        };
        Sealed::charted(
            grown,
            self.air.vented(self.p.air * state.air_kept),
            celsius + self.p.probe + 273.15,
            self.solutes(state.made),
            &frame.chart,
        )
    }

    /// Solubility in the drink beside that in water once `made` g/L of CO2 were made.
    fn solutes(&self, made: f64) -> f64 {
        self.solute_factor * (1.0 + self.solute_gain * made)
    }

    /// A bottle of the batch, or the worst of them, at a true temperature, once `made` g/L of CO2 were made.
    pub(super) fn bottle(&self, frame: &Frame, worst: bool, celsius: f64, made: f64) -> Sealed {
        let (vessel, air) = if worst {
            (frame.worst, frame.worst_air)
        } else {
            (frame.bottle, frame.bottle_air)
        };
        Sealed::charted(vessel, air, celsius + 273.15, self.solutes(made), &frame.chart)
    }

    fn eaten(&self, state: &State) -> f64 {
        self.p.oxygen_share * state.oxygen
    }

    /// Absolute pressure of the worst bottle at equilibrium, bar, half a degree warmer than `celsius`.
    pub(super) fn worst_bar(&self, frame: &Frame, state: &State, celsius: f64) -> f64 {
        let sealed = self.bottle(frame, true, celsius + self.p.probe + 0.5, state.made);
        let balance = sealed.at_total(self.all(frame, state), self.eaten(state));
        sealed.pressure_of(&balance) * 1e-5
    }

    /// No less than the same at any state between two, no warmer than `celsius`.
    pub(super) fn worst_bar_between(&self, frame: &Frame, [first, last]: [&State; 2], celsius: f64) -> f64 {
        let sealed = self.bottle(frame, true, celsius + self.p.probe + 0.5, first.made);
        let balance = sealed.at_total(self.all(frame, last), self.eaten(first));
        sealed.pressure_of(&balance) * 1e-5
    }

    /// Content in the target's sense, g/L.
    pub(super) fn content(&self, frame: &Frame, state: &State) -> f64 {
        self.content_of(frame, self.all(frame, state))
    }

    pub(super) fn content_of(&self, frame: &Frame, all: f64) -> f64 {
        let sealed = self.bottle(frame, false, frame.fridge_c, self.made_by(all));
        sealed.content_g_per_l(&sealed.at_total(all, 0.8))
    }

    /// All CO2 of a bottle whose content in the target's sense is the target, mol per m3.
    pub(super) fn all_at_target(&self, frame: &Frame) -> f64 {
        self.bottle(
            frame,
            false,
            frame.fridge_c,
            (frame.target_g_per_l - self.p.co2_at_start).max(0.0),
        )
        .all_at_content(frame.target_g_per_l, 0.8)
    }

    /// Alcohol, % vol.
    pub(super) fn alcohol(&self, frame: &Frame, state: &State) -> f64 {
        frame.alcohol_percent + abv_percent_of_co2(state.made)
    }

    /// Goes on for `dt` hours, the temperature running from the first to the second of `celsius`, with the rates times
    /// `surprise`; a midpoint step.
    pub(super) fn step(
        &self,
        frame: &Frame,
        state: &State,
        [from, to]: [f64; 2],
        dt: f64,
        surprise: f64,
    ) -> State {
        let mut next = self.brewed(frame, state, self.warmth(from, to), dt, surprise);
        let sealed = self.vessel(frame, &next, to);
        let all = self.all_in_pilot(&next);
        let in_gas = state.in_gas.min(all);
        let eaten = self.eaten(&next);
        (next.in_gas, next.bar) = passed(&sealed, in_gas, all, eaten, self.p.kla, dt);
        if state.leak > 0.0 {
            let ratio = sealed.ratio(in_gas, all - in_gas, eaten);
            let exchange = [all / (1.0 + ratio), self.p.kla * (1.0 + ratio)];
            let out = self.let_out(frame, state, &mut next, exchange, dt);
            next.bar = sealed.total(next.in_gas, (all - out - next.in_gas).max(0.0), eaten) * 1e-5;
        }
        next
    }

    /// The temperature's factor on the rates half-way from one temperature to another.
    pub(super) fn warmth(&self, from: f64, to: f64) -> f64 {
        self.p.warmth(0.5 * (from + to) + self.p.probe)
    }

    /// The sensor vessel's headspace matters for what the drink does: its pressure drives CO2 through the wall.
    pub(super) fn leaks_through_wall(&self) -> bool {
        self.p.seepage > 0.0
    }

    /// The drink's part of a step at a given warmth: the sensor vessel's headspace stays behind.
    pub(super) fn brewed(&self, frame: &Frame, state: &State, warmth: f64, dt: f64, surprise: f64) -> State {
        self.brewed_growing(frame, state, [warmth, self.growing(state, warmth)], dt, surprise)
    }

    /// The rate at which the culture grows at a given warmth if nothing holds it back.
    pub(super) fn growing(&self, state: &State, warmth: f64) -> f64 {
        self.p.growth * warmth / (1.0 + (-state.ln_q).exp())
    }

    /// [`Self::brewed`] where the rate of growth is known with the warmth.
    pub(super) fn brewed_growing(
        &self,
        frame: &Frame,
        state: &State,
        [warmth, growing]: [f64; 2],
        dt: f64,
        surprise: f64,
    ) -> State {
        let p = &self.p;
        let brake = |made: f64, lost: f64| {
            let left = (self.potential - made).max(0.0) * self.sugar_per_co2;
            // The brake by pressure is soft: a rough figure from the content does.
            let bar = (0.55 * (made - lost) - 0.2).max(0.0);
            let alcohol = (frame.alcohol_percent + abv_percent_of_co2(made)) * self.per_ceiling;
            let below_ceiling = (1.0 - alcohol * alcohol * alcohol * alcohol).max(0.0);
            left * below_ceiling
                / ((left + 2.0) * (1.0 + made * self.per_product) * (1.0 + bar * self.per_pressure))
        };
        let slopes = |x: f64, y: f64, made: f64| {
            let h = brake(made, state.lost);
            let dx = growing * h * x * (1.0 - x);
            let dy = p.second_growth * warmth * h * y * (1.0 - y * self.per_second_ceiling);
            let dm = (p.growth_yield * dx + (p.maintenance * x + y) * warmth * h) * surprise;
            (dx, dy, dm)
        };
        let most = self.potential.max(state.made);
        let (dx, dy, dm) = slopes(state.x, state.y, state.made);
        let half_x = (state.x + 0.5 * dt * dx).clamp(0.0, 1.0);
        let half_y = (state.y + 0.5 * dt * dy).max(0.0);
        let (dx, dy, dm) = slopes(half_x, half_y, (state.made + 0.5 * dt * dm).min(most));
        let mut next = State {
            x: (state.x + dt * dx).clamp(0.0, 1.0),
            ln_q: (state.ln_q + dt * p.growth * warmth).min(30.0),
            y: (state.y + dt * dy).max(0.0),
            made: (state.made + dt * dm).min(most),
            oxygen: 1.0 - (1.0 - state.oxygen) * (-dt * p.oxygen_rate * warmth * half_x.sqrt()).exp(),
            rate: dm,
            ..*state
        };
        if p.seepage > 0.0 {
            let through =
                p.seepage * self.pilot.capacity / self.pilot.drink * (state.bar - frame.ambient_bar).max(0.0);
            next.seeped += through * dt * CO2_MOLAR_MASS_G;
        }
        next
    }

    /// What a leak lets out in `dt`, mol per m3 of drink: the headspace loses all its gases in the same share, while the exchange
    /// runs to its balance at its rate; solved exactly for constant rates.
    fn let_out(
        &self,
        frame: &Frame,
        before: &State,
        next: &mut State,
        [balanced, exchange]: [f64; 2],
        dt: f64,
    ) -> f64 {
        let room = (self.pilot.capacity - self.pilot.drink) / self.pilot.drink;
        let moles = before.bar.max(0.1) * 1e5 * room / (GAS_CONSTANT * frame.sealed_k);
        let over = (before.bar - frame.ambient_bar).max(0.0);
        let away = before.leak * over / moles;
        let rate = exchange + away;
        let end = balanced * exchange / rate;
        let faded = (-rate * dt).exp();
        next.in_gas = (end + (before.in_gas - end) * faded).max(0.0);
        let out = away * (end * dt + (before.in_gas - end) * (1.0 - faded) / rate).max(0.0);
        next.leaked += out / MOL_PER_M3_PER_G_PER_L;
        next.air_kept *= (-away * dt).exp();
        out
    }

    /// The cap was lifted: the headspace falls to the surrounding air.
    pub(super) fn vented(&self, frame: &Frame, state: &State, celsius: f64) -> State {
        let dissolved = (self.all_in_pilot(state) - state.in_gas).max(0.0);
        let sealed = self.vessel(frame, state, celsius);
        let (in_gas, _) = sealed.vented(
            state.in_gas,
            dissolved,
            self.eaten(state),
            frame.ambient_bar * 1e5,
        );
        let kept = if state.in_gas > 0.0 {
            (in_gas / state.in_gas).clamp(0.0, 1.0)
        } else {
            1.0
        };
        let gone = (state.in_gas - in_gas) / MOL_PER_M3_PER_G_PER_L;
        let air_kept = state.air_kept * kept;
        State {
            lost: state.lost + gone.max(0.0),
            in_gas,
            air_kept,
            bar: state.bar.min(frame.ambient_bar),
            ..*state
        }
    }
}

/// CO2 in the headspace and pressure, bar, once `dt` hours of exchange passed, the bottle holding `all`.
fn passed(sealed: &Sealed, in_gas: f64, all: f64, eaten: f64, kla: f64, dt: f64) -> (f64, f64) {
    let ratio = sealed.ratio(in_gas, all - in_gas, eaten);
    let after = towards_balance(in_gas, all / (1.0 + ratio), kla, ratio, dt).clamp(0.0, all);
    (after, sealed.total(after, all - after, eaten) * 1e-5)
}
