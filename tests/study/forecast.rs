//! The main part: sound gauges, batches that reach their target, and two rules of thumb beside the fit.
//!
//! The limit of each batch lies so high that even a forgotten one stays 30 % below it: every warning about pressure is false here,
//! and so is every other alert but those about the move.

use fobwatch_core::{
    alert::{AlertName, Transition},
    batch::Batch,
    engine::Fitted,
};
use fobwatch_simulator::{Moment, Played, Scenario};
use jiff::SignedDuration;
use serde::{Deserialize, Serialize};

use crate::{
    gauge_content, gompertz, line,
    play::{self, Said, Watched, hours},
    rule::Told,
    score::Guess,
};

/// Hours ahead of the target at which it is asked for.
pub(crate) const LEADS_H: [f64; 3] = [24.0, 12.0, 6.0];
/// Hours since the sealing at which it is asked for as well: a lead is known only afterwards, an age is known to who asks.
pub(crate) const AGES_H: [f64; 5] = [8.0, 16.0, 24.0, 48.0, 72.0];
/// A target that was not given errs by so many lead times.
pub(crate) const MISSING_LEADS: f64 = 4.0;
/// A content that was not given errs by so much, in volumes.
pub(crate) const MISSING_VOLUMES: f64 = 3.0;
/// The content is scored until this long after the target.
const AFTER_H: f64 = 6.0;
/// A move that nobody advised is made this long after the target.
const DAY_LATE_H: f64 = 24.0;
/// The target's error is pictured from so long before it.
const PICTURED_H: f64 = 72.0;
/// The limit is the highest pressure of the forgotten batch divided by this.
const BELOW: f64 = 0.7;

/// One batch.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Batchful {
    /// The target, volumes.
    pub(crate) target: f64,
    /// When it is reached, hours.
    pub(crate) target_h: f64,
    /// What the product said.
    pub(crate) fit: Answers,
    /// What the straight line said.
    pub(crate) line: Answers,
    /// What the Gompertz curve said.
    pub(crate) gompertz: Answers,
    /// What somebody would say who knew the sensor vessel exactly, past and future, and nothing of the other bottles.
    pub(crate) gauge_alone: Answers,
    /// Content now against that of the sensor vessel itself, as if in the labelled bottle.
    pub(crate) vessel: Vec<Guess>,
    /// The target's hours against those of the sensor vessel itself, asked at the same moments.
    pub(crate) vessel_ahead: [Option<Guess>; 3],
    /// Content of the sensor vessel, as if in the labelled bottle, 72 h after the advised move, less the target, volumes.
    #[serde(default)]
    pub(crate) vessel_ends: Option<f64>,
    /// The target's hours since the sealing, asked at those ages that it had not reached by then.
    #[serde(default)]
    pub(crate) by_age: [Option<Guess>; AGES_H.len()],
    /// Alerts that were raised, and when, hours.
    pub(crate) raised: Vec<(String, f64)>,
    /// Content 72 h after a move at the very time of the target, less the target, volumes.
    pub(crate) ends_at_target: Option<f64>,
    /// How long it was watched, hours.
    pub(crate) watched_h: f64,
    /// The fan 24 h (or as long as there was) ahead of the target: hours, and the points of the content.
    pub(crate) fan: Vec<(f64, [f64; 3])>,
    /// The true content every 2 h.
    pub(crate) truth: Vec<(f64, f64)>,
}

/// What one way of reckoning said.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(crate) struct Answers {
    /// The target's hours, asked 24, 12 and 6 h ahead; `None`: the batch was not that old.
    pub(crate) ahead: [Option<Guess>; 3],
    /// Content now, every 6 h, with when.
    pub(crate) now: Vec<(f64, Guess)>,
    /// Hours ahead of the target, and what was missed by (median less truth, hours), every 3 h of the last three days;
    /// `None`: no answer.
    pub(crate) by_lead: Vec<(f64, Option<f64>)>,
    /// When the move was advised, hours; `None`: never.
    pub(crate) moved_h: Option<f64>,
    /// Content 72 h after it (or a day after the target) less the target, volumes.
    pub(crate) ends: Option<f64>,
}

/// Plays a drawn batch; `None` if it never reaches its target.
pub(crate) fn play(seed: u64) -> Option<Batchful> {
    let mut scenario = Scenario::drawn(seed);
    let played = play::played(&scenario, seed);
    let target_at = played.truth.target_at()?;
    scenario.bottle.pressure_limit_bar = beyond_reach(&played)?;
    Some(watch(&scenario, &played, hours(scenario.bottled_at, target_at)))
}

