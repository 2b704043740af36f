//! What a person read, felt or tasted, as the fit takes it.

use serde::{Deserialize, Serialize};

use crate::{
    note::{Firmness, Liveliness, Palate, Sample},
    quantity::{GaugePressure, Gravity},
};

/// Notes that are kept of one batch; of more, the newest.
const MOST: usize = 256;

/// Bottles opened within so many hours of each other were judged by one palate on one day.
const ONE_SITTING_H: f64 = 6.0;

/// What a person found out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Told {
    /// A hydrometer in a sample, corrected to 20 degC.
    Hydrometer {
        /// What it showed.
        gravity: Gravity,
        /// Smallest step of the number as it was written.
        step: f64,
        /// Whether the gas was out.
        sample: Sample,
    },
    /// A gauge on the sensor vessel, read by eye.
    ByEye {
        /// What it showed.
        pressure: GaugePressure,
        /// Smallest step of the number as it was written.
        step: GaugePressure,
    },
    /// The sensor vessel was squeezed.
    Squeezed(Firmness),
    /// A bottle was opened or tasted.
    Tasted(Liveliness),
    /// The same in a household's own words, which came to mean this.
    InOwnWords {
        /// Share of the target.
        share: f64,
        /// Its spread.
        spread: f64,
    },
}

impl Told {
    /// It speaks of the sensor vessel.
    pub(super) fn of_sensor_vessel(&self) -> bool {
        matches!(self, Self::ByEye { .. } | Self::Squeezed(_))
    }

    /// It speaks of the CO2 in a bottle.
    pub(super) fn of_content(&self) -> bool {
        matches!(self, Self::Tasted(_) | Self::InOwnWords { .. })
    }
}

/// All that was told, in order of time whatever the order of arrival.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Notes(Vec<(f64, Told)>);

impl Notes {
    pub(super) fn take(&mut self, at_h: f64, told: Told) {
        let order = |(h, told): &(f64, Told)| (*h, rank(told));
        let new = (at_h, told);
        let place = self.0.partition_point(|known| {
            let (known, new) = (order(known), order(&new));
            let (time, kind, number) = (
                known.0.total_cmp(&new.0),
                known.1.0.cmp(&new.1.0),
                known.1.1.total_cmp(&new.1.1),
            );
            time.then(kind).then(number).is_le()
        });
        self.0.insert(place, new);
        if self.0.len() > MOST {
            self.0.remove(0);
        }
    }

    pub(super) fn forget_from(&mut self, from_h: f64, wanted: impl Fn(&Told) -> bool) {
        self.0.retain(|(h, told)| *h < from_h || !wanted(told));
    }

    /// Those up to `until_h`, each with how many of its like share its sitting.
    pub(super) fn until(&self, until_h: f64) -> impl Iterator<Item = (f64, Told, f64)> {
        let known = self.0.iter().filter(move |(h, _)| *h <= until_h);
        known.clone().map(move |(h, told)| {
            let alike = known.clone().filter(|(other_h, other)| {
                (other_h - h).abs() <= ONE_SITTING_H && other.of_content() && told.of_content()
            });
            (*h, *told, alike.map(|_| 1.0).sum::<f64>().max(1.0))
        })
    }
}

/// A fixed order among what was told of one moment.
fn rank(told: &Told) -> (u8, f64) {
    match told {
        Told::Hydrometer { gravity, .. } => (0, gravity.specific()),
        Told::ByEye { pressure, .. } => (1, pressure.bar()),
        Told::Squeezed(firmness) => (
            2,
            match firmness {
                Firmness::Soft => 0.0,
                Firmness::Firm => 1.0,
                Firmness::Hard => 2.0,
            },
        ),
        Told::Tasted(liveliness) => (
            3,
            match liveliness {
                Liveliness::Flat => 0.0,
                Liveliness::Light => 1.0,
                Liveliness::Right => 2.0,
                Liveliness::Lively => 3.0,
                Liveliness::Gushing => 4.0,
            },
        ),
        Told::InOwnWords { share, .. } => (4, *share),
    }
}

