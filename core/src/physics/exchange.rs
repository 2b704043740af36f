//! CO2 passing between drink and headspace, slowly: a still bottle takes hours.

use crate::abreast::Real;

/// CO2 in the headspace after `dt`, when it is `in_gas` at its start and `balanced` at equilibrium.
///
/// Two-film theory (Whitman 1923; Lewis and Whitman 1924, Ind. Eng. Chem. 16, 1215): the drink loses
/// `kla (dissolved - ratio in_gas)`, with `ratio` the [capacity ratio](super::bottle::Equilibrium::capacity_ratio), so
/// the headspace runs to its balance at the rate `kla (1 + ratio)`; solved exactly for constant rates, stable for any
/// `dt`. `kla` and `dt` in inverse units of each other; both contents in the same unit.
#[inline(always)]
pub(crate) fn towards_balance<F: Real>(in_gas: F, balanced: F, kla: F, ratio: F, dt: f64) -> F {
    balanced + (in_gas - balanced) * (-kla * (ratio + 1.0) * dt).e_to()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exact_step_agrees_with_many_small_ones() {
        let (all, ratio, kla) = (100.0, 19.0, 0.15);
        let mut in_gas = 1.0;
        let steps = 100_000;
        for _ in 0..steps {
            in_gas += kla * (all - in_gas - ratio * in_gas) * (2.0 / f64::from(steps));
        }
        let exact = towards_balance(1.0, all / (1.0 + ratio), kla, ratio, 2.0);
        assert!((exact / in_gas - 1.0).abs() < 1e-4, "{exact} {in_gas}");
    }

    #[test]
    fn a_bottle_left_alone_ends_in_balance() {
        assert!((towards_balance(0.0, 5.0, 0.15, 19.0, 100.0) - 5.0).abs() < 1e-12);
    }
}