/// A limit that the batch stays 30 % below even if nobody ever moves it, bar.
pub(crate) fn beyond_reach(played: &Played) -> Option<f64> {
    Some(played.if_forgotten(played.scenario.bottled_at)?.highest_bar / BELOW)
}

/// Watches a batch until nothing is left to score.
pub(crate) fn watch(scenario: &Scenario, played: &Played, target_h: f64) -> Batchful {
    let batch = play::batch(scenario);
    let mut watched = Watched::new(batch.clone(), play::rows(played));
    let mut told = Batchful {
        target: played.truth.target_volumes,
        target_h,
        fit: Answers::default(),
        line: Answers::default(),
        gompertz: Answers::default(),
        gauge_alone: Answers::default(),
        vessel: Vec::new(),
        vessel_ahead: [None; 3],
        vessel_ends: None,
        by_age: [None; AGES_H.len()],
        raised: Vec::new(),
        ends_at_target: played
            .content_after_move(at(played, target_h))
            .map(|ends| ends - played.truth.target_volumes),
        watched_h: 0.0,
        fan: Vec::new(),
        truth: truth(played),
    };
    let end = target_h + AFTER_H;
    let latest = target_h + DAY_LATE_H;
    let mut passes = [0; 2];
    let vessel_h = vessel_reaches(played);
    while watched.at_h() < end || (told.fit.moved_h.is_none() && watched.at_h() < latest) {
        let said = watched.half_hour();
        let moments = Moments::of(&said, target_h, end);
        if let Some(fitted) = &said.fitted {
            told.take_fit(fitted, &said, &moments, vessel_h, played);
        }
        let own = played.truth.at(said.at).map(vessel_content);
        told.gauge_alone
            .take([None, own, None], [None, vessel_h, None], &moments, played);
        for record in said.alerts.iter().filter(|r| r.state == Transition::Raised) {
            told.raised.push((record.alert.name().to_owned(), said.at_h));
            if record.alert == AlertName::MoveToFridge {
                told.fit.moved_h.get_or_insert(said.at_h);
            }
        }
        told.take_rules(&batch, &watched, &moments, &mut passes, played);
    }
    told.watched_h = watched.at_h();
    // The right move of the labelled bottle, as much earlier or later as the sensor vessel is.
    told.gauge_alone.moved_h = vessel_h
        .zip(played.move_at())
        .map(|(vessel_h, move_at)| hours(scenario.bottled_at, move_at) + vessel_h - target_h);
    for answers in [
        &mut told.fit,
        &mut told.line,
        &mut told.gompertz,
        &mut told.gauge_alone,
    ] {
        answers.settle(target_h, played);
    }
    told.vessel_ends = played
        .after_move(at(played, told.fit.moved_or_late(target_h)))
        .map(|ends| vessel_content(&ends) - played.truth.target_volumes);
    told
}

/// What is scored at a point of the grid.
struct Moments {
    at_h: f64,
    target_h: f64,
    /// The target is asked for: which of the leads.
    lead: Option<usize>,
    /// And which of the ages.
    age: Option<usize>,
    /// The content is scored.
    now: bool,
    /// The target's error is kept for the picture.
    pictured: bool,
}

impl Moments {
    fn of(said: &Said, target_h: f64, end: f64) -> Self {
        let at_h = said.at_h;
        let lead = LEADS_H.iter().position(|lead| {
            let ahead = target_h - at_h;
            ahead <= *lead && ahead > lead - 0.5
        });
        let age = AGES_H.iter().position(|age| (at_h - age).abs() < 0.25);
        Self {
            at_h,
            target_h,
            lead,
            age: age.filter(|_| at_h < target_h),
            now: at_h.rem_euclid(6.0) < 0.25 && at_h <= end,
            pictured: at_h.rem_euclid(3.0) < 0.25 && at_h < target_h && at_h > target_h - PICTURED_H,
        }
    }
}

