//! Gauge, absolute and partial pressure, kept apart because they only look alike.

use super::{NotAQuantity, quantity};

/// Pascal in one psi: NIST SP 811 (2008), appendix B.8.
pub(super) const PASCAL_PER_PSI: f64 = 6_894.757_293_168;

quantity! {
    /// Pressure above the surrounding air. Negative under vacuum. Valid from -1.2 to 100 bar.
    GaugePressure, "gauge pressure", "-1.2 to 100 bar", -1.2e5..=1.0e7;
    /// From pascal.
    from_pascal / pascal, scale 1.0, offset 0.0;
    /// From bar.
    from_bar / bar, scale 1.0e5, offset 0.0;
    /// From pounds-force per square inch.
    from_psi / psi, scale PASCAL_PER_PSI, offset 0.0;
}

quantity! {
    /// Pressure above vacuum. Valid from 0 to 101 bar.
    AbsolutePressure, "absolute pressure", "0 to 101 bar", 0.0..=1.01e7;
    /// From pascal.
    from_pascal / pascal, scale 1.0, offset 0.0;
    /// From bar.
    from_bar / bar, scale 1.0e5, offset 0.0;
    /// From pounds-force per square inch.
    from_psi / psi, scale PASCAL_PER_PSI, offset 0.0;
}

quantity! {
    /// The share that one gas has in a pressure. Valid from 0 to 101 bar.
    PartialPressure, "partial pressure", "0 to 101 bar", 0.0..=1.01e7;
    /// From pascal.
    from_pascal / pascal, scale 1.0, offset 0.0;
    /// From bar.
    from_bar / bar, scale 1.0e5, offset 0.0;
}

impl AbsolutePressure {
    /// One standard atmosphere, 101 325 Pa (CGPM 1954).
    pub const STANDARD_ATMOSPHERE: Self = Self(101_325.0);

    /// Pressure above the surrounding air `ambient`.
    ///
    /// # Errors
    /// The difference lies outside the range of [`GaugePressure`].
    pub fn to_gauge(self, ambient: Self) -> Result<GaugePressure, NotAQuantity> {
        GaugePressure::from_pascal(self.0 - ambient.0)
    }
}

impl GaugePressure {
    /// No pressure above the surrounding air.
    pub const ZERO: Self = Self(0.0);

    /// Adds the air pressure measured at the same place and time.
    ///
    /// # Errors
    /// The sum lies below vacuum: one of the two readings is wrong.
    pub fn to_absolute(self, ambient: AbsolutePressure) -> Result<AbsolutePressure, NotAQuantity> {
        AbsolutePressure::from_pascal(self.0 + ambient.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_psi_is_68_95_millibar() {
        // NIST SP 811 (2008), B.8: 1 psi = 6.894 757 E+03 Pa.
        let p = GaugePressure::from_psi(1.0).unwrap();
        assert!((p.bar() - 0.068_947_57).abs() < 1e-8);
    }

    #[test]
    fn gauge_and_absolute_differ_by_the_air() {
        let air = AbsolutePressure::from_bar(0.95).unwrap();
        let gauge = GaugePressure::from_bar(2.0).unwrap();
        let absolute = gauge.to_absolute(air).unwrap();
        assert!((absolute.bar() - 2.95).abs() < 1e-12);
        assert!((absolute.to_gauge(air).unwrap().bar() - 2.0).abs() < 1e-12);
    }

    #[test]
    fn below_vacuum_and_not_a_number_are_refused() {
        let air = AbsolutePressure::from_bar(0.95).unwrap();
        assert!(GaugePressure::from_bar(-1.0).unwrap().to_absolute(air).is_err());
        assert!(GaugePressure::from_bar(f64::NAN).is_err());
        assert!(AbsolutePressure::from_pascal(f64::INFINITY).is_err());
    }
}
