//! Physical quantities as types: SI inside, one checking constructor each, other units by name.
//!
//! A bare `f64` says neither its unit nor its reference; these do. NaN and infinity stop at the
//! constructor, and so does what cannot exist (an absolute pressure below vacuum).

mod content;
mod mass;
mod pressure;
mod share;
mod temperature;
mod unit;
mod volume;

pub use content::{Co2Volumes, GRAMS_PER_LITRE_PER_VOLUME, Gravity, MassConcentration};
pub use mass::Mass;
pub use pressure::{AbsolutePressure, GaugePressure, PartialPressure};
pub use share::{AlcoholByVolume, Probability, Share, Vigour};
pub use temperature::{Temperature, TemperatureDifference};
pub use unit::{Dimension, Unit, UnknownUnit};
pub use volume::{Altitude, CultureDose, LiquidVolume};

/// A number that is no such quantity: not finite, or outside what can exist.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("{given} is no {quantity}; allowed: {allowed}")]
pub struct NotAQuantity {
    /// What it was to be, as a person says it ("gauge pressure in bar").
    pub quantity: &'static str,
    /// The number given, in the unit of `quantity`.
    pub given: f64,
    /// What would have been accepted, in the same unit.
    pub allowed: &'static str,
}

/// Makes one newtype over `f64` with its checking constructor and its readers.
macro_rules! quantity {
    (
        $(#[$doc:meta])*
        $name:ident, $label:literal, $allowed:literal, $range:expr;
        $( $(#[$from_doc:meta])* $from:ident / $to:ident, scale $scale:expr, offset $offset:expr; )+
    ) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, serde::Serialize, serde::Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            fn checked(si: f64, given: f64) -> Result<Self, $crate::quantity::NotAQuantity> {
                let range: std::ops::RangeInclusive<f64> = $range;
                if si.is_finite() && range.contains(&si) {
                    Ok(Self(si))
                } else {
                    Err($crate::quantity::NotAQuantity { quantity: $label, given, allowed: $allowed })
                }
            }

            $(
                $(#[$from_doc])*
                ///
                /// # Errors
                /// Not finite, or outside the range of the type.
                pub fn $from(value: f64) -> Result<Self, $crate::quantity::NotAQuantity> {
                    Self::checked(value * $scale + $offset, value)
                }

                /// The value in the unit of the method's name.
                #[must_use]
                pub fn $to(self) -> f64 {
                    (self.0 - $offset) / $scale
                }
            )+
        }
    };
}
use quantity;
