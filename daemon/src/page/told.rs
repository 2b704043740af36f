//! The agenda without the page: the same sentences for a terminal, and for whoever asks the API.

use fobwatch_core::{
    alert::{AlarmState, AlertName, Priority},
    batch::{BatchName, Slug},
    engine::AlertView,
    forecast::Odd,
    reading::{Quantity, Source},
};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{
    Context, Shown, headline,
    need::{self, Entry, Urgency},
    plain,
    survey::Overview,
};

/// What all batches need, as of one moment.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Told {
    /// As of when.
    pub at: Timestamp,
    /// The same in the user's zone.
    pub local: String,
    /// The batches are made up.
    pub demo: bool,
    /// Must a person do something, and when?
    pub headline: String,
    /// The fullest bottle, of the user's own limit.
    pub pressure: Option<String>,
    /// Whether the sensors are heard.
    pub heard: String,
    /// Batches of which more is stored than reckoned yet, as after a start: what is said of them is old. Of many, the first hundred.
    pub behind: Vec<BatchName>,
    /// What a person should know of the servers that are told things, whatever the batches need.
    #[serde(default)]
    pub servers: Vec<String>,
    /// One entry a batch, most urgent first; where there are many, not all of them.
    pub batches: Vec<ToldBatch>,
    /// How many batches are watched, told of here or not.
    #[serde(default)]
    pub total: usize,
    /// Where more of them are told of, when they were asked for in the order of their names.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub next: Option<String>,
}

/// What one batch needs.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToldBatch {
    /// Which.
    pub batch: BatchName,
    /// Its name in addresses and topics.
    pub slug: Slug,
    /// The most urgent of its needs.
    pub urgency: Urgency,
    /// Most urgent first; at least one.
    pub needs: Vec<ToldNeed>,
    /// Alerts that stand, or wait to be seen.
    pub alerts: Vec<ToldAlert>,
}

impl ToldBatch {
    /// By this batches stand in the order in which a person must act.
    pub(crate) fn rank(&self) -> (Urgency, Timestamp, &BatchName) {
        let at = self.needs.first().and_then(|need| need.at);
        (self.urgency, at.unwrap_or(Timestamp::MAX), &self.batch)
    }
}

/// One thing that a batch needs, or that it needs nothing.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToldNeed {
    /// How soon a person must act.
    pub urgency: Urgency,
    /// When, or since when.
    pub at: Option<Timestamp>,
    /// The same in words, with the hours between which it lies.
    pub when: String,
    /// What to do.
    pub what: String,
    /// Why.
    pub why: Vec<String>,
    /// A person has said that it was seen.
    pub seen: bool,
    /// Which entry is asked about, if it is a question.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub asks: Option<Odd>,
}

/// One alert that stands, or waits to be seen.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToldAlert {
    /// Which.
    pub alert: AlertName,
    /// Its state after ISA-18.2.
    pub state: AlarmState,
    /// How urgent.
    pub priority: Priority,
    /// Since when the condition is, or was, there.
    pub since: Timestamp,
    /// Until when it is shelved.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub shelved_until: Option<Timestamp>,
    /// Which sensor, for sensor alerts.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub source: Option<Source>,
    /// Which quantity, for sensor alerts.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub quantity: Option<Quantity>,
}

/// The sentences of the page for `batches`, which are all that are watched.
#[must_use]
pub fn told(batches: &[Shown], context: &Context) -> Told {
    told_of(batches, &Overview::of(batches, context.now), context)
}

/// The same for some of them.
pub(crate) fn told_of(batches: &[Shown], overview: &Overview, context: &Context) -> Told {
    let entries = need::entries(batches, context);
    let mut by_batch: Vec<ToldBatch> = Vec::with_capacity(batches.len());
    let mut places = std::collections::BTreeMap::new();
    for entry in &entries {
        let name = &entry.shown.batch.name;
        let need = need_of(entry);
        let place = *places.entry(name).or_insert(by_batch.len());
        match by_batch.get_mut(place) {
            Some(told) => told.needs.push(need),
            None => by_batch.push(ToldBatch {
                batch: name.clone(),
                slug: name.slug(),
                urgency: entry.urgency,
                needs: vec![need],
                alerts: entry.shown.view.alerts.iter().map(alert_of).collect(),
            }),
        }
    }
    for told in &mut by_batch {
        let shown = batches.iter().find(|shown| shown.batch.name == told.batch);
        let waits = shown.and_then(|shown| need::weighed_from(shown, context));
        if let (Some(said), Some(need)) = (waits, told.needs.first_mut()) {
            need.why.push(plain(&said));
        }
    }
    Told {
        at: context.now,
        local: plain(&context.clock().in_full(context.now)),
        demo: context.demo,
        headline: plain(&headline::say(overview, context)),
        pressure: headline::pressure(overview, context).map(|text| plain(&text)),
        heard: plain(&headline::heard(&overview.survey, context)),
        behind: overview.survey.behind_named.clone(),
        servers: context.servers.clone(),
        batches: by_batch,
        total: overview.survey.batches(),
        next: None,
    }
}

