//! All batches, looked at in passing: which come first, and what is said of all of them together. No sentence is made here, so that
//! ten thousand batches keep nobody waiting.

use std::collections::BTreeMap;

use fobwatch_core::{
    alert::{AlarmState, AlertName},
    batch::BatchName,
    engine::{AlertGlance, Glance},
};
use jiff::Timestamp;

use super::{Shown, need::Urgency, shown};

/// So many of those that are behind are named.
const MOST_BEHIND: usize = 100;

/// One batch, looked at in passing.
#[derive(Clone, Debug)]
pub(crate) struct Passed {
    pub(crate) name: BatchName,
    pub(crate) glance: Glance,
    /// It was set aside.
    pub(crate) failed: bool,
    /// More is stored of it than reckoned yet.
    pub(crate) behind: bool,
}

impl From<&Shown> for Passed {
    fn from(shown: &Shown) -> Self {
        Self {
            name: shown.batch.name.clone(),
            glance: Glance::from(&shown.view),
            failed: shown.failed.is_some(),
            behind: shown.behind,
        }
    }
}

/// The condition is there, or only a person clears it, and nobody set it aside.
fn stands(alert: &AlertGlance) -> bool {
    shown::in_sight(alert.state, alert.present, alert.latched)
}

impl Passed {
    /// How soon a person must act, and when, for each line that the agenda has of it.
    fn needs(&self, now: Timestamp) -> Vec<(Urgency, Option<Timestamp>)> {
        let standing = || self.glance.alerts.iter().filter(|alert| stands(alert));
        let mut needs: Vec<_> = standing()
            .filter(|alert| !matches!(alert.alert, AlertName::FridgeSoon | AlertName::MoveToFridge))
            .map(|alert| (Urgency::of(alert.alert), Some(alert.since)))
            .collect();
        let over = standing().any(|alert| alert.alert == AlertName::OverLimit);
        if !over && self.full() >= Some(1.0) {
            needs.push((Urgency::Danger, self.glance.reckoned_at));
        }
        if self.failed {
            needs.push((Urgency::Look, None));
        }
        needs.extend((0..self.glance.questions).map(|_| (Urgency::Look, None)));
        let pressed = needs.iter().any(|(urgency, _)| *urgency <= Urgency::DangerAhead);
        if !pressed && !self.failed {
            needs.push(self.next_move(now));
        }
        needs
    }

    fn next_move(&self, now: Timestamp) -> (Urgency, Option<Timestamp>) {
        let glance = &self.glance;
        let mut moves = glance
            .alerts
            .iter()
            .filter(|alert| alert.alert == AlertName::MoveToFridge);
        if let Some(alert) = moves.clone().find(|alert| stands(alert)) {
            return (Urgency::Move, Some(alert.since));
        }
        let none_left = !glance.to_move && !glance.apart;
        match glance.move_at {
            _ if glance.chilled || none_left => (Urgency::Nothing, None),
            Some(_) if moves.any(|alert| alert.state == AlarmState::Shelved) => (Urgency::Nothing, None),
            Some(best) if best <= now => (Urgency::Move, Some(best)),
            Some(best) => (Urgency::Planned, Some(best)),
            None => (Urgency::Nothing, None),
        }
    }

    /// The most that the fullest bottle may hold now, as a share of the limit.
    fn full(&self) -> Option<f64> {
        let most = self.glance.fullest?.pascal();
        let most = self.glance.gauge.map_or(most, |read| most.max(read.pascal()));
        Some(shown::share_of(most, self.glance.limit))
    }
}

/// What is said of all batches together.
#[derive(Clone, Debug)]
pub(crate) struct Survey {
    /// The place in the list of each batch, most urgent first.
    pub(super) order: Vec<usize>,
    /// The most urgent need.
    pub(super) first: Option<Urgency>,
    /// Batches with a need of this urgency; of things to look at, these things.
    pub(super) with: BTreeMap<Urgency, usize>,
    /// Batches that want somebody now.
    pub(super) wanting: usize,
    /// The next move.
    pub(super) planned: Option<(Timestamp, BatchName)>,
    pub(super) behind: usize,
    /// The first of them.
    pub(super) behind_named: Vec<BatchName>,
    pub(super) all_chilled: bool,
    /// The place in the list of the one with the fullest bottle.
    pub(super) fullest: Option<usize>,
    /// Batches whose pressure nobody reckoned yet.
    pub(super) unknown: usize,
    /// Batches whose pressure is reckoned without a trusted gauge.
    pub(super) unheard: usize,
    pub(super) sensors: usize,
    pub(super) old: usize,
    /// When the sensor that was heard longest ago was heard.
    pub(super) oldest: Option<Timestamp>,
}