/// On which side of a value the truth lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Side {
    /// Around it.
    Around,
    /// Above it, more or less.
    Above,
    /// Below it, more or less.
    Below,
}

impl Side {
    /// Residual of what a life shows beside a value. One-sided ones fade to nothing on their side: twice the logarithm of a
    /// logistic chance, under a root, so that its square is what the fit sums.
    pub(super) fn residual(self, shown: f64, value: f64, scale: f64) -> f64 {
        let apart = (shown - value) / scale;
        let one_sided = |above: f64| (2.0 * (-1.7 * above).clamp(-60.0, 60.0).exp().ln_1p()).sqrt();
        match self {
            Self::Around => apart,
            Self::Above => one_sided(apart),
            Self::Below => one_sided(-apart),
        }
    }
}

/// What a word is worth: side, value and scale, both as shares of the target; in the mouth of a household whose words mean more or
/// less than usual.
///
/// Common practice, no source: what people call flat holds less than half of what they want. What gushes may have been warm
/// or full of fruit.
pub(super) fn share_of_target(word: Liveliness, palate: &Palate) -> (Side, f64, f64) {
    let (side, (share, scale)) = match (word, word.share_of_target()) {
        (_, Some(around)) => (Side::Around, around),
        (Liveliness::Gushing, None) => (Side::Above, (1.2, 0.35)),
        (_, None) => (Side::Below, (0.45, 0.12)),
    };
    (side, share * palate.factor(), scale * palate.factor())
}

/// The same of a squeezed half-litre plastic bottle, gauge pressure in bar (common practice, no source: from 1.5 to 2 bar on a
/// thumb makes no dent).
pub(super) fn bar_of(firmness: Firmness) -> (Side, f64, f64) {
    match firmness {
        Firmness::Soft => (Side::Below, 0.9, 0.3),
        Firmness::Firm => (Side::Around, 1.2, 0.5),
        Firmness::Hard => (Side::Above, 1.5, 0.3),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_one_sided_residual_is_nothing_on_its_side_and_grows_on_the_other() {
        assert!(Side::Above.residual(4.0, 1.5, 0.3) < 0.01);
        assert!(Side::Above.residual(0.5, 1.5, 0.3) > 3.0);
        assert!(Side::Below.residual(0.1, 0.9, 0.3) < 0.2);
        assert!(Side::Below.residual(3.0, 0.9, 0.3) > 4.0);
        assert!(Side::Above.residual(f64::MAX, 0.0, 1.0).is_finite());
        assert!(Side::Above.residual(-1e9, 0.0, 1.0).is_finite());
    }

    #[test]
    fn notes_stand_in_order_of_time_whatever_their_order_of_arrival_and_stay_few() {
        let told = [
            (3.0, Told::Tasted(Liveliness::Light)),
            (3.0, Told::Squeezed(Firmness::Firm)),
            (1.0, Told::Squeezed(Firmness::Soft)),
        ];
        let (mut one, mut other) = (Notes::default(), Notes::default());
        told.iter().for_each(|(h, told)| one.take(*h, *told));
        told.iter().rev().for_each(|(h, told)| other.take(*h, *told));
        assert_eq!(one, other);
        (0..1_000).for_each(|h| one.take(f64::from(h), told[0].1));
        assert_eq!(one.until(1e9).count(), MOST);
    }

    #[test]
    fn bottles_of_one_sitting_share_their_weight() {
        let mut notes = Notes::default();
        for h in [10.0, 11.0, 30.0] {
            notes.take(h, Told::Tasted(Liveliness::Right));
        }
        let alike: Vec<f64> = notes.until(40.0).map(|(_, _, alike)| alike).collect();
        assert!(
            alike
                .iter()
                .zip([2.0, 2.0, 1.0])
                .all(|(a, b)| (a - b).abs() < 1e-9)
        );
    }
}
