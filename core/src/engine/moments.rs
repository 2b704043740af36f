//! Which moment suits a move best, of those at which somebody can carry the bottles.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use crate::{
    batch::Batch,
    forecast::{CurvePoint, Forecast, Outlook},
    quantity::{Co2Volumes, GaugePressure},
};

use super::{
    awake::{Gap, Hands},
    evaluate::Group,
};

/// A move that has to be made before the night is asked for this long before it.
const BEFORE_BED: SignedDuration = SignedDuration::from_mins(90);
/// Who leaves for days packs first, and may leave early.
const BEFORE_LEAVING: SignedDuration = SignedDuration::from_hours(3);
/// A shorter time between two absences is not planned for: the alert needs two evaluations, and a person some time.
const SHORTEST: SignedDuration = SignedDuration::from_hours(2);
/// Moments that are shown.
const MOST_SHOWN: usize = 12;

/// What a move at one moment would come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Moment {
    pub(crate) at: Timestamp,
    /// Content 72 h after, volumes; `None`: the worst bottle may be at its limit by then.
    pub(crate) ends: Option<f64>,
}

/// The moments between which a person has to choose, and what follows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Choice {
    pub(crate) advice: Advice,
    /// A move now, or the last before the gap.
    pub(crate) early: Moment,
    /// The first after it.
    pub(crate) late: Moment,
    /// What lies between.
    pub(crate) gap: Gap,
    /// The move comes due in the gap, and is better made before it: then it is due at [`Choice::early`].
    pub(crate) early_is_due: bool,
}

/// When to raise the alert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Advice {
    /// When the target is reached, as without waking hours.
    AsItComes,
    /// Before the night or the time away, though the target is not reached yet.
    BeforeTheGap,
    /// Not before it is over.
    AfterTheGap,
}

/// One moment at which somebody can carry the bottles, and what a move then would come to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct MomentView {
    /// When.
    pub at: Timestamp,
    /// Median content 72 h after a move made then, in the target's sense; `None`: later than the forecast tells.
    pub ends: Option<Co2Volumes>,
    /// Gauge pressure that the fullest bottle may have reached by then (95 %); `None`: later than the forecast tells.
    pub fullest: Option<GaugePressure>,
    /// The fullest bottle keeps below the limit until then.
    pub keeps_its_margin: bool,
    /// The one whose content ends nearest to the target, of those that keep the margin.
    pub best: bool,
}

/// What may be looked ahead to.
pub(super) struct Ahead<'a> {
    forecast: &'a Forecast,
    outlook: &'a Outlook,
    batch: &'a Batch,
    now: Timestamp,
}

impl<'a> Ahead<'a> {
    pub(super) fn new(group: &'a Group, batch: &'a Batch, now: Timestamp) -> Self {
        Self {
            forecast: &group.forecast,
            outlook: &group.outlook,
            batch,
            now,
        }
    }

    /// What to advise; `None`: nothing is in the way, or the outlook does not reach far enough.
    pub(super) fn choose(&self, hands: &Hands<'_>) -> Option<Choice> {
        let now = self.now;
        let free = hands.free(now);
        let leave = if free { hands.turns(false, now)? } else { now };
        let (back, _) = hands.next_window(leave, SHORTEST)?;
        let (here, early, late) = (self.moment(now)?, self.moment(leave)?, self.moment(back)?);
        let target = self.batch.target.co2.volumes();
        let gap = hands.gap(leave, back);
        let early_is_better = is_better(early, late, target);
        let reached = |moment: Moment| moment.ends.is_some_and(|ends| ends >= target);
        let due_now = reached(here);
        let due_early = due_now || early.ends.is_none_or(|ends| ends >= target);
        let due_late = late.ends.is_none_or(|ends| ends >= target);
        let early_is_due = free && !due_early && due_late && early_is_better;
        let before = match gap {
            Gap::Night => BEFORE_BED,
            Gap::Away => BEFORE_LEAVING,
        };
        let last_call = leave.duration_since(now) <= before;
        let advice = if free {
            if early_is_due && last_call {
                Advice::BeforeTheGap
            } else {
                Advice::AsItComes
            }
        } else if late.ends.is_some() {
            Advice::AfterTheGap
        } else {
            Advice::AsItComes
        };
        Some(Choice {
            advice,
            early: if free && !due_now { early } else { here },
            late,
            gap,
            early_is_due,
        })
    }