impl Survey {
    pub(crate) fn of(all: &[Passed], now: Timestamp) -> Self {
        let mut survey = Self {
            order: (0..all.len()).collect(),
            first: None,
            with: BTreeMap::new(),
            wanting: 0,
            planned: None,
            behind: 0,
            behind_named: Vec::new(),
            all_chilled: all.iter().all(|passed| passed.glance.chilled),
            fullest: None,
            unknown: 0,
            unheard: 0,
            sensors: 0,
            old: 0,
            oldest: None,
        };
        let mut fullest = None;
        let mut ranks = Vec::with_capacity(all.len());
        for (place, passed) in all.iter().enumerate() {
            ranks.push(survey.count_needs(passed, now));
            survey.count_sensors(&passed.glance, now);
            if passed.behind {
                survey.behind += 1;
                if survey.behind_named.len() < MOST_BEHIND {
                    survey.behind_named.push(passed.name.clone());
                }
            }
            match passed.full() {
                None => survey.unknown += 1,
                Some(full) => {
                    if fullest.is_none_or(|most: f64| full.total_cmp(&most).is_ge()) {
                        (fullest, survey.fullest) = (Some(full), Some(place));
                    }
                    survey.unheard += usize::from(passed.glance.gauge.is_none());
                }
            }
        }
        survey.order.sort_by_cached_key(|place| {
            let rank = ranks.get(*place).copied();
            (rank, all.get(*place).map(|passed| passed.name.clone()))
        });
        survey
    }

    /// Its first line in the agenda.
    fn count_needs(&mut self, passed: &Passed, now: Timestamp) -> (Urgency, Timestamp) {
        let needs = passed.needs(now);
        let late = |at: Option<Timestamp>| at.unwrap_or(Timestamp::MAX);
        let mut kinds: Vec<Urgency> = needs.iter().map(|(urgency, _)| *urgency).collect();
        kinds.sort_unstable();
        let looks = kinds.iter().filter(|urgency| **urgency == Urgency::Look).count();
        kinds.dedup();
        for urgency in kinds {
            let more = if urgency == Urgency::Look { looks } else { 1 };
            *self.with.entry(urgency).or_default() += more;
            self.first = Some(self.first.map_or(urgency, |first| first.min(urgency)));
        }
        for (urgency, at) in &needs {
            if let (Urgency::Planned, Some(at)) = (urgency, at) {
                let next = (*at, passed.name.clone());
                if self.planned.as_ref().is_none_or(|known| next < *known) {
                    self.planned = Some(next);
                }
            }
        }
        let first = needs.iter().map(|(urgency, at)| (*urgency, late(*at))).min();
        let first = first.unwrap_or((Urgency::Nothing, Timestamp::MAX));
        self.wanting += usize::from(first.0 <= Urgency::Look);
        first
    }

    fn count_sensors(&mut self, glance: &Glance, now: Timestamp) {
        for sensor in &glance.sensors {
            self.sensors += 1;
            self.old += usize::from(shown::is_past(
                sensor.at,
                sensor.usual_interval_s,
                sensor.silent,
                now,
            ));
            if let Some(at) = sensor.at {
                self.oldest = Some(self.oldest.map_or(at, |oldest| oldest.min(at)));
            }
        }
    }

    pub(crate) fn batches(&self) -> usize {
        self.order.len()
    }

    /// The place in the list of each batch, most urgent first.
    pub(crate) fn order(&self) -> &[usize] {
        &self.order
    }

    /// The place in the list of the one with the fullest bottle.
    pub(crate) fn fullest(&self) -> Option<usize> {
        self.fullest
    }

    pub(super) fn alike(&self, urgency: Urgency) -> usize {
        self.with.get(&urgency).copied().unwrap_or_default()
    }
}

/// All batches together, and the two of which the first lines speak.
#[derive(Clone, Debug)]
pub(crate) struct Overview {
    pub(crate) survey: Survey,
    /// The most urgent one.
    pub(crate) first: Option<Shown>,
    /// The one with the fullest bottle.
    pub(crate) fullest: Option<Shown>,
}

