//! Weights of ingredients and feeds.

use super::quantity;

quantity! {
    /// Weight of what goes into a drink or a culture. Valid from 0 to 10 t.
    Mass, "weight", "0 to 10000000 g", 0.0..=10_000.0;
    /// From grams.
    from_grams / grams, scale 1.0e-3, offset 0.0;
    /// From kilograms.
    from_kilograms / kilograms, scale 1.0, offset 0.0;
}