    /// The moments of the days ahead, in their order: beginning and end of each time in which somebody can carry the bottles, and the
    /// one within it at which the target is met.
    pub(super) fn shown(&self, hands: &Hands<'_>) -> Vec<MomentView> {
        let Some(until) = self.outlook.curve.last().map(|point| point.at) else {
            return Vec::new();
        };
        let mut times = Vec::new();
        let mut from = self.now;
        while let Some((begins, ends)) = hands.next_window(from, SHORTEST) {
            if begins > until || times.len() >= MOST_SHOWN {
                break;
            }
            times.push(begins);
            let end = ends.map_or(until, |end| end.min(until));
            times.extend(self.due().filter(|due| *due > begins && *due < end));
            let Some(ends) = ends.filter(|ends| *ends <= until) else {
                break;
            };
            times.push(ends);
            from = ends;
        }
        times.truncate(MOST_SHOWN);
        let moments: Vec<Moment> = times.iter().filter_map(|at| self.moment(*at)).collect();
        let target = self.batch.target.co2.volumes();
        let best = moments
            .iter()
            .copied()
            .reduce(|a, b| if is_better(a, b, target) { a } else { b });
        moments
            .iter()
            .map(|moment| MomentView {
                at: moment.at,
                ends: self
                    .ends(moment.at)
                    .and_then(|ends| Co2Volumes::from_volumes(ends).ok()),
                fullest: self.highest(moment.at),
                keeps_its_margin: moment.ends.is_some(),
                best: best == Some(*moment) && moment.ends.is_some(),
            })
            .collect()
    }

    /// When the move is due if somebody can always carry the bottles.
    fn due(&self) -> impl Iterator<Item = Timestamp> {
        self.forecast.move_at.and_then(|when| when.p50).into_iter()
    }

    fn moment(&self, at: Timestamp) -> Option<Moment> {
        let last = self.outlook.curve.last()?;
        if at > last.at {
            // Further than the curve is drawn: by then the move is due, or the limit may be near, or neither.
            let limit = self.forecast.limit_at.and_then(|when| when.p05);
            let over = limit.into_iter().chain(self.due()).any(|reached| reached <= at);
            let ends = (!over).then(|| self.ends(last.at)).flatten();
            return Some(Moment { at, ends });
        }
        let keeps = self.highest(at)? < self.batch.bottle.pressure_limit;
        let ends = self.ends(at)?;
        Some(Moment {
            at,
            ends: keeps.then_some(ends),
        })
    }

    /// A move at `at`: what is gained until then comes on top of what a move now would end at.
    fn ends(&self, at: Timestamp) -> Option<f64> {
        Some(self.outlook.after_move_now.p50.volumes() + gains(self.outlook, self.now, at)?)
    }

    /// The 95 % estimate of the worst bottle at its highest from now until `at`.
    fn highest(&self, at: Timestamp) -> Option<GaugePressure> {
        let curve = &self.outlook.curve;
        let there = along(curve, at, |point| point.worst_bottle.p95.pascal())?;
        let on_the_way = curve
            .iter()
            .filter(|point| point.at >= self.now && point.at <= at);
        let highest = on_the_way
            .map(|point| point.worst_bottle.p95.pascal())
            .fold(there, f64::max);
        GaugePressure::from_pascal(highest).ok()
    }
}

/// The first is nearer to the target, or the second may be too late for the pressure.
fn is_better(first: Moment, second: Moment, target: f64) -> bool {
    let off = |moment: Moment| moment.ends.map(|ends| (ends - target).abs());
    match (off(first), off(second)) {
        (_, None) => true,
        (None, Some(_)) => false,
        (Some(first), Some(second)) => first <= second,
    }
}

/// What the content gains from one time to a later one, volumes; `None` beyond the outlook.
pub(super) fn gains(outlook: &Outlook, from: Timestamp, to: Timestamp) -> Option<f64> {
    let content = |at| along(&outlook.curve, at, |point| point.co2.p50.volumes());
    Some((content(to)? - content(from)?).max(0.0))
}

/// The curve at `at`, linear between its points.
fn along(curve: &[CurvePoint], at: Timestamp, of: impl Fn(&CurvePoint) -> f64) -> Option<f64> {
    let after = curve.partition_point(|point| point.at <= at);
    let first = curve.get(after.checked_sub(1)?)?;
    let Some(second) = curve.get(after) else {
        return (first.at == at).then(|| of(first));
    };
    let (whole, part) = (
        second.at.duration_since(first.at).as_secs_f64(),
        at.duration_since(first.at).as_secs_f64(),
    );
    Some(of(first) + (of(second) - of(first)) * part / whole)
}
