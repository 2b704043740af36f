//! A batch that was chilled too early, or went too far: where it stands, and what would come of it back in the room.
//!
//! The same posterior as ever, from its present content, on a copy that leaves no trace: no second model.

use std::sync::Arc;

use jiff::{SignedDuration, Timestamp};

use crate::{
    alert::AlertName,
    fit::{self, Handling, Posterior},
    forecast::{Forecast, Hours, Outlook, Quantiles, When},
    quantity::{AbsolutePressure, Co2Volumes, GaugePressure},
};

use super::{Monitor, Place, Work};

/// A content this near to the target is the target, volumes: what a palate tells apart is about half of it (common practice, no
/// source).
const RIGHT: f64 = 0.2;

/// Beyond the target by this it went too far; up to it it is a little lively (common practice, no source).
const TOO_FAR: f64 = 0.5;

/// Hours at fridge temperature before a bottle that went too far may be opened (common practice, no source).
const COLD: SignedDuration = SignedDuration::from_hours(24);

/// It gains again once the content has risen by this, volumes.
const GAINS: f64 = 0.05;

/// How a batch stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Plight {
    /// The worst bottle may be at the limit: nobody goes near it.
    Danger,
    /// More CO2 than wanted, and cold.
    TooFar {
        /// For long enough that a bottle may be opened with all care.
        cold_through: bool,
    },
    /// More CO2 than wanted, and in the room.
    TooFarAndWarm,
    /// As wanted.
    Right,
    /// Short of the target, in the fridge: it can go back to the room.
    ChilledTooEarly,
    /// Short of the target, and in the room: it is on its way.
    OnItsWay,
}

/// What is known, and what would come of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Rescue {
    /// As of when.
    pub at: Timestamp,
    /// How it stands.
    pub plight: Plight,
    /// Content now, in the target's sense.
    pub co2: Quantiles<Co2Volumes>,
    /// Gauge pressure of the worst bottle now, wherever it stands.
    pub worst_bottle: Quantiles<GaugePressure>,
    /// Since when the bottle with the sensors is in the fridge.
    pub chilled_since: Option<Timestamp>,
    /// The alert of the limit was raised, and nobody has cleared it.
    pub was_at_limit: bool,
    /// No gauge read the limit and the likeliest estimate lies below it: it is danger because little is known.
    pub by_doubt: bool,
    /// What comes of it back in the room from `at` on; of a batch that was chilled too early alone.
    pub back: Option<Back>,
}

/// Back in the room.
#[derive(Clone, Debug, PartialEq)]
pub struct Back {
    /// What is expected then. Of target and move the early end is that of a culture which is awake at once, middle and late end are those of one that
    /// sleeps; the rest, pressure and limit above all, is as if it were awake.
    pub forecast: Forecast,
    /// Hours that the culture's waking after the cold costs, beside the warming up: little is known of it.
    pub asleep: Quantiles<Hours>,
    /// When the content has risen noticeably: warm again, and at work again. `None`: not within five days.
    pub gains_at: Option<Timestamp>,
    /// Highest gauge pressure of the worst bottle until the likeliest move (or for five days, if that is later): middle and 95 %. As if the culture
    /// were awake at once.
    pub peak: [GaugePressure; 2],
    /// The peak is told for the whole way to the move.
    pub to_the_move: bool,
}

impl Monitor {
    /// Usual pressure of the air at its place.
    #[must_use]
    pub fn usual_ambient(&self) -> AbsolutePressure {
        self.settings.surroundings.usual_ambient
    }