impl Overview {
    /// Of batches that are all looked at in full.
    pub(super) fn of(batches: &[Shown], now: Timestamp) -> Self {
        let passed: Vec<Passed> = batches.iter().map(Passed::from).collect();
        let survey = Survey::of(&passed, now);
        let at = |place: usize| batches.get(place).cloned();
        Self {
            first: survey.order.first().copied().and_then(at),
            fullest: survey.fullest.and_then(at),
            survey,
        }
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{
        engine::{ApartView, Place},
        forecast::Odd,
    };
    use jiff::SignedDuration;
    use proptest::prelude::*;

    use super::{
        super::{
            fixture::{self, Made, alert, context, now},
            need,
        },
        *,
    };

    const STATES: [AlarmState; 7] = [
        AlarmState::Normal,
        AlarmState::Unacknowledged,
        AlarmState::Acknowledged,
        AlarmState::ReturnedUnacknowledged,
        AlarmState::Shelved,
        AlarmState::SuppressedByDesign,
        AlarmState::OutOfService,
    ];

    /// Any batch that a page may meet: alerts in any state, bottles anywhere, set aside, behind, asked about.
    fn shown() -> impl Strategy<Value = Shown> {
        let alerts = prop::collection::vec(
            (
                prop::sample::select(&AlertName::ALL[..]),
                0..40i64,
                prop::sample::select(&STATES[..]),
                any::<bool>(),
            ),
            0..4,
        );
        let flags = (any::<bool>(), any::<bool>(), any::<bool>(), any::<bool>(), 0..5u8);
        (0..6usize, 20.0..120.0, 1.2..6.0, alerts, flags, 0..3usize).prop_map(
            |(name, age_h, limit_bar, alerts, (fridge, to_move, behind, failed, kind), questions)| {
                let made = Made {
                    age_h,
                    limit_bar,
                    place: if fridge { Place::Fridge } else { Place::Room },
                    ..Made::new(&format!("plum {name}"))
                };
                let mut shown = made.shown();
                shown.view.to_move = to_move;
                shown.behind = behind;
                shown.failed = (failed && kind == 0).then(|| "it failed".to_owned());
                shown.view.questions = vec!["is it so?".to_owned(); questions];
                shown.view.asked = Odd::ALL[..questions].to_vec();
                shown.view.alerts = alerts
                    .into_iter()
                    .map(|(name, hours, state, present)| {
                        let mut view = alert(name, hours, "said");
                        view.state = state;
                        view.present = present;
                        view
                    })
                    .collect();
                if kind == 1 {
                    (shown.view.forecast, shown.view.outlook) = (None, None);
                }
                if kind == 2 {
                    shown.view.apart = Some(ApartView {
                        count: 2,
                        why: "2 of 8 bottles are still in the room.".to_owned(),
                        forecast: shown.view.forecast.clone(),
                        outlook: shown.view.outlook.clone(),
                    });
                }
                if kind == 3 {
                    shown.view.sensors.clear();
                }
                shown
            },
        )
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn in_passing_everything_stands_where_the_agenda_has_it(all in prop::collection::vec(shown(), 0..8)) {
            // Names are unique under watch.
            let mut batches: Vec<Shown> = Vec::new();
            for shown in all {
                if batches.iter().all(|other| other.batch.name != shown.batch.name) {
                    batches.push(shown);
                }
            }
            let context = context();
            let entries = need::entries(&batches, &context);
            let passed: Vec<Passed> = batches.iter().map(Passed::from).collect();
            let survey = Survey::of(&passed, now());
            let mut names: Vec<&BatchName> = Vec::new();
            for entry in &entries {
                if !names.contains(&&entry.shown.batch.name) {
                    names.push(&entry.shown.batch.name);
                }
            }
            let order: Vec<&BatchName> = survey.order.iter().map(|place| &passed[*place].name).collect();
            prop_assert_eq!(order, names);
            prop_assert_eq!(survey.first, entries.first().map(|entry| entry.urgency));
            let mut told: Vec<_> = entries.iter().map(|entry| (entry.urgency, entry.at)).collect();
            let mut found: Vec<_> = passed.iter().flat_map(|passed| passed.needs(now())).collect();
            told.sort();
            found.sort();
            prop_assert_eq!(found, told);
            let planned = entries.iter().find(|entry| entry.urgency == Urgency::Planned);
            prop_assert_eq!(
                survey.planned.clone(),
                planned.and_then(|entry| Some((entry.at?, entry.shown.batch.name.clone())))
            );
            let full: Vec<Option<f64>> = batches.iter().map(Shown::full).collect();
            prop_assert_eq!(full, passed.iter().map(Passed::full).collect::<Vec<_>>());
        }
    }

    #[test]
    fn of_many_that_are_behind_some_are_named_and_all_are_counted() {
        let mut plum = fixture::pear();
        plum.behind = true;
        let passed = vec![Passed::from(&plum); 250];
        let survey = Survey::of(&passed, now() + SignedDuration::from_secs(1));
        assert_eq!((survey.behind, survey.behind_named.len()), (250, MOST_BEHIND));
        assert!(survey.all_chilled && survey.wanting == 0);
    }
}
