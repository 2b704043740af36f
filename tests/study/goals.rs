//! What is to be reached, beside what was.

use serde::Serialize;

/// One line of what was asked for.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct Goal {
    /// The figure.
    pub(crate) figure: String,
    /// What this study found.
    pub(crate) found: String,
    /// What is to be reached.
    pub(crate) asked: String,
    /// Whether it is.
    pub(crate) reached: bool,
}

impl Goal {
    /// A figure that must be at most so high.
    pub(crate) fn at_most(figure: &str, found: f64, most: f64, digits: usize) -> Self {
        Self {
            figure: figure.to_owned(),
            found: format!("{found:.digits$}"),
            asked: format!("at most {most}"),
            reached: found <= most,
        }
    }

    /// A figure that must be at least so high.
    pub(crate) fn at_least(figure: &str, found: f64, least: f64, digits: usize) -> Self {
        Self {
            figure: figure.to_owned(),
            found: format!("{found:.digits$}"),
            asked: format!("at least {least}"),
            reached: found >= least,
        }
    }

    /// A figure that must lie between two.
    pub(crate) fn between(figure: &str, found: f64, [low, high]: [f64; 2], digits: usize) -> Self {
        Self {
            figure: figure.to_owned(),
            found: format!("{found:.digits$}"),
            asked: format!("{low} to {high}"),
            reached: found >= low && found <= high,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_a_number_is_not_reached() {
        assert!(!Goal::at_most("x", f64::NAN, 1.0, 2).reached);
        assert!(!Goal::at_least("x", f64::NAN, 1.0, 2).reached);
        assert!(!Goal::between("x", f64::NAN, [0.0, 1.0], 2).reached);
        assert!(Goal::between("x", 0.9, [0.86, 0.94], 2).reached);
    }
}
