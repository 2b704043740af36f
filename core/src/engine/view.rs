//! All that status, page and API show of one batch, as of its clock.

use std::collections::BTreeMap;

use jiff::Timestamp;
use serde::Serialize;

use crate::{
    alert::{
        AlarmState, AlertName, Priority, TakenOut,
        sentence::{self, Doubt},
    },
    batch::BatchName,
    forecast::{Forecast, Odd, Outlook, Quantiles},
    note::Note,
    quantity::{Co2Volumes, GaugePressure},
    reading::{Measured, Quantity, Source},
};

use super::{
    MomentView, Monitor, SetAsideReason,
    board::{Key, Slot},
    others::Apart,
    whereabouts::Place,
};

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

/// The fullest of all bottles, wherever they stand: at each quantile the highest of any.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Fullest {
    /// Its gauge pressure now.
    pub now: Quantiles<GaugePressure>,
    /// The highest within the next 24 h.
    pub within_24h: Quantiles<GaugePressure>,
}

impl Fullest {
    /// Of bottles that are reckoned apart; `None`: of none.
    fn of<'a>(outlooks: impl Iterator<Item = &'a Outlook>) -> Option<Self> {
        let each = outlooks.map(|outlook| Self {
            now: outlook.worst_bottle_now,
            within_24h: outlook.worst_bottle_24h,
        });
        each.reduce(|a, b| Self {
            now: highest(a.now, b.now),
            within_24h: highest(a.within_24h, b.within_24h),
        })
    }
}

fn highest(a: Quantiles<GaugePressure>, b: Quantiles<GaugePressure>) -> Quantiles<GaugePressure> {
    let higher = |a, b| if b > a { b } else { a };
    Quantiles {
        p05: higher(a.p05, b.p05),
        p50: higher(a.p50, b.p50),
        p95: higher(a.p95, b.p95),
    }
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

/// One alert.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AlertView {
    /// Which.
    pub alert: AlertName,
    /// Its state after ISA-18.2.
    pub state: AlarmState,
    /// The condition is there at this moment.
    pub present: bool,
    /// Only a person clears it, with a reason.
    pub latched: bool,
    /// How urgent.
    pub priority: Priority,
    /// Since when the condition is, or was, there.
    pub since: Timestamp,
    /// Until when it is shelved.
    pub shelved_until: Option<Timestamp>,
    /// By whom, when and why it was taken out of service.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_out: Option<TakenOut>,
    /// Plain sentences, as of the newest evaluation.
    pub message: String,
    /// Which sensor, for sensor alerts.
    pub source: Option<Source>,
    /// Which quantity, for sensor alerts.
    pub quantity: Option<Quantity>,
}

