//! What the engine expects, as quantiles of one posterior.

mod record;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use crate::{
    batch::BatchName,
    quantity::{AlcoholByVolume, Co2Volumes, GaugePressure, Probability, Vigour},
};

pub use record::ForecastRecord;

/// The 5, 50 and 95 % points of a distribution.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quantiles<T> {
    /// 5 % lie below.
    pub p05: T,
    /// Half lie below.
    pub p50: T,
    /// 95 % lie below.
    pub p95: T,
}

/// The 50 and 95 % points, for what is asked only upwards.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Upward<T> {
    /// Half lie below.
    pub p50: T,
    /// 95 % lie below.
    pub p95: T,
}

/// The 25 and 75 % points: half of a distribution lies between them.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Middle<T> {
    /// A quarter lies below.
    pub p25: T,
    /// Three quarters lie below.
    pub p75: T,
}

/// When something happens. `None` in a quantile: not within the horizon of 60 days, later than any time.
pub type When = Quantiles<Option<Timestamp>>;

/// Nobody moves or opens the bottles for 60 days.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct IfForgotten {
    /// Highest gauge pressure of the worst bottle.
    pub pressure: Upward<GaugePressure>,
    /// Content at the end, in the target's sense.
    pub co2: Upward<Co2Volumes>,
    /// Alcohol at the end.
    pub alcohol: Upward<AlcoholByVolume>,
}

/// Hours of lag: from sealing to where the tangent at the highest rate meets the start.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Hours(pub f64);

/// Everything that is expected of a batch, as of one moment. Meanings as the records of `replay` have them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// Which batch.
    pub batch: BatchName,
    /// As of when.
    pub at: Timestamp,
    /// Content now, in the target's sense, of the bottles.
    pub co2: Quantiles<Co2Volumes>,
    /// When it reaches the target, if the bottles stay where they are; `None`: no quantile within the horizon.
    pub target_at: Option<When>,
    /// When to move the bottles so that 72 h later the content is the target; `None` also once they are chilled.
    pub move_at: Option<When>,
    /// When the worst bottle first exceeds the limit if nobody moves it.
    pub limit_at: Option<When>,
    /// Nobody moves or opens them for 60 days.
    pub if_forgotten: IfForgotten,
    /// Liveliness of the culture against the reference culture.
    pub vigour: Quantiles<Vigour>,
    /// Lag in the reference drink.
    pub lag: Quantiles<Hours>,
}

/// What the alert rules ask of the same posterior, beside the forecast.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Outlook {
    /// As of when.
    pub at: Timestamp,
    /// Content 72 h after a move made within half an hour from `at`: a person needs that long.
    pub after_move_now: Quantiles<Co2Volumes>,
    /// Gauge pressure of the worst bottle now.
    pub worst_bottle_now: Quantiles<GaugePressure>,
    /// Highest gauge pressure of the worst bottle within the next 24 h.
    pub worst_bottle_24h: Quantiles<GaugePressure>,
    /// Chance that the worst bottle passes the limit within the next 24 h.
    pub limit_within_24h: Probability,
    /// The highest such chance that so few draws do not rule out (one-sided, 95 %); [`Probability::NEVER`] if none of them passes it.
    pub limit_not_ruled_out: Probability,
    /// What a sound gauge on the sensor vessel should read now.
    pub expected_gauge: Quantiles<GaugePressure>,
    /// Content produced per hour now, volumes per hour.
    pub rate: Quantiles<f64>,
    /// Content gained in the last 36 h, or since the sealing: volumes. The members share their offsets, so it is better known than
    /// the content.
    pub gained: Quantiles<f64>,
    /// What would explain the pressure better than all that the posterior reckons with, and since when.
    pub suspicion: Option<(Suspicion, Timestamp)>,
    /// The sensor vessel is held to have leaked from the start.
    pub never_tight: Option<NeverTight>,
    /// What the batch file says and the readings do not bear out.
    pub odd: Vec<Odd>,
    /// Points of the content from sealing to the end of the chart, for pictures: time and quantiles.
    pub curve: Vec<CurvePoint>,
}

/// What may have gone wrong with the sensor vessel or its gauge.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Suspicion {
    /// The vessel loses gas.
    Leak,
    /// The gauge creeps away.
    Creeping,
}

/// The sensor vessel was never tight: its pressure tells of a leak since the sealing, or since a time without pressure.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct NeverTight {
    /// As of when.
    pub at: Timestamp,
    /// What the drink has made then by such a life, in the target's sense: the other bottles hold about that much.
    pub co2: Co2Volumes,
    /// Spread of that, as a logarithm.
    pub spread: f64,
}

/// An entry of the batch file or the configuration that the readings speak against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Odd {
    /// More CO2 than the sugar can give.
    Sugar,
    /// The gas space of the bottle with the gauge is not that of the fill entered.
    Fill,
    /// The surrounding air is not that of the altitude entered.
    Altitude,
}

impl Odd {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::Sugar, Self::Fill, Self::Altitude];

    /// Its name in files and notes.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Sugar => "sugar",
            Self::Fill => "fill",
            Self::Altitude => "altitude",
        }
    }
}

/// One point of a picture.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// When.
    pub at: Timestamp,
    /// Content in the target's sense.
    pub co2: Quantiles<Co2Volumes>,
    /// The middle half of it.
    pub co2_middle: Middle<Co2Volumes>,
    /// Gauge pressure of the worst bottle.
    pub worst_bottle: Quantiles<GaugePressure>,
}
