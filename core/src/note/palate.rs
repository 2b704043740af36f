//! What a household means by its words for fizz: they are calibrated by bottles whose content was known otherwise.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::{Liveliness, words::own_words};

/// What was said of a bottle that had been cold for a day, beside the content that sensors and the batch told without it.
#[derive(Clone, Debug, PartialEq)]
pub struct Tasting {
    /// In the person's words.
    pub text: String,
    /// Content as a share of the target.
    pub share: f64,
    /// Its doubt (one standard deviation), relative.
    pub doubt: f64,
}

/// How a household's words lie beside the usual ones, and what words of its own mean.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Palate {
    /// Above 1: it says "right" of more CO2 than most.
    factor: f64,
    tastings: u32,
    own: Vec<OwnWord>,
}

/// A word of a household's own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OwnWord {
    /// In lower case.
    pub word: String,
    /// Share of the target that it stands for.
    pub share: f64,
    /// Its spread (one standard deviation), a share of the target.
    pub spread: f64,
}

/// Households differ by so much (of the logarithm) in what they call right: common practice, no source.
const APART: f64 = 0.2;
/// A word of one's own means something once it was said of so many bottles,
const LEAST_TIMES: usize = 2;
/// if they were no further apart than this (standard deviation of the logarithm),
const MOST_APART: f64 = 0.3;
/// and it is never told more finely than the usual words are.
const FINEST: f64 = 0.15;
/// Most words of one's own.
const MOST_WORDS: usize = 50;

impl Palate {
    /// Nothing is known of it.
    pub const USUAL: Self = Self {
        factor: 1.0,
        tastings: 0,
        own: Vec::new(),
    };

    /// From tastings; `flat` and `gushing` only bound and teach nothing. A few move it a little, many decide.
    #[must_use]
    pub fn of(tastings: &[Tasting]) -> Self {
        let (mut precision, mut pull, mut count) = (APART.powi(-2), 0.0, 0);
        let mut own: BTreeMap<String, Vec<f64>> = BTreeMap::new();
        for tasting in tastings {
            let sound = |value: f64| value.is_finite() && value > 0.0;
            if !sound(tasting.share) || !sound(tasting.doubt) {
                continue;
            }
            if let Some((usual, scale)) =
                Liveliness::in_words(&tasting.text).and_then(Liveliness::share_of_target)
            {
                let spread = scale / usual;
                let weight = 1.0 / (spread * spread + tasting.doubt * tasting.doubt);
                precision += weight;
                pull += weight * (tasting.share / usual).ln();
                count += 1;
            }
            for word in own_words(&tasting.text) {
                own.entry(word).or_default().push(tasting.share.ln());
            }
        }
        Self {
            factor: (pull / precision).exp().clamp(0.5, 2.0),
            tastings: count,
            own: own.into_iter().filter_map(OwnWord::of).take(MOST_WORDS).collect(),
        }
    }

    /// What its words mean, as a factor on what they usually do.
    #[must_use]
    pub fn factor(&self) -> f64 {
        self.factor
    }

    /// How many tastings the factor comes from.
    #[must_use]
    pub fn tastings(&self) -> u32 {
        self.tastings
    }

    /// Words of its own that came to mean something.
    #[must_use]
    pub fn own(&self) -> &[OwnWord] {
        &self.own
    }

    /// The word of one's own in `text` that says most; `None` if there is none, or a usual word or a "not" stands there, too.
    #[must_use]
    pub fn in_own_words(&self, text: &str) -> Option<&OwnWord> {
        let said = own_words(text);
        let known = self.own.iter().filter(|own| said.contains(&own.word));
        known.min_by(|a, b| a.spread.total_cmp(&b.spread))
    }
}

impl Default for Palate {
    fn default() -> Self {
        Self::USUAL
    }
}

impl OwnWord {
    fn of((word, logs): (String, Vec<f64>)) -> Option<Self> {
        if logs.len() < LEAST_TIMES {
            return None;
        }
        let count = f64::from(u32::try_from(logs.len()).ok()?);
        let mean = logs.iter().sum::<f64>() / count;
        let squares: f64 = logs.iter().map(|log| (log - mean).powi(2)).sum();
        let apart = (squares / (count - 1.0)).sqrt();
        let share = mean.exp();
        (apart <= MOST_APART).then(|| Self {
            word,
            share,
            // Few bottles tell their own spread badly.
            spread: share * apart.hypot(FINEST) * (1.0 + 1.0 / count).sqrt(),
        })
    }
}

impl Liveliness {
    /// Share of the target that a word means, and its spread; `None` for those that only bound.
    ///
    /// Common practice, no source: a fifth more or less than wanted is noticed, a tenth is not.
    #[must_use]
    pub fn share_of_target(self) -> Option<(f64, f64)> {
        match self {
            Self::Flat | Self::Gushing => None,
            Self::Light => Some((0.7, 0.18)),
            Self::Right => Some((1.0, 0.15)),
            Self::Lively => Some((1.3, 0.22)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tasting(text: &str, share: f64) -> Tasting {
        Tasting {
            text: text.to_owned(),
            share,
            doubt: 0.05,
        }
    }

    #[test]
    fn words_of_a_household_that_likes_it_lively_come_to_mean_more() {
        assert!((Palate::of(&[]).factor() - 1.0).abs() < 1e-12);
        // It says "right" where most say "lively", and "light" of what most call right.
        let told = [tasting("just right", 1.25), tasting("light", 0.9)];
        let once = Palate::of(&told[..1]);
        let often = Palate::of(&std::iter::repeat_n(told.clone(), 5).flatten().collect::<Vec<_>>());
        assert!(1.05 < once.factor() && once.factor() < often.factor());
        assert!((often.factor() - 1.25).abs() < 0.05, "{often:?}");
        assert_eq!(often.tastings(), 10);
    }

    #[test]
    fn what_only_bounds_or_is_no_number_teaches_nothing() {
        let told = [
            tasting("flat", 0.9),
            tasting("gushing", 0.5),
            tasting("right", f64::NAN),
            tasting("right", 0.0),
            tasting("not right", 1.2),
        ];
        assert_eq!(Palate::of(&told), Palate::USUAL);
    }

    #[test]
    fn a_word_of_ones_own_comes_to_mean_what_it_was_said_of() {
        let told = [
            tasting("It prickles, from the cellar", 1.0),
            tasting("prickles", 1.1),
            tasting("from the cellar, sleepy", 0.4),
            tasting("SLEEPY again", 0.5),
            tasting("fizzles", 0.9),
        ];
        let palate = Palate::of(&told);
        let words: Vec<&str> = palate.own().iter().map(|own| own.word.as_str()).collect();
        // "cellar" was said of all sorts, "fizzles" once.
        assert_eq!(words, ["prickles", "sleepy"]);
        let own = palate.in_own_words("today it prickles well").unwrap();
        assert!((own.share - 1.05).abs() < 0.01 && own.spread > 0.15, "{own:?}");
        assert_eq!(palate.in_own_words("prickles, but light"), None);
        assert_eq!(palate.in_own_words("hardly prickles"), None);
        assert_eq!(palate.in_own_words("silent"), None);
    }
}