/// It stands, or a person or the rules have done something to it that is not over.
pub(super) fn is_shown(slot: &Slot) -> bool {
    let quiet = matches!(
        slot.standing.state,
        AlarmState::Normal | AlarmState::SuppressedByDesign
    );
    slot.standing.stands() || !quiet
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

    /// Entries that the readings speak against, and nobody has confirmed.
    pub(super) fn asked(&self) -> impl Iterator<Item = Odd> {
        let odd = self.state.fitted.iter().flat_map(|fitted| &fitted.outlook.odd);
        odd.copied().filter(|odd| !self.state.confirmed.contains(odd))
    }

    /// The question rests: of what the note names, else of all that is asked.
    pub(super) fn noted_confirmed(&mut self, note: &Note) {
        let said = note.text.as_deref().unwrap_or_default().to_lowercase();
        let named = |odd: &Odd| said.contains(odd.name());
        let mut meant: Vec<Odd> = Odd::ALL.into_iter().filter(named).collect();
        if meant.is_empty() {
            meant = self.asked().collect();
        }
        self.state.confirmed.extend(meant);
    }

    /// What stands, or waits to be seen; most urgent first.
    #[must_use]
    pub fn alerts(&self) -> Vec<AlertView> {
        let mut views: Vec<AlertView> = self
            .state
            .board
            .slots()
            .filter(|(_, slot)| is_shown(slot))
            .map(|(key, slot)| AlertView {
                alert: key.alert,
                state: slot.standing.state,
                present: slot.standing.present,
                latched: slot.standing.latched,
                priority: key.alert.priority(),
                since: slot.since,
                shelved_until: slot.shelved_until,
                taken_out: slot.taken_out.clone(),
                message: self.alert_message(key, slot),
                source: key.sensor.as_ref().map(|sensor| sensor.source.clone()),
                quantity: key.sensor.as_ref().map(|sensor| sensor.quantity),
            })
            .collect();
        views.sort_by(|a, b| b.priority.cmp(&a.priority).then(a.since.cmp(&b.since)));
        views
    }

    fn alert_message(&self, key: &Key, slot: &Slot) -> String {
        let Some(out) = &slot.taken_out else {
            let latched = key.alert == AlertName::OverLimit && slot.standing.stands();
            return match self
                .below_the_limit_since(slot.standing.present)
                .filter(|_| latched)
            {
                Some(since) => format!("{} {since}", slot.shown()),
                None => slot.shown().to_owned(),
            };
        };
        let since = sentence::local(out.at, &self.settings.zone);
        let told = format!("Out of service since {since}: {}, {}.", out.who, out.reason);
        if slot.standing.stands() {
            format!("{told} {}", slot.shown())
        } else {
            told
        }
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

    /// Must a person do something, and when? Pressure first.
    fn headline(&self, alerts: &[AlertView]) -> String {
        let in_sight =
            |alert: &&AlertView| alert.present || (alert.latched && alert.state != AlarmState::Shelved);
        let visible = |alert: &&AlertView| {
            !matches!(
                alert.state,
                AlarmState::Shelved | AlarmState::SuppressedByDesign | AlarmState::OutOfService
            )
        };
        let mut standing = alerts.iter().filter(in_sight).filter(visible);
        if let Some(first) = standing.find(|alert| alert.priority >= Priority::Medium) {
            return first.message.clone();
        }
        let name = &self.batch.name;
        let Some(fitted) = &self.state.fitted else {
            return format!("{name}: nothing is reckoned yet.");
        };
        if self.all_chilled() {
            return format!("{} is in the fridge. Nothing to do.", name.at_the_start());
        }
        if self.state.whereabouts.none_at_home(&self.batch) {
            return format!("{name}: no bottle is left here to move.");
        }
        let apart = self.apart_fitted().filter(|_| !self.only_given_away_are_apart());
        let to_move = apart.unwrap_or(fitted);
        match &to_move.forecast.move_at {
            Some(when) => {
                let interval = self.speaker().interval(when);
                format!("{name}: nothing to do now. Move it to the fridge {interval}.")
            }
            None => format!(
                "{name}: nothing to do now. It is not expected to reach {:.2} volumes within 60 days.",
                self.batch.target.co2.volumes()
            ),
        }
    }

    fn pressure_sentence(&self) -> String {
        let limit = self.batch.bottle.pressure_limit;
        let units = self.settings.units;
        let answers = self.state.fitted.iter().chain(self.apart_fitted());
        match Fullest::of(answers.map(|fitted| &fitted.outlook)) {
            None => format!(
                "The pressure is not reckoned yet; your limit is {}.",
                units.pressure(limit)
            ),
            Some(fullest) => {
                let vouched = if self.hears_a_gauge(self.clock()) {
                    ""
                } else {
                    " No trustworthy gauge is heard, so nobody can vouch for it."
                };
                format!(
                    "The fullest bottle is at about {} of your {}; in the next 24 hours it may reach {}.{vouched}",
                    units.pressure(fullest.now.p50),
                    units.pressure(limit),
                    units.pressure(fullest.within_24h.p95)
                )
            }
        }
    }

    /// What comes next, if nobody does anything.
    fn culture_sentence(&self) -> Option<String> {
        let culture = self.batch.culture.as_ref()?;
        match self.earlier_batches() {
            0 => None,
            1 => Some(format!("Its culture, {culture}, is known from 1 earlier batch.")),
            some => Some(format!(
                "Its culture, {culture}, is known from {some} earlier batches."
            )),
        }
    }

    fn next_sentence(&self) -> String {
        let next = self.next_of_those_here();
        match self.given_away_view() {
            Some(given) => format!("{next} {}", given.why),
            None => next,
        }
    }

    fn next_of_those_here(&self) -> String {
        if let Some(apart) = self.apart_view() {
            return apart.why;
        }
        let Some(fitted) = &self.state.fitted else {
            return "The first forecast comes with the first readings.".to_owned();
        };
        if self.state.whereabouts.opened {
            return "The bottle with the sensors was opened, so the others are reckoned on without it."
                .to_owned();
        }
        if self.all_chilled() {
            return format!(
                "It holds about {:.2} volumes; the fridge slows the culture, it does not stop it.",
                fitted.forecast.co2.p50.volumes()
            );
        }
        match &fitted.forecast.limit_at {
            Some(when) => format!(
                "Left in the room, it passes your limit {}.",
                self.speaker().interval(when)
            ),
            None => "Left in the room, it is not expected to pass your limit within 60 days.".to_owned(),
        }
    }
}