    /// How it stands at `at` (not before the clock), and what would come of it back in the room. It leaves no trace, and takes
    /// about two fits.
    #[must_use]
    pub fn rescue(&self, at: Timestamp) -> Rescue {
        let at = at.max(self.clock());
        let mut request = self.forecast_request(at);
        // Whoever led the engine here may have fitted seldom.
        request.work = Work::Fit;
        let now = request.run();
        let view = self.view();
        let mut worst_bottle = now.outlook.worst_bottle_now;
        if let Some(others) = self.apart_fitted() {
            let theirs = others.outlook.worst_bottle_now;
            if theirs.p95 > worst_bottle.p95 {
                worst_bottle = theirs;
            }
        }
        let limit = self.batch.bottle.pressure_limit;
        let off = now.forecast.co2.p50.volumes() - self.batch.target.co2.volumes();
        let chilled = self.state.whereabouts.sensors == Place::Fridge;
        let chilled_since = self.state.last_move.map(|moved| moved.began).filter(|_| chilled);
        let cold_through = self.state.whereabouts.unconfirmed.is_none()
            && chilled_since.is_some_and(|since| at.duration_since(since) >= COLD);
        let over = view
            .alerts
            .iter()
            .find(|alert| alert.alert == AlertName::OverLimit);
        // Once it is cold for a day, and below the limit by estimate and gauge, the latch alone keeps nobody away.
        let stands = over.is_some_and(|over| over.present || !cold_through);
        let plight = match (chilled, worst_bottle.p95 >= limit || stands) {
            (_, true) => Plight::Danger,
            (true, _) if off > TOO_FAR || over.is_some() => Plight::TooFar { cold_through },
            (false, _) if off > RIGHT => Plight::TooFarAndWarm,
            (_, _) if off >= -RIGHT => Plight::Right,
            (true, _) => Plight::ChilledTooEarly,
            (false, _) => Plight::OnItsWay,
        };
        let back = (plight == Plight::ChilledTooEarly).then(|| {
            // Whoever does not know since when it is cold takes it for long.
            let since = chilled_since.unwrap_or(self.batch.bottled_at);
            self.back(at, at.duration_since(since), &now.posterior)
        });
        Rescue {
            at,
            plight,
            co2: now.forecast.co2,
            worst_bottle,
            chilled_since,
            was_at_limit: over.is_some(),
            by_doubt: worst_bottle.p50 < limit
                && !self.state.gauges.values().any(|gauge| gauge.read_up_to(limit)),
            back,
        }
    }

    fn back(&self, at: Timestamp, cold: SignedDuration, warm: &Arc<Posterior>) -> Back {
        let mut evidence = self.state.evidence.as_ref().clone();
        evidence.handle(at, Handling::Room);
        let posterior = fit::fit(&evidence, at, Some(warm));
        let (mut forecast, outlook) = posterior.answers(&evidence, at);
        let cold_h = cold.as_secs_f64() / 3_600.0;
        let (sleepy, waking, asleep) = posterior.answers_asleep(&evidence, at, cold_h);
        forecast.target_at = later(forecast.target_at, sleepy.target_at);
        forecast.move_at = later(forecast.move_at, sleepy.move_at);
        let end = forecast.move_at.and_then(|when| when.p50);
        Back {
            asleep,
            gains_at: gains_at(&waking, at),
            peak: peak(&outlook, at, end),
            to_the_move: end.is_some_and(|end| outlook.curve.last().is_some_and(|last| end <= last.at)),
            forecast,
        }
    }
}

/// From the early end of the one to the late end of the other.
fn later(awake: Option<When>, asleep: Option<When>) -> Option<When> {
    awake.map(|awake| When {
        p05: awake.p05,
        p50: asleep.and_then(|asleep| asleep.p50),
        p95: asleep.and_then(|asleep| asleep.p95),
    })
}

fn gains_at(outlook: &Outlook, at: Timestamp) -> Option<Timestamp> {
    let mut ahead = outlook.curve.iter().filter(|point| point.at >= at);
    let mut before = ahead.next()?;
    let wanted = before.co2.p50.volumes() + GAINS;
    for point in ahead {
        let (low, high) = (before.co2.p50.volumes(), point.co2.p50.volumes());
        if high >= wanted {
            let share = ((wanted - low) / (high - low).max(1e-9)).clamp(0.0, 1.0);
            let step = point.at.duration_since(before.at).as_secs_f64();
            return before
                .at
                .checked_add(SignedDuration::from_secs_f64(share * step))
                .ok();
        }
        before = point;
    }
    None
}

/// The highest of what the pictures show from `at` to the first point behind `end`.
fn peak(outlook: &Outlook, at: Timestamp, end: Option<Timestamp>) -> [GaugePressure; 2] {
    let mut highest = [outlook.worst_bottle_now.p50, outlook.worst_bottle_now.p95];
    for point in outlook.curve.iter().filter(|point| point.at >= at) {
        for (highest, here) in highest
            .iter_mut()
            .zip([point.worst_bottle.p50, point.worst_bottle.p95])
        {
            if here > *highest {
                *highest = here;
            }
        }
        if end.is_some_and(|end| point.at >= end) {
            break;
        }
    }
    highest
}
