//! Shares and ratios: alcohol by volume, probability, vigour.

use super::quantity;

quantity! {
    /// Ethanol by volume at 20 degC. Valid from 0 to 100 %.
    AlcoholByVolume, "alcohol by volume", "0 to 100 %", 0.0..=1.0;
    /// From percent by volume.
    from_percent / percent, scale 0.01, offset 0.0;
}

quantity! {
    /// A part of a whole: of the oxygen eaten, of the air kept. Valid from 0 to 1.
    Share, "share", "0 to 1", 0.0..=1.0;
    /// From a share of one.
    from_one / of_one, scale 1.0, offset 0.0;
}

impl Share {
    /// Nothing of it.
    pub const NONE: Self = Self(0.0);
    /// All of it.
    pub const ALL: Self = Self(1.0);
}

quantity! {
    /// Probability. Valid from 0 to 1.
    Probability, "probability", "0 to 1", 0.0..=1.0;
    /// From a share of one.
    from_share / share, scale 1.0, offset 0.0;
}

quantity! {
    /// Highest CO2 production of a culture in the reference drink, divided by that of the reference culture:
    /// 1 is as lively as the reference. Valid from 0 to 1000.
    Vigour, "vigour", "0 to 1000", 0.0..=1_000.0;
    /// From the ratio.
    from_ratio / ratio, scale 1.0, offset 0.0;
}

impl AlcoholByVolume {
    /// No alcohol.
    pub const ZERO: Self = Self(0.0);
}

impl Probability {
    /// It does not happen.
    pub const NEVER: Self = Self(0.0);

    /// It always happens.
    pub const CERTAIN: Self = Self(1.0);
}

impl Vigour {
    /// No production at all.
    pub const NONE: Self = Self(0.0);
}