fn need_of(entry: &Entry<'_>) -> ToldNeed {
    let when = match (entry.urgency.word(), entry.hours.as_str()) {
        (Some(word), "") => word.to_owned(),
        (Some(word), hours) => format!("{word}, {hours}"),
        (None, "") => entry.day.clone(),
        (None, hours) => format!("{}, {hours}", entry.day),
    };
    ToldNeed {
        urgency: entry.urgency,
        at: entry.at.filter(|_| entry.urgency != Urgency::Nothing),
        when: plain(&when),
        what: plain(&entry.heading),
        why: entry.reasons.iter().map(|reason| plain(reason)).collect(),
        seen: entry.seen,
        asks: entry.asks,
    }
}

fn alert_of(alert: &AlertView) -> ToldAlert {
    ToldAlert {
        alert: alert.alert,
        state: alert.state,
        priority: alert.priority,
        since: alert.since,
        shelved_until: alert.shelved_until,
        source: alert.source.clone(),
        quantity: alert.quantity,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::page::fixture::{self, context, danger, hibiscus, plum};

    #[test]
    fn every_batch_is_told_once_most_urgent_first_in_plain_letters() {
        let shown = [fixture::pear(), hibiscus(), plum(), danger()];
        let told = told(&shown, &context());
        let firsts: Vec<(&str, Urgency)> = told
            .batches
            .iter()
            .map(|batch| (batch.slug.as_str(), batch.urgency))
            .collect();
        assert_eq!(
            firsts,
            [
                ("hibiscus-11", Urgency::Danger),
                ("plum-1", Urgency::Look),
                ("hibiscus-12", Urgency::Planned),
                ("pear-and-thyme-2", Urgency::Nothing),
            ]
        );
        let [danger, plum, hibiscus, pear] = &told.batches[..] else {
            panic!("{told:#?}")
        };
        assert!(
            told.headline
                .starts_with("Danger. Stay out of the room with hibiscus 11")
        );
        assert!(danger.needs[0].why[0].contains("Do not touch, open, move"));
        assert_eq!(danger.alerts[0].alert, AlertName::OverLimit);
        assert!(
            danger.needs[0].when.starts_with("Danger, since Wed 4 Mar"),
            "{danger:?}"
        );
        // The silent gauge first, then the move that comes all the same.
        assert_eq!(plum.needs.len(), 2, "{plum:#?}");
        assert_eq!(plum.alerts[0].source.as_ref().unwrap().as_str(), "pilot b");
        assert!(
            hibiscus.needs[0]
                .what
                .starts_with("Move hibiscus 12 to the fridge, best at")
        );
        assert!(hibiscus.needs[0].at.is_some() && pear.needs[0].at.is_none());
        let json = serde_json::to_string(&told).unwrap();
        assert!(json.is_ascii(), "{json}");
        assert_eq!(serde_json::from_str::<Told>(&json).unwrap(), told);
    }

    #[test]
    fn what_was_told_since_the_figures_were_made_is_said_to_count_later() {
        let why = |shown: &Shown| {
            told(std::slice::from_ref(shown), &context()).batches[0].needs[0]
                .why
                .concat()
        };
        let mut shown = hibiscus();
        let reckoned = shown.view.forecast.as_ref().unwrap().at;
        let said = "what was told or came in since counts from";
        shown.view.counts_from = reckoned.checked_add(jiff::SignedDuration::from_mins(30)).ok();
        // Nothing but what sensors always send.
        let newer = reckoned.checked_add(jiff::SignedDuration::from_mins(1)).unwrap();
        shown.view.sensors[0].at = Some(newer);
        assert!(!why(&shown).contains(said), "{}", why(&shown));
        shown.notes.push(fobwatch_core::note::Note {
            at: newer,
            kind: fobwatch_core::note::NoteKind::Opened,
            bottles: Some(vec![3]),
            value: None,
            unit: None,
            text: Some("light".to_owned()),
            takes_back: None,
        });
        assert!(why(&shown).contains(said), "{}", why(&shown));
        // Rows that came late, of a sensor that is not there any more.
        shown.notes.clear();
        for sensor in &mut shown.view.sensors {
            sensor.at = Some(reckoned);
        }
        assert!(why(&shown).contains(said), "{}", why(&shown));
        shown.view.counts_from = None;
        assert!(!why(&shown).contains(said), "{}", why(&shown));
    }

    #[test]
    fn what_is_behind_calms_nobody_and_hides_no_danger() {
        let behind = |shown: Shown| Shown {
            behind: true,
            ..shown
        };
        let calm = told(&[fixture::pear()], &context());
        assert!(calm.headline.starts_with("Nothing to do"));
        let old = told(&[behind(fixture::pear()), hibiscus()], &context());
        assert_eq!(old.behind, [fixture::pear().batch.name]);
        assert!(old.headline.starts_with("Not known yet"), "{}", old.headline);
        assert!(old.headline.contains("pear and thyme 2"));
        let pear = old.batches.last().unwrap();
        assert_eq!(pear.needs[0].when, "Not known yet");
        let pressed = told(&[behind(danger()), behind(fixture::pear())], &context());
        assert_eq!(pressed.headline, told(&[danger()], &context()).headline);
        assert_eq!(pressed.behind.len(), 2);
    }
}