impl Batchful {
    fn take_fit(
        &mut self,
        fitted: &Fitted,
        said: &Said,
        moments: &Moments,
        vessel_h: Option<f64>,
        played: &Played,
    ) {
        let content = &fitted.forecast.co2;
        let points = [content.p05, content.p50, content.p95].map(|v| Some(v.volumes()));
        let when = fitted.forecast.target_at.map_or([None; 3], |when| {
            let since = |t: jiff::Timestamp| hours(played.scenario.bottled_at, t);
            [when.p05, when.p50, when.p95].map(|t| t.map(since))
        });
        self.fit.take(points, when, moments, played);
        if let (Some(lead), Some(vessel_h)) = (moments.lead, vessel_h)
            && let Some(place) = self.vessel_ahead.get_mut(lead)
        {
            *place = Some(Guess::new(vessel_h, when));
        }
        if let Some(place) = moments.age.and_then(|age| self.by_age.get_mut(age)) {
            *place = Some(Guess::new(moments.target_h, when));
        }
        if let (true, Some(truth)) = (moments.now, played.truth.at(said.at)) {
            self.vessel.push(Guess::new(vessel_content(truth), points));
        }
        if self.fan.is_empty() && moments.at_h >= moments.target_h - 24.0 {
            let points = fitted.outlook.curve.iter().map(|point| {
                let q = &point.co2;
                let at_h = hours(played.scenario.bottled_at, point.at);
                (at_h, [q.p05, q.p50, q.p95].map(|v| v.volumes()))
            });
            let until = moments.target_h + 48.0;
            self.fan = points.filter(|(at_h, _)| *at_h <= until).collect();
        }
    }

    /// The rules are asked where they are scored, and for their move once they see half of the target.
    fn take_rules(
        &mut self,
        batch: &Batch,
        watched: &Watched,
        moments: &Moments,
        passes: &mut [u32; 2],
        played: &Played,
    ) {
        let scored = moments.now || moments.pictured || moments.lead.is_some();
        let wanted = [&self.line, &self.gompertz].map(|answers| answers.moved_h.is_none());
        if !scored && !wanted.contains(&true) {
            return;
        }
        let content = gauge_content::content(batch, watched.come());
        let near = content.last().is_some_and(|(_, y)| *y > 0.5 * self.target);
        let rules: [(&mut Answers, &dyn Fn() -> Told); 2] = [
            (&mut self.line, &|| {
                line::told(&content, moments.at_h, self.target)
            }),
            (&mut self.gompertz, &|| {
                gompertz::told(&content, moments.at_h, self.target)
            }),
        ];
        for ((answers, rule), passes) in rules.into_iter().zip(passes) {
            let wanted = scored || near && answers.moved_h.is_none();
            if !wanted {
                continue;
            }
            let said = rule();
            answers.take(said.content, said.target_h, moments, played);
            let there = said.content[1].is_some_and(|content| content >= self.target);
            *passes = if there { *passes + 1 } else { 0 };
            if *passes == 2 {
                answers.moved_h.get_or_insert(moments.at_h);
            }
        }
    }
}

impl Answers {
    fn take(
        &mut self,
        content: [Option<f64>; 3],
        target_h: [Option<f64>; 3],
        moments: &Moments,
        played: &Played,
    ) {
        if let Some(place) = moments.lead.and_then(|lead| self.ahead.get_mut(lead)) {
            *place = Some(Guess::new(moments.target_h, target_h));
        }
        if moments.pictured {
            let missed = target_h[1].map(|middle| middle - moments.target_h);
            self.by_lead.push((moments.target_h - moments.at_h, missed));
        }
        if moments.now
            && let Some(truth) = played.truth.at(at(played, moments.at_h))
        {
            let guess = Guess::new(truth.co2_volumes, content);
            self.now.push((moments.at_h, guess));
        }
    }

    /// When the bottles are moved: a day late where nobody says so.
    fn moved_or_late(&self, target_h: f64) -> f64 {
        self.moved_h.unwrap_or(target_h + DAY_LATE_H)
    }

    /// What becomes of the bottles.
    fn settle(&mut self, target_h: f64, played: &Played) {
        let ends = played.content_after_move(at(played, self.moved_or_late(target_h)));
        self.ends = ends.map(|ends| ends - played.truth.target_volumes);
    }
}

fn at(played: &Played, at_h: f64) -> jiff::Timestamp {
    let since = SignedDuration::from_secs_f64(at_h * 3_600.0);
    let sealed = played.scenario.bottled_at;
    sealed.saturating_add(since).unwrap_or(sealed)
}

/// Content of the sensor vessel as if in the labelled bottle, volumes.
fn vessel_content(truth: &Moment) -> f64 {
    truth.co2_volumes * truth.pilot_co2_g_per_l / truth.total_co2_g_per_l
}

/// When the sensor vessel has reached the target, hours.
fn vessel_reaches(played: &Played) -> Option<f64> {
    let target = played.truth.target_volumes;
    let there = played
        .truth
        .moments
        .iter()
        .find(|moment| vessel_content(moment) >= target)?;
    Some(hours(played.scenario.bottled_at, there.at))
}

fn truth(played: &Played) -> Vec<(f64, f64)> {
    let moments = played.truth.moments.iter().step_by(12);
    let points = moments.map(|moment| (hours(played.scenario.bottled_at, moment.at), moment.co2_volumes));
    points.collect()
}
