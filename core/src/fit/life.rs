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

use super::{frame::Frame, prior::Parameters};
use crate::physics::{
    exchange::towards_balance,
    headspace::{MOL_PER_M3_PER_G_PER_L, Sealed},
    solubility::solute_factor,
    sugar::abv_percent_of_co2,
};

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
    /// CO2 in the sensor vessel's headspace, mol per m3 of drink.
    in_gas: f64,
    oxygen: f64,
    /// Share of the trapped air that venting left.
    air_kept: f64,
    /// Production, g/(L h).
    pub(super) rate: f64,
}

/// Parameters with what follows from them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Life {
    pub(super) p: Parameters,
    solute_factor: f64,
    /// Fermentable sugar as CO2, g/L.
    potential: f64,
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
        Self {
            p,
            solute_factor: solute_factor(frame.sugar_mol_per_l, 1.0, p.salting_out) * p.henry,
            potential: sugar * yielded,
        }
    }

    pub(super) fn start(&self, frame: &Frame) -> State {
        let p = &self.p;
        let all = p.co2_at_start * MOL_PER_M3_PER_G_PER_L;
        State {
            x: p.start,
            ln_q: p.ln_adapted,
            y: p.second,
            made: 0.0,
            lost: 0.0,
            // Capped as filled, the headspace holds air: the drink has yet to give it CO2.
            in_gas: if frame.air_share > 0.5 { 0.0 } else { 0.04 * all },
            oxygen: 0.0,
            air_kept: 1.0,
            rate: 0.0,
        }
    }

    /// All CO2 in a bottle of the batch, mol per m3 of drink.
    pub(super) fn all(&self, state: &State) -> f64 {
        (self.p.co2_at_start + state.made - state.lost).max(0.0) * MOL_PER_M3_PER_G_PER_L
    }

    /// The sensor vessel at `celsius` (as its thermometer shows it).
    fn vessel(&self, frame: &Frame, state: &State, celsius: f64) -> Sealed {
        let air = frame.pilot_air(self.p.air * state.air_kept);
        Sealed::new(
            frame.pilot,
            air,
            celsius + self.p.probe + 273.15,
            self.solute_factor,
        )
    }

    /// A bottle of the batch, or the worst of them, at a true temperature.
    pub(super) fn bottle(&self, frame: &Frame, worst: bool, celsius: f64) -> Sealed {
        let (vessel, air) = if worst {
            (frame.worst, frame.worst_air)
        } else {
            (frame.bottle, frame.bottle_air)
        };
        Sealed::new(vessel, air, celsius + 273.15, self.solute_factor)
    }

    fn eaten(&self, state: &State) -> f64 {
        self.p.oxygen_share * state.oxygen
    }

    /// Absolute pressure in the sensor vessel, bar.
    pub(super) fn pressure_bar(&self, frame: &Frame, state: &State, celsius: f64) -> f64 {
        let dissolved = (self.all(state) - state.in_gas).max(0.0);
        self.vessel(frame, state, celsius)
            .total(state.in_gas, dissolved, self.eaten(state))
            * 1e-5
    }

    /// Absolute pressure of the worst bottle at equilibrium, bar, half a degree warmer than `celsius`.
    pub(super) fn worst_bar(&self, frame: &Frame, state: &State, celsius: f64) -> f64 {
        let sealed = self.bottle(frame, true, celsius + self.p.probe + 0.5);
        let balance = sealed.at_total(self.all(state), self.eaten(state));
        sealed.pressure_of(&balance) * 1e-5
    }

    /// Content in the target's sense, g/L.
    pub(super) fn content(&self, frame: &Frame, state: &State) -> f64 {
        self.content_of(frame, self.all(state))
    }

    fn content_of(&self, frame: &Frame, all: f64) -> f64 {
        let sealed = self.bottle(frame, false, frame.fridge_c);
        sealed.content_g_per_l(&sealed.at_total(all, 0.8))
    }

    /// All CO2 of a bottle whose content in the target's sense is the target, mol per m3.
    pub(super) fn all_at_target(&self, frame: &Frame) -> f64 {
        self.bottle(frame, false, frame.fridge_c)
            .all_at_content(frame.target_g_per_l, 0.8)
    }

    /// Alcohol, % vol.
    pub(super) fn alcohol(&self, frame: &Frame, state: &State) -> f64 {
        frame.alcohol_percent + abv_percent_of_co2(state.made)
    }

    /// Goes on for `dt` hours at `celsius` with the rates times `surprise`; a midpoint step.
    pub(super) fn step(&self, frame: &Frame, state: &State, celsius: f64, dt: f64, surprise: f64) -> State {
        let p = &self.p;
        let warmth = p.warmth(celsius + p.probe);
        let brake = |state: &State| {
            let left = (self.potential - state.made).max(0.0) / p.co2_per_sugar;
            // The brake by pressure is soft: a rough figure from the content does.
            let bar = (0.55 * (state.made - state.lost) - 0.2).max(0.0);
            let alcohol = frame.alcohol_percent + abv_percent_of_co2(state.made);
            let below_ceiling = if alcohol < p.ceiling {
                (1.0 - (alcohol / p.ceiling).powi(4)).max(0.0)
            } else {
                0.0
            };
            left / (left + 2.0)
                / (1.0 + state.made / p.product_inhibition)
                / (1.0 + bar / p.pressure_inhibition)
                * below_ceiling
        };
        let slopes = |state: &State| {
            let h = brake(state);
            let adapted = 1.0 / (1.0 + (-state.ln_q).exp());
            let x = p.growth * warmth * adapted * h * state.x * (1.0 - state.x);
            let y = p.second_growth * warmth * h * state.y * (1.0 - state.y / p.second_ceiling.max(p.second));
            let made = (p.growth_yield * x + (p.maintenance * state.x + state.y) * warmth * h) * surprise;
            (x, y, made)
        };
        let (x, y, made) = slopes(state);
        let half = State {
            x: (state.x + 0.5 * dt * x).clamp(0.0, 1.0),
            ln_q: (state.ln_q + 0.5 * dt * p.growth * warmth).min(30.0),
            y: (state.y + 0.5 * dt * y).max(0.0),
            made: (state.made + 0.5 * dt * made).min(self.potential.max(state.made)),
            ..*state
        };
        let (x, y, made) = slopes(&half);
        let made_then = (state.made + dt * made).min(self.potential.max(state.made));
        let mut next = State {
            x: (state.x + dt * x).clamp(0.0, 1.0),
            ln_q: (state.ln_q + dt * p.growth * warmth).min(30.0),
            y: (state.y + dt * y).max(0.0),
            made: made_then,
            oxygen: 1.0 - (1.0 - state.oxygen) * (-dt * p.oxygen_rate * warmth * half.x.sqrt()).exp(),
            rate: made,
            ..*state
        };
        let sealed = self.vessel(frame, &next, celsius);
        let all = self.all(&next);
        let in_gas = state.in_gas.min(all);
        let ratio = sealed.ratio(in_gas, all - in_gas, self.eaten(&next));
        next.in_gas = towards_balance(in_gas, all / (1.0 + ratio), p.kla, ratio, dt).clamp(0.0, all);
        next
    }

    /// The cap was lifted: the headspace falls to the surrounding air.
    pub(super) fn vented(&self, frame: &Frame, state: &State, celsius: f64) -> State {
        let dissolved = (self.all(state) - state.in_gas).max(0.0);
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
        State {
            lost: state.lost + gone.max(0.0),
            in_gas,
            air_kept: state.air_kept * kept,
            ..*state
        }
    }
}
