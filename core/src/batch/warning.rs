//! What a batch file is accepted with, and its user should think about.

use std::fmt;

use super::{Batch, Material};
use crate::recipe::{Counted, Question};

/// Published guidance for fermented drinks of this kind; the cautions say the same.
pub const MOST_PH: f64 = 4.2;

/// Something that was accepted and that the user should think about.
#[derive(Clone, Debug, PartialEq)]
pub enum Warning {
    /// Glass with a limit above 4.7 bar.
    GlassAbove4Point7Bar,
    /// Glass of more than 1.15 L.
    GlassAbove1Point15Litres,
    /// Recipe and entry differ in the sugar.
    Sugar(Question),
    /// An ingredient counts as sugar because of its name.
    Counted(Counted),
    /// The drink is less acid than is safe.
    NotAcid {
        /// As it was measured.
        ph: f64,
    },
}

impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Sugar(question) => return question.fmt(f),
            Self::Counted(counted) => return counted.fmt(f),
            Self::NotAcid { ph } => {
                return write!(
                    f,
                    "`drink.ph` is {ph}: published guidance for such drinks asks for {MOST_PH} or less at filling, and 4.6 is the legal edge of acid \
                     food, not an aim. Do not seal it so"
                );
            }
            Self::GlassAbove4Point7Bar => {
                "`bottle.pressure_limit_bar` is above 4.7 bar: British Glass TEC 7 allows no soft drink in glass above \
                 4.7 bar of carbonation pressure. Is it the figure of the bottle's maker?"
            }
            Self::GlassAbove1Point15Litres => {
                "`bottle.capacity_ml` is above 1150 mL: British Glass TEC 7 advises no glass above 1.15 L for \
                 carbonated soft drinks"
            }
        })
    }
}

impl Batch {
    pub(super) fn warnings(&self) -> Vec<Warning> {
        let mut warnings = Vec::new();
        if let Some(ph) = self.drink.ph.filter(|ph| *ph > MOST_PH) {
            warnings.push(Warning::NotAcid { ph });
        }
        if self.bottle.material == Material::Glass {
            if self.bottle.pressure_limit.bar() > 4.7 {
                warnings.push(Warning::GlassAbove4Point7Bar);
            }
            if self.bottle.capacity.litres() > 1.15 {
                warnings.push(Warning::GlassAbove1Point15Litres);
            }
        }
        warnings
    }
}
