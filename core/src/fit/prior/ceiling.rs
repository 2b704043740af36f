//! The alcohol at which a culture gives up.
//!
//! Wild starters are held to ferment out at 1.5 to 2 % (common practice, no source): no law, so a wide guess above it, one in twenty below
//! 1.4 %, and none at all for worst cases. A culture that is starved, too sour or spoiled gives up at any alcohol. That is rare, so the guess is as it
//! is down to two deviations, and falls faster beyond: what is left there may lie anywhere.

use super::{CEILING, Known, Parameters};

/// Median, % vol, and spread of the logarithm.
const MEDIAN: f64 = 2.4;
const SPREAD: f64 = 0.35;

/// Deviations below which the ceiling falls faster.
const TAIL: f64 = -2.0;

/// Deviations below which no draw from the prior lies: who is there was brought there by the data.
const TOLD: f64 = -2.75;

/// The ceiling so many deviations from its median, % vol.
pub(super) fn at(deviation: f64) -> f64 {
    let beyond = (TAIL - deviation).max(0.0);
    MEDIAN * (SPREAD * (deviation - beyond * beyond)).exp()
}

/// How many deviations a ceiling lies from its median; with [`MEDIAN`] and [`SPREAD`] what a record of a culture has of it.
pub(super) fn deviation(percent: f64) -> f64 {
    let plain = (percent / MEDIAN).ln() / SPREAD;
    let beyond = (TAIL - plain).max(0.0);
    plain.max(TAIL) - 0.5 * ((1.0 + 4.0 * beyond).sqrt() - 1.0)
}

/// The same as the logarithm that it would have without its tail: affine in the whitened space, as traits have to be.
pub(super) fn trait_of(percent: f64) -> f64 {
    MEDIAN.ln() + SPREAD * deviation(percent)
}

/// The data have told that a culture with this ceiling gives up early.
pub(super) fn is_told(percent: f64) -> bool {
    deviation(percent) < TOLD
}

/// Puts the ceiling of a point at so many % vol.
pub(in crate::fit) fn put(z: &mut [f64], known: &Known, percent: f64) {
    let mut deviation_with = |place: f64| {
        if let Some(entry) = z.get_mut(CEILING) {
            *entry = place;
        }
        deviation(Parameters::of(z, known).ceiling)
    };
    // What earlier batches taught is affine: two places tell where the wanted one is.
    let (none, one) = (deviation_with(0.0), deviation_with(1.0));
    let wanted = (deviation(percent) - none) / (one - none).max(1e-3);
    deviation_with(wanted.clamp(-6.0, 6.0));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::prior::{ALL, Taught};

    #[test]
    fn a_deviation_is_told_from_its_ceiling_and_the_tail_begins_smoothly() {
        for step in -60..=60 {
            let place = f64::from(step) / 10.0;
            assert!((deviation(at(place)) - place).abs() < 1e-9, "{place}");
        }
        let slope = |place: f64| (at(place + 1e-6) / at(place)).ln() / 1e-6;
        assert!((slope(TAIL + 1e-4) - slope(TAIL - 1e-4)).abs() < 1e-3);
        assert!((at(0.0) - 2.4).abs() < 1e-12);
        assert!(at(-4.0) < 0.2, "{}", at(-4.0));
        assert!(is_told(0.4) && !is_told(1.0));
    }

    #[test]
    fn a_ceiling_is_put_where_it_is_wanted_whatever_is_believed_of_the_culture() {
        for taught in [None, Taught::usual(Some(25.0)), Taught::usual(None)] {
            let known = Known {
                taught,
                ..Known::default()
            };
            for percent in [0.2, 0.45, 1.0, 2.0] {
                let mut z = vec![0.3; ALL];
                put(&mut z, &known, percent);
                let there = Parameters::of(&z, &known).ceiling;
                assert!((there / percent - 1.0).abs() < 1e-6, "{there} {percent}");
            }
        }
    }
}
