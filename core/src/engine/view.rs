//! All that status, page and API show of one batch, as of its clock.

mod alerts;
mod fullest;
mod sentences;

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;

use crate::{
    alert::sentence::{self, Doubt},
    batch::BatchName,
    forecast::{Forecast, Odd, Outlook},
    quantity::{Co2Volumes, GaugePressure},
    reading::{Measured, Quantity, Source},
};

pub(super) use self::alerts::is_shown;
pub use self::{alerts::AlertView, fullest::Fullest};
use super::{MomentView, Monitor, SetAsideReason, others::Apart, whereabouts::Place};

/// All that is shown of one batch.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct View {
    /// Its name.
    pub batch: BatchName,
    /// As of when.
    pub at: Timestamp,
    /// When it was sealed.
    pub bottled_at: Timestamp,
    /// The wish, in the target's sense.
    pub target: Co2Volumes,
    /// The user's own limit.
    pub limit: GaugePressure,
    /// How many bottles.
    pub bottles: u32,
    /// Where the bottle with the sensors stands.
    pub place: Place,
    /// It was opened, and stands for the batch no more.
    pub opened: bool,
    /// Bottles reckoned apart from the sensors: left in the room, or not known to have been moved.
    pub apart: Option<ApartView>,
    /// Bottles that were given away, still closed.
    pub given_away: Option<ApartView>,
    /// A bottle stands in the room, or may, that a person here can move.
    pub to_move: bool,
    /// Why nobody is to move them now, or to go near: all advice to move is withdrawn then.
    pub withdrawn: Option<String>,
    /// Must a person do something, and when? One or two sentences.
    pub headline: String,
    /// The fullest bottle now and at its highest in the next day, of the user's own limit.
    pub pressure: String,
    /// What comes next.
    pub next: String,
    /// What a person should look up: entries that the readings speak against.
    pub questions: Vec<String>,
    /// What each of them asks about.
    pub asked: Vec<Odd>,
    /// How the culture is known, where earlier batches of it inform the forecast.
    pub culture: Option<String>,
    /// The sensors.
    pub sensors: Vec<SensorView>,
    /// Rows that were not used, by reason.
    pub set_aside: BTreeMap<SetAsideReason, u64>,
    /// Something came in since the newest fit: it counts in what is reckoned from then on, on the grid. `None`: all is reckoned.
    pub counts_from: Option<Timestamp>,
    /// The newest forecast.
    pub forecast: Option<Forecast>,
    /// What the alert rules ask, as of the newest fit.
    pub outlook: Option<Outlook>,
    /// With waking hours or a time away: when somebody can carry the bottles, and what a move then would come to.
    pub moments: Vec<MomentView>,
    /// What stands, or waits to be seen; most urgent first.
    pub alerts: Vec<AlertView>,
}

/// Bottles that are reckoned apart from the sensors.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ApartView {
    /// How many.
    pub count: u32,
    /// In words.
    pub why: String,
    /// Their forecast.
    pub forecast: Option<Forecast>,
    /// What the alert rules ask of them.
    pub outlook: Option<Outlook>,
}

impl View {
    /// The fullest of all bottles, those left behind and given away included; `None`: nothing is reckoned yet.
    #[must_use]
    pub fn fullest(&self) -> Option<Fullest> {
        let apart = self.apart.iter().chain(&self.given_away);
        let apart = apart.filter_map(|apart| apart.outlook.as_ref());
        Fullest::of(self.outlook.iter().chain(apart))
    }

    /// When to move the bottles, at the median, in whole seconds; `None` while none waits for it, or nobody may carry them.
    #[must_use]
    pub fn move_at(&self) -> Option<Timestamp> {
        let apart = self.apart.as_ref().and_then(|apart| apart.forecast.as_ref());
        let forecast = apart.or(self.forecast.as_ref());
        let waits = self.to_move && self.withdrawn.is_none();
        let at = forecast.filter(|_| waits)?.move_at?.p50?;
        Timestamp::from_second(at.as_second()).ok()
    }
}

/// One quantity of one source.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SensorView {
    /// Which source.
    pub source: Source,
    /// What it measures.
    pub quantity: Quantity,
    /// Its newest value by its own time, in the stored unit of the quantity.
    pub last: Option<Measured>,
    /// When that was measured.
    pub at: Option<Timestamp>,
    /// Usual seconds between readings.
    pub usual_interval_s: i64,
    /// Nothing is heard of it.
    pub silent: bool,
    /// Why it is not believed.
    pub doubt: Option<Doubt>,
    /// Value, unit and local time in words.
    pub words: String,
}

