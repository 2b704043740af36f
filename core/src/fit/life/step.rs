//! A life goes on: drink and headspace, a leak, a lifted cap.

use super::{Life, MOL_PER_M3_PER_G_PER_L, State};
use crate::{
    abreast::Real,
    fit::frame::Frame,
    physics::{
        exchange::towards_balance, gas::GAS_CONSTANT, headspace::Sealed, solubility::CO2_MOLAR_MASS_G,
        sugar::abv_percent_of_co2,
    },
};

impl Life {
    /// Goes on for `dt` hours, the temperature running from the first to the second of `celsius`, with the rates times
    /// `surprise`; a midpoint step.
    pub(in crate::fit) fn step(
        &self,
        frame: &Frame,
        state: &State,
        [from, to]: [f64; 2],
        dt: f64,
        surprise: f64,
    ) -> State {
        let mut next = self.tight_step(frame, state, [from, to], dt, surprise);
        if state.leak > 0.0 {
            let sealed = self.vessel(
                frame,
                &State {
                    bar: state.bar,
                    ..next
                },
                to,
            );
            let all = self.all_in_pilot(&next);
            let in_gas = state.in_gas.min(all);
            let eaten = self.eaten(&next);
            let ratio = sealed.ratio(in_gas, all - in_gas, eaten);
            let exchange = [all / (1.0 + ratio), self.p.kla * (1.0 + ratio)];
            let out = self.let_out(frame, state, &mut next, exchange, dt);
            next.bar = sealed.total(next.in_gas, (all - out - next.in_gas).max(0.0), eaten) * 1e-5;
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
    pub(in crate::fit) fn vented(&self, frame: &Frame, state: &State, celsius: f64) -> State {
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

impl<F: Real> Life<F> {
    /// The temperature's factor on the rates half-way from one temperature to another.
    #[inline(always)]
    pub(in crate::fit) fn warmth(&self, from: F, to: F) -> F {
        self.p.warmth((from + to) * 0.5 + self.p.probe)
    }

    /// The sensor vessel's headspace matters for what the drink does: its pressure drives CO2 through the wall.
    pub(in crate::fit) fn leaks_through_wall(&self) -> bool {
        !F::everywhere(self.p.seepage.holds(F::of(0.0), |seepage, none| seepage <= none))
    }

    /// The drink's part of a step at a given warmth: the sensor vessel's headspace stays behind.
    #[inline]
    pub(in crate::fit) fn brewed(
        &self,
        frame: &Frame,
        state: &State<F>,
        warmth: F,
        dt: f64,
        surprise: F,
    ) -> State<F> {
        self.brewed_growing(frame, state, [warmth, self.growing(state, warmth)], dt, surprise)
    }

    /// The rate at which the culture grows at a given warmth if nothing holds it back.
    #[inline(always)]
    pub(in crate::fit) fn growing(&self, state: &State<F>, warmth: F) -> F {
        self.p.growth * warmth / ((-state.ln_q).e_to() + 1.0)
    }

    /// Part of the pace that the alcohol leaves, once so much was made.
    #[inline(always)]
    pub(in crate::fit) fn below_ceiling(&self, frame: &Frame, made: F) -> F {
        let alcohol = (abv_percent_of_co2(made) + frame.alcohol_percent) * self.per_ceiling;
        (F::of(1.0) - alcohol * alcohol * alcohol * alcohol).no_less(0.0)
    }

    /// How fast culture, second population and CO2 rise, by warmth, rate of growth and surprise.
    #[inline(always)]
    fn slopes(
        &self,
        frame: &Frame,
        [x, y, made, lost]: [F; 4],
        [warmth, growing, surprise]: [F; 3],
    ) -> (F, F, F) {
        let p = &self.p;
        let one = F::of(1.0);
        let left = (self.potential - made).no_less(0.0) * self.sugar_per_co2;
        // The brake by pressure is soft: a rough figure from the content does.
        let bar = ((made - lost) * 0.55 - 0.2).no_less(0.0);
        let h = left * self.below_ceiling(frame, made)
            / ((left + 2.0) * (made * self.per_product + 1.0) * (bar * self.per_pressure + 1.0));
        let dx = growing * h * x * (one - x);
        let dy = p.second_growth * warmth * h * y * (one - y * self.per_second_ceiling);
        let dm = (p.growth_yield * dx + (p.maintenance * x + y) * warmth * h) * surprise;
        (dx, dy, dm)
    }

    /// [`Self::brewed`] where the rate of growth is known with the warmth.
    #[inline(always)]
    pub(in crate::fit) fn brewed_growing(
        &self,
        frame: &Frame,
        state: &State<F>,
        [warmth, growing]: [F; 2],
        dt: f64,
        surprise: F,
    ) -> State<F> {
        let p = &self.p;
        let one = F::of(1.0);
        let stirred = [warmth, growing, surprise];
        let slopes = |x: F, y: F, made: F| self.slopes(frame, [x, y, made, state.lost], stirred);
        let most = self.potential.larger(state.made);
        let (dx, dy, dm) = slopes(state.x, state.y, state.made);
        let half_x = (state.x + dx * (0.5 * dt)).within(0.0, 1.0);
        let half_y = (state.y + dy * (0.5 * dt)).no_less(0.0);
        let (dx, dy, dm) = slopes(half_x, half_y, (state.made + dm * (0.5 * dt)).smaller(most));
        let mut next = State {
            x: (state.x + dx * dt).within(0.0, 1.0),
            ln_q: (state.ln_q + p.growth * dt * warmth).smaller(F::of(30.0)),
            y: (state.y + dy * dt).no_less(0.0),
            made: (state.made + dm * dt).smaller(most),
            oxygen: one - (one - state.oxygen) * (p.oxygen_rate * -dt * warmth * half_x.root()).e_to(),
            rate: dm,
            ..*state
        };
        if self.leaks_through_wall() {
            let through = p.seepage * self.pilot.capacity / self.pilot.drink
                * (state.bar - frame.ambient_bar).no_less(0.0);
            next.seeped = next.seeped + through * dt * CO2_MOLAR_MASS_G;
        }
        next
    }

    /// A step with the sensor vessel's headspace, which no leak opens.
    #[inline(always)]
    pub(in crate::fit) fn tight_step(
        &self,
        frame: &Frame,
        state: &State<F>,
        [from, to]: [F; 2],
        dt: f64,
        surprise: F,
    ) -> State<F> {
        let mut next = self.brewed(frame, state, self.warmth(from, to), dt, surprise);
        let sealed = self.vessel(frame, &next, to);
        let all = self.all_in_pilot(&next);
        let in_gas = state.in_gas.smaller(all);
        (next.in_gas, next.bar) = passed(&sealed, in_gas, all, self.eaten(&next), self.p.kla, dt);
        next
    }
}

/// CO2 in the headspace and pressure, bar, once `dt` hours of exchange passed, the bottle holding `all`.
#[inline(always)]
pub(super) fn passed<F: Real>(sealed: &Sealed<F>, in_gas: F, all: F, eaten: F, kla: F, dt: f64) -> (F, F) {
    let ratio = sealed.ratio(in_gas, all - in_gas, eaten);
    let after = towards_balance(in_gas, all / (ratio + 1.0), kla, ratio, dt)
        .no_less(0.0)
        .smaller(all);
    (after, sealed.total(after, all - after, eaten) * 1e-5)
}
