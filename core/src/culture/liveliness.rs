//! How lively a batch showed its culture to be, in a form that two batches can be compared by.

use serde::{Deserialize, Serialize};

use super::lesson::{BadLesson, bad};

/// A normal distribution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Normal {
    /// Its mean, -20 to 20.
    pub mean: f64,
    /// Its standard deviation, 0 to 20.
    pub sd: f64,
}

/// In the reference drink at 20 degC.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Liveliness {
    /// Natural logarithm of the vigour.
    pub ln_vigour: Normal,
    /// Natural logarithm of the lag in hours.
    pub ln_lag_h: Normal,
}

impl Normal {
    /// As wide as these equally likely values; `None` for less than two, or one that is not finite.
    #[must_use]
    pub fn of(values: &[f64]) -> Option<Self> {
        let count = f64::from(u32::try_from(values.len()).ok()?);
        if count < 2.0 || values.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let mean = values.iter().sum::<f64>() / count;
        let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
        Some(Self {
            mean,
            sd: (squares / (count - 1.0)).sqrt(),
        })
    }

    /// The value below which it lies in 5, 50 and 95 of 100.
    #[must_use]
    pub fn points(self) -> [f64; 3] {
        [-1.644_854, 0.0, 1.644_854].map(|sds| self.mean + sds * self.sd)
    }

    fn sound(self, key: &str) -> Result<(), BadLesson> {
        if !(-20.0..=20.0).contains(&self.mean) {
            return bad(format!("{key}.mean"), self.mean, "-20 to 20");
        }
        if !(0.0..=20.0).contains(&self.sd) {
            return bad(format!("{key}.sd"), self.sd, "0 to 20");
        }
        Ok(())
    }
}

impl Liveliness {
    pub(super) fn sound(&self) -> Result<(), BadLesson> {
        self.ln_vigour.sound("liveliness.ln_vigour")?;
        self.ln_lag_h.sound("liveliness.ln_lag_h")
    }
}
