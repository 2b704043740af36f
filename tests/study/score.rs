//! Errors, coverage and proper scores of quantiles against the truth.

use serde::{Deserialize, Serialize};

/// A part of the interval's level that lies outside it: the 5 and 95 % points leave a tenth.
const OUTSIDE: f64 = 0.1;

/// What was said of a number, and what it was. A point that was not given counts as later, and higher, than any.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Guess {
    /// What it was.
    pub(crate) truth: f64,
    /// The 5 % point.
    pub(crate) low: Option<f64>,
    /// The median.
    pub(crate) middle: Option<f64>,
    /// The 95 % point.
    pub(crate) high: Option<f64>,
}

impl Guess {
    /// From the three points.
    pub(crate) fn new(truth: f64, [low, middle, high]: [Option<f64>; 3]) -> Self {
        let finite = |value: Option<f64>| value.filter(|v| v.is_finite());
        Self {
            truth,
            low: finite(low),
            middle: finite(middle),
            high: finite(high),
        }
    }

    /// Median less truth; what was not given errs by `missing`.
    pub(crate) fn error(&self, missing: f64) -> f64 {
        self.middle.map_or(missing, |middle| middle - self.truth)
    }

    fn points(&self, missing: f64) -> [f64; 3] {
        // Nothing is further off than no answer.
        let (least, worst) = (self.truth - missing, self.truth + missing);
        [self.low, self.middle, self.high].map(|point| point.unwrap_or(worst).clamp(least, worst))
    }

    /// Interval score of the 90 % interval (Gneiting and Raftery 2007, J. Am. Stat. Assoc. 102, eq. 43): its width, and
    /// twenty times the distance by which it misses.
    pub(crate) fn interval_score(&self, missing: f64) -> f64 {
        let [low, _, high] = self.points(missing);
        let missed = (low - self.truth).max(0.0) + (self.truth - high).max(0.0);
        (high - low).max(0.0) + 2.0 / OUTSIDE * missed
    }

    /// Continuous ranked probability score as far as three points tell it: the weighted interval score of Bracher et al. 2021
    /// (PLoS Comput. Biol. 17(2), e1008618) with one interval. A median without any interval is a single point, whose
    /// score is its absolute error.
    pub(crate) fn crps(&self, missing: f64) -> f64 {
        let [_, middle, _] = self.points(missing);
        if self.low.is_none() && self.high.is_none() {
            return (middle - self.truth).abs();
        }
        (0.5 * (middle - self.truth).abs() + 0.5 * OUTSIDE * self.interval_score(missing)) / 1.5
    }

    /// Where the truth lies.
    pub(crate) fn side(&self) -> Side {
        if self.low.is_none_or(|low| self.truth < low) {
            Side::Below
        } else if self.high.is_some_and(|high| self.truth > high) {
            Side::Above
        } else {
            Side::Within
        }
    }
}

/// Where the truth lies against the interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Side {
    /// Below the 5 % point.
    Below,
    /// Between the points.
    Within,
    /// Above the 95 % point.
    Above,
}

/// So many of so many, with the 95 % bounds of Wilson 1927 (J. Am. Stat. Assoc. 22, 209).
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct Count {
    /// So many.
    pub(crate) found: usize,
    /// Of so many.
    pub(crate) of: usize,
    /// Lower bound of the share.
    pub(crate) at_least: f64,
    /// Upper bound of the share.
    pub(crate) at_most: f64,
}

impl Count {
    /// Bounds for a count.
    pub(crate) fn new(found: usize, of: usize) -> Self {
        const Z: f64 = 1.959_964;
        let (k, n) = (number(found), number(of));
        let (at_least, at_most) = if of == 0 {
            (0.0, 1.0)
        } else {
            let centre = (k + 0.5 * Z * Z) / (n + Z * Z);
            let half = Z / (n + Z * Z) * (k * (n - k) / n + 0.25 * Z * Z).sqrt();
            ((centre - half).max(0.0), (centre + half).min(1.0))
        };
        Self {
            found,
            of,
            at_least,
            at_most,
        }
    }

    /// How many of `all` are so.
    pub(crate) fn of<T>(all: &[T], so: impl Fn(&T) -> bool) -> Self {
        Self::new(all.iter().filter(|one| so(one)).count(), all.len())
    }

    /// The share; NaN of none.
    pub(crate) fn share(&self) -> f64 {
        number(self.found) / number(self.of)
    }
}

impl std::fmt::Display for Count {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self {
            found,
            of,
            at_least,
            at_most,
        } = self;
        if *of == 0 {
            return f.write_str("not played");
        }
        let percent = |share: f64| 100.0 * share;
        write!(
            f,
            "{found} of {of} ({:.1} %; {:.1} to {:.1})",
            percent(self.share()),
            percent(*at_least),
            percent(*at_most)
        )
    }
}