impl Monitor {
    /// All that status, page and API show.
    #[must_use]
    pub fn view(&self) -> View {
        let alerts = self.alerts();
        let asked: Vec<Odd> = self.asked().collect();
        View {
            batch: self.batch.name.clone(),
            at: self.clock(),
            bottled_at: self.batch.bottled_at,
            target: self.batch.target.co2,
            limit: self.batch.bottle.pressure_limit,
            bottles: self.batch.bottle.count,
            place: self.state.whereabouts.sensors,
            opened: self.state.whereabouts.opened,
            apart: self.apart_view(),
            given_away: self.given_away_view(),
            to_move: self.some_are_to_move(),
            withdrawn: self.withdrawn(),
            headline: self.headline(&alerts),
            pressure: self.pressure_sentence(),
            next: self.next_sentence(),
            questions: asked.iter().map(|odd| self.speaker().question(*odd)).collect(),
            asked,
            culture: self.culture_sentence(),
            sensors: self.sensor_views(),
            set_aside: self.state.counts.clone(),
            counts_from: self.counts_from(),
            forecast: self.state.fitted.as_ref().map(|fitted| fitted.forecast.clone()),
            outlook: self.state.fitted.as_ref().map(|fitted| fitted.outlook.clone()),
            moments: self.moments(),
            alerts,
        }
    }

    /// See [`View::counts_from`].
    #[must_use]
    pub fn counts_from(&self) -> Option<Timestamp> {
        let waits = self.state.news && self.state.fitted.is_some();
        waits.then(|| self.state.clock.next_fit())
    }

    fn apart_view(&self) -> Option<ApartView> {
        let others = self.state.others.as_ref()?;
        if self.only_given_away_are_apart() {
            return None;
        }
        let count = others.count;
        let why = match others.why {
            Apart::Stayed => format!("{count} of {} bottles are still in the room.", self.batch.bottle.count),
            Apart::Unconfirmed => {
                "You noted a move to the fridge, but the drink has not cooled yet: until it does, every alert stands as if \
                 nothing had been moved."
                    .to_owned()
            }
        };
        Some(ApartView {
            count,
            why,
            forecast: others.fitted.as_ref().map(|fitted| fitted.forecast.clone()),
            outlook: others.fitted.as_ref().map(|fitted| fitted.outlook.clone()),
        })
    }

    fn given_away_view(&self) -> Option<ApartView> {
        let whereabouts = &self.state.whereabouts;
        let count = whereabouts.given_away(&self.batch);
        let warm = whereabouts.given_away_warm(&self.batch) > 0;
        let fitted = match &self.state.others {
            _ if !warm => None,
            Some(others) => others.fitted.as_ref(),
            None => self.state.fitted.as_ref(),
        };
        let limit_at = fitted.and_then(|fitted| fitted.forecast.limit_at?.p05);
        (count > 0).then(|| ApartView {
            count,
            why: self.speaker().given_away(count, limit_at, self.clock()),
            forecast: fitted.map(|fitted| fitted.forecast.clone()),
            outlook: fitted.map(|fitted| fitted.outlook.clone()),
        })
    }

    fn sensor_views(&self) -> Vec<SensorView> {
        let now = self.clock();
        let views = self.state.health.iter().map(|(sensor, health)| {
            let last = health.last.as_ref().map(|(_, measured)| *measured);
            let at = health.last.as_ref().map(|(at, _)| *at);
            let words = match &health.last {
                Some((at, measured)) => format!(
                    "{} {} from {}, {}",
                    sentence::quantity(sensor.quantity),
                    self.settings.units.measured(measured),
                    sensor.source,
                    sentence::local(*at, &self.settings.zone)
                ),
                None => format!(
                    "{} from {}: nothing heard yet",
                    sentence::quantity(sensor.quantity),
                    sensor.source
                ),
            };
            SensorView {
                source: sensor.source.clone(),
                quantity: sensor.quantity,
                last,
                at,
                usual_interval_s: health.usual_interval().as_secs(),
                silent: health.is_silent(now, &self.settings.rules),
                doubt: health.doubt.map(|(doubt, _)| doubt),
                words,
            }
        });
        views.collect()
    }
}
