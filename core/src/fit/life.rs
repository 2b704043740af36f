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

mod step;
mod tangent;

use super::{frame::Frame, prior::Parameters};
pub(super) use tangent::{Columns, LANES, Lanes, Trace, carried};

use crate::abreast::{Real, abreast};
use crate::physics::{
    air::SealedAir,
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
pub(super) struct State<F = f64> {
    x: F,
    ln_q: F,
    y: F,
    /// CO2 made since sealing, g/L.
    pub(super) made: F,
    /// CO2 lost by venting, g/L.
    lost: F,
    /// CO2 lost through a plastic wall, g/L.
    seeped: F,
    /// CO2 lost through a leak of the sensor vessel, g/L.
    leaked: F,
    /// How much it leaks: gas in mol per m3 of drink, hour and bar above the surrounding air.
    leak: F,
    /// Absolute pressure in the sensor vessel, bar.
    pub(super) bar: F,
    /// CO2 in the sensor vessel's headspace, mol per m3 of drink.
    in_gas: F,
    oxygen: F,
    /// Share of the trapped air that venting left.
    air_kept: F,
    /// Production, g/(L h).
    pub(super) rate: F,
}

abreast!(State {
    x,
    ln_q,
    y,
    made,
    lost,
    seeped,
    leaked,
    leak,
    bar,
    in_gas,
    oxygen,
    air_kept,
    rate,
});

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

impl<F: Real> State<F> {
    /// On a straight way to a later one, `share` of it done; nothing leaks.
    pub(super) fn towards(&self, later: &Self, share: f64) -> Self {
        let between = |from: F, to: F| from + (to - from) * share;
        Self {
            x: between(self.x, later.x),
            ln_q: between(self.ln_q, later.ln_q),
            y: between(self.y, later.y),
            made: between(self.made, later.made),
            lost: between(self.lost, later.lost),
            seeped: between(self.seeped, later.seeped),
            oxygen: between(self.oxygen, later.oxygen),
            rate: between(self.rate, later.rate),
            ..*later
        }
    }
}

/// Parameters with what follows from them.
#[derive(Clone, Copy, Debug)]
pub(super) struct Life<F = f64> {
    pub(super) p: Parameters<F>,
    solute_factor: F,
    /// What each g/L of CO2 made adds to it, as a share: sugar goes, alcohol comes.
    solute_gain: F,
    /// The sensor vessel as this life has it, and the air in it.
    pilot: Vessel<F>,
    air: SealedAir<F>,
    /// CO2 of a headspace that was not left to air, mol per m3 of drink.
    shut_in: F,
    /// Fermentable sugar as CO2, g/L.
    potential: F,
    /// One over some of the parameters: a division is dear in the hot loop.
    sugar_per_co2: F,
    per_product: F,
    per_pressure: F,
    per_ceiling: F,
    per_second_ceiling: F,
}

abreast!(Life {
    p,
    solute_factor,
    solute_gain,
    pilot,
    air,
    shut_in,
    potential,
    sugar_per_co2,
    per_product,
    per_pressure,
    per_ceiling,
    per_second_ceiling,
});

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
}

impl<F: Real> Life<F> {
    /// All CO2 in a bottle of the batch, mol per m3 of drink.
    #[inline]
    pub(super) fn all(&self, frame: &Frame, state: &State<F>) -> F {
        let seeped = if frame.bottles_of_plastic {
            state.seeped
        } else {
            F::of(0.0)
        };
        (self.p.co2_at_start + self.p.in_batch(state.made) - state.lost - seeped).no_less(0.0)
            * MOL_PER_M3_PER_G_PER_L
            + self.shut_in
    }

    /// About how much was made once a bottle holds `all`, nothing of it lost.
    fn made_by(&self, all: F) -> F {
        ((all - self.shut_in) / F::of(MOL_PER_M3_PER_G_PER_L) - self.p.co2_at_start).no_less(0.0)
    }

    /// The same in the sensor vessel.
    #[inline(always)]
    fn all_in_pilot(&self, state: &State<F>) -> F {
        (self.p.co2_at_start + state.made - state.lost - state.seeped - state.leaked).no_less(0.0)
            * MOL_PER_M3_PER_G_PER_L
            + self.shut_in
    }

    /// The sensor vessel at `celsius` (as its thermometer shows it).
    #[inline(always)]
    fn vessel(&self, frame: &Frame, state: &State<F>, celsius: F) -> Sealed<F> {
        let grown = Vessel {
            capacity: self.pilot.capacity * (self.p.stretch * (state.bar - 1.0) + 1.0),
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
    #[inline(always)]
    fn solutes(&self, made: F) -> F {
        self.solute_factor * (self.solute_gain * made + 1.0)
    }

    /// A bottle of the batch, or the worst of them, at a true temperature, once `made` g/L of CO2 were made.
    #[inline]
    pub(super) fn bottle(&self, frame: &Frame, worst: bool, celsius: F, made: F) -> Sealed<F> {
        let (vessel, air) = if worst {
            (frame.worst, frame.worst_air)
        } else {
            (frame.bottle, frame.bottle_air)
        };
        Sealed::charted(
            vessel.for_all(),
            air.for_all(),
            celsius + 273.15,
            self.solutes(made),
            &frame.chart,
        )
    }

    #[inline(always)]
    fn eaten(&self, state: &State<F>) -> F {
        self.p.oxygen_share * state.oxygen
    }

    /// Absolute pressure of the worst bottle at equilibrium, bar, half a degree warmer than `celsius`.
    pub(super) fn worst_bar(&self, frame: &Frame, state: &State<F>, celsius: F) -> F {
        let sealed = self.bottle(frame, true, celsius + self.p.probe + 0.5, state.made);
        let balance = sealed.at_total(self.all(frame, state), self.eaten(state));
        sealed.pressure_of(&balance) * 1e-5
    }

    /// No less than the same at any state between two, no warmer than `celsius`.
    pub(super) fn worst_bar_between(&self, frame: &Frame, [first, last]: [&State<F>; 2], celsius: F) -> F {
        let sealed = self.bottle(frame, true, celsius + self.p.probe + 0.5, first.made);
        let balance = sealed.at_total(self.all(frame, last), self.eaten(first));
        sealed.pressure_of(&balance) * 1e-5
    }

    /// Content in the target's sense, g/L.
    pub(super) fn content(&self, frame: &Frame, state: &State<F>) -> F {
        self.content_of(frame, self.all(frame, state))
    }

    pub(super) fn content_of(&self, frame: &Frame, all: F) -> F {
        let sealed = self.bottle(frame, false, F::of(frame.fridge_c), self.made_by(all));
        sealed.content_g_per_l(&sealed.at_total(all, F::of(0.8)))
    }
}