/// Many guesses in figures.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub(crate) struct Summary {
    /// How many.
    pub(crate) count: usize,
    /// Without a median.
    pub(crate) missing: usize,
    /// No guess came with an interval.
    pub(crate) bare: bool,
    /// Median absolute error.
    pub(crate) median: f64,
    /// 90 % of the absolute errors are below.
    pub(crate) p90: f64,
    /// Median error with its sign.
    pub(crate) bias: f64,
    /// The 90 % interval held the truth.
    pub(crate) holds: Count,
    /// The truth lay below it.
    pub(crate) below: Count,
    /// The truth lay above it.
    pub(crate) above: Count,
    /// Mean of [`Guess::crps`].
    pub(crate) crps: f64,
    /// Mean of [`Guess::interval_score`].
    pub(crate) interval_score: f64,
}

impl Summary {
    /// `missing`: error of a guess that was not given.
    pub(crate) fn new(guesses: &[Guess], missing: f64) -> Self {
        let errors: Vec<f64> = guesses.iter().map(|guess| guess.error(missing)).collect();
        let absolute: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
        let side = |side: Side| Count::of(guesses, |guess| guess.side() == side);
        Self {
            count: guesses.len(),
            missing: guesses.iter().filter(|guess| guess.middle.is_none()).count(),
            bare: guesses
                .iter()
                .all(|guess| guess.low.is_none() && guess.high.is_none()),
            median: quantile(&absolute, 0.5),
            p90: quantile(&absolute, 0.9),
            bias: quantile(&errors, 0.5),
            holds: side(Side::Within),
            below: side(Side::Below),
            above: side(Side::Above),
            crps: mean(guesses.iter().map(|guess| guess.crps(missing))),
            interval_score: mean(guesses.iter().map(|guess| guess.interval_score(missing))),
        }
    }
}

/// Linear between neighbours; NaN of none.
pub(crate) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let place = share * number(sorted.len().saturating_sub(1));
    let at = |index: f64| {
        let index = (0..sorted.len()).find(|i| number(*i) >= index);
        index
            .and_then(|index| sorted.get(index))
            .copied()
            .unwrap_or(f64::NAN)
    };
    let (low, high) = (at(place.floor()), at(place.ceil()));
    low + (high - low) * (place - place.floor())
}

/// Mean; NaN of none.
pub(crate) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (sum, count) = values.fold((0.0, 0.0), |(sum, count), value| (sum + value, count + 1.0));
    sum / count
}

/// A count as a number.
pub(crate) fn number(count: usize) -> f64 {
    u32::try_from(count).map_or(f64::from(u32::MAX), f64::from)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Newcombe 1998, Stat. Med. 17, 857, table I, method 3 (Wilson): 81 of 263, 15 of 148, 0 of 20, 1 of 29.
    #[test]
    fn wilson_bounds_are_those_of_newcombe_1998() {
        for (found, of, low, high) in [
            (81, 263, 0.2553, 0.3662),
            (15, 148, 0.0624, 0.1605),
            (0, 20, 0.0, 0.1611),
            (1, 29, 0.0061, 0.1718),
        ] {
            let count = Count::new(found, of);
            assert!(
                (count.at_least - low).abs() < 6e-5 && (count.at_most - high).abs() < 6e-5,
                "{count:?}"
            );
        }
    }

    #[test]
    fn what_was_not_given_errs_by_the_agreed_amount() {
        let none = Guess::new(50.0, [None; 3]);
        assert!((none.error(24.0) - 24.0).abs() < 1e-12);
        assert_eq!(none.side(), Side::Below);
        let open = Guess::new(50.0, [Some(40.0), Some(49.0), Some(f64::INFINITY)]);
        assert_eq!(open.side(), Side::Within);
        assert!((open.interval_score(24.0) - 34.0).abs() < 1e-12);
    }

    #[test]
    fn a_sharper_interval_that_holds_scores_better() {
        let wide = Guess::new(1.0, [Some(0.0), Some(1.0), Some(2.0)]);
        let narrow = Guess::new(1.0, [Some(0.9), Some(1.0), Some(1.1)]);
        let missed = Guess::new(1.0, [Some(1.2), Some(1.3), Some(1.4)]);
        assert!(narrow.crps(9.0) < wide.crps(9.0) && wide.crps(9.0) < missed.crps(9.0));
    }

    #[test]
    fn quantiles_lie_between_neighbours() {
        assert!((quantile(&[3.0, 1.0, 2.0, 4.0], 0.5) - 2.5).abs() < 1e-12);
        assert!(quantile(&[], 0.5).is_nan());
    }
}
