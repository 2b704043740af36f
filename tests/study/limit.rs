//! Batches that pass their limit because nobody moves them: is the warning in time, with a sound gauge and without?

use fobwatch_core::{
    alert::{AlertName, AlertRecord, Transition},
    reading::Quantity,
};
use fobwatch_simulator::Scenario;
use serde::{Deserialize, Serialize};

use crate::{
    goals::Goal,
    play::{self, Said, Watched, hours, spread},
    report::Report,
    score::{Count, quantile},
};

/// Hours ahead at which a warning must stand.
const IN_TIME_H: [f64; 2] = [6.0, 12.0];
/// A first warning earlier than this is called very early.
const VERY_EARLY_H: f64 = 48.0;
/// The crossing lies between these hours: not before anybody could know, and not when the study would last for weeks.
const CROSSES_H: std::ops::RangeInclusive<f64> = 24.0..=120.0;
/// The limit is this part of the highest pressure of the first five days, at least and at most.
const PART_OF_PEAK: [f64; 2] = [0.3, 0.9];
/// No bottle for fizzy drinks has a lower limit than this, bar.
const LOWEST_LIMIT_BAR: f64 = 1.5;

/// One batch.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Crossing {
    /// The limit, bar.
    limit_bar: f64,
    /// When the worst bottle truly passes it, hours.
    crosses_h: f64,
    /// The gauge sound, stuck from half-way, silent from half-way.
    gauge: [Warned; 3],
}

impl Crossing {
    /// How long before the limit is passed the first warning came, hours, with the gauge that way; `None`: none came.
    pub(crate) fn warned_ahead_h(&self, way: usize) -> Option<f64> {
        Some(self.crosses_h - self.gauge.get(way)?.first_h()?)
    }

    /// The same of `over_limit`, with a sound gauge.
    pub(crate) fn over_ahead_h(&self) -> Option<f64> {
        let [sound, ..] = &self.gauge;
        Some(self.crosses_h - sound.over_h?)
    }
}

/// What the gauge does in the second half.
pub(crate) const WAYS: [&str; 3] = ["sound", "stuck from half-way", "silent from half-way"];

/// When `limit_near` or `over_limit` stood.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Warned {
    /// From and until, hours; none: until the end.
    stood: Vec<(f64, Option<f64>)>,
    /// Which of the two stand.
    standing: Vec<String>,
    /// When `over_limit` was first raised, hours.
    #[serde(default)]
    over_h: Option<f64>,
}

impl Warned {
    fn take(&mut self, record: &AlertRecord, at_h: f64) {
        if !matches!(record.alert, AlertName::LimitNear | AlertName::OverLimit) {
            return;
        }
        let name = record.alert.name();
        if record.alert == AlertName::OverLimit && record.state == Transition::Raised {
            self.over_h.get_or_insert(at_h);
        }
        let stood = !self.standing.is_empty();
        match record.state {
            Transition::Raised if !self.standing.iter().any(|known| known == name) => {
                self.standing.push(name.to_owned());
            }
            Transition::Cleared => self.standing.retain(|known| known != name),
            _ => {}
        }
        match (stood, self.standing.is_empty()) {
            (false, false) => self.stood.push((at_h, None)),
            (true, true) => {
                if let Some((_, until)) = self.stood.last_mut() {
                    *until = Some(at_h);
                }
            }
            _ => {}
        }
    }

    fn stands(&self, at_h: f64) -> bool {
        let over = |until: &Option<f64>| until.is_some_and(|until| until <= at_h);
        self.stood
            .iter()
            .any(|(from, until)| *from <= at_h && !over(until))
    }

    fn first_h(&self) -> Option<f64> {
        self.stood.first().map(|(from, _)| *from)
    }
}

/// Plays a drawn batch with a limit that it passes; `None` if no fitting limit is passed in the first five days.
pub(crate) fn play(seed: u64) -> Option<Crossing> {
    let mut scenario = Scenario::drawn(seed);
    scenario.lasts_h = *CROSSES_H.end() + 1.0;
    let mut played = play::played(&scenario, seed);
    let days = &played.truth.moments;
    let peak = days.iter().map(|moment| moment.worst_bar).fold(0.0, f64::max);
    let [low, high] = PART_OF_PEAK;
    let limit_bar = (low + (high - low) * spread(seed, 0)) * peak;
    scenario.bottle.pressure_limit_bar = limit_bar;
    played.truth.limit_bar = limit_bar;
    let crosses_h = hours(scenario.bottled_at, played.truth.limit_at()?);
    if limit_bar < LOWEST_LIMIT_BAR || !CROSSES_H.contains(&crosses_h) {
        return None;
    }
    let mut first_half = Watched::new(play::batch(&scenario), play::rows(&played));
    let mut warned = Warned::default();
    while first_half.at_h() < crosses_h / 2.0 {
        warned.take_all(&first_half.half_hour());
    }
    let gauge = [sound as Alter, stuck, silent]
        .map(|alter| second_half(first_half.clone(), warned.clone(), alter, crosses_h));
    Some(Crossing {
        limit_bar,
        crosses_h,
        gauge,
    })
}

type Alter = fn(&mut Watched);

fn sound(_: &mut Watched) {}

fn stuck(watched: &mut Watched) {
    let last = watched.last(Quantity::Pressure).map(|row| row.reading.measured);
    watched.alter(|row| {
        let mut row = row.clone();
        if let (Quantity::Pressure, Some(last)) = (row.reading.measured.quantity(), last) {
            row.reading.measured = last;
        }
        Some(row)
    });
}

fn silent(watched: &mut Watched) {
    watched.alter(|row| (row.reading.measured.quantity() != Quantity::Pressure).then(|| row.clone()));
}

impl Warned {
    fn take_all(&mut self, said: &Said) {
        for record in &said.alerts {
            self.take(record, said.at_h);
        }
    }
}

/// Until the limit is passed, a warning stands where the last of them must, or one stands that only a person clears.
fn second_half(mut watched: Watched, mut warned: Warned, alter: Alter, crosses_h: f64) -> Warned {
    alter(&mut watched);
    while watched.at_h() + 0.5 <= crosses_h {
        let decided = watched.at_h() >= crosses_h - IN_TIME_H[0];
        let latched = warned
            .standing
            .iter()
            .any(|name| name == AlertName::OverLimit.name());
        if latched || decided && warned.stands(crosses_h - IN_TIME_H[0]) {
            break;
        }
        warned.take_all(&watched.half_hour());
    }
    warned
}

/// The table.
pub(crate) fn report(report: &mut Report, plays: &[(u64, Crossing)]) {
    let (first, last) = (plays.first(), plays.last());
    let seed = |play: Option<&(u64, Crossing)>| play.map_or(0, |(seed, _)| *seed);
    let limits: Vec<f64> = plays.iter().map(|(_, play)| play.limit_bar).collect();
    let crossings: Vec<f64> = plays.iter().map(|(_, play)| play.crosses_h).collect();
    report.line(&format!(
        "\nLimit: {} batches that pass it, seeds {} to {}; limits {:.1} to {:.1} bar, passed after {:.0} to {:.0} h.",
        plays.len(),
        seed(first),
        seed(last),
        quantile(&limits, 0.0),
        quantile(&limits, 1.0),
        quantile(&crossings, 0.0),
        quantile(&crossings, 1.0)
    ));
    report.head(
        "A warning (`limit_near` or `over_limit`) stands before the worst bottle passes the limit",
        &[
            "gauge",
            "6 h before",
            "12 h before",
            "never, or only after",
            "first warning: median h before",
            "over 48 h before",
        ],
    );
    let mut kept = serde_json::Map::new();
    for (index, way) in WAYS.iter().enumerate() {
        let stands = |ahead: f64| {
            Count::of(plays, |(_, play)| {
                play.gauge[index].stands(play.crosses_h - ahead)
            })
        };
        let in_time = IN_TIME_H.map(stands);
        let name = format!("passing the limit, gauge {way}: warned 6 h before, share");
        report.goal(Goal::at_least(&name, in_time[0].share(), 1.0, 3));
        let never = Count::of(plays, |(_, play)| play.gauge[index].first_h().is_none());
        let ahead: Vec<f64> = plays
            .iter()
            .filter_map(|(_, play)| Some(play.crosses_h - play.gauge[index].first_h()?))
            .collect();
        let early = Count::of(&ahead, |ahead| *ahead > VERY_EARLY_H);
        let median = quantile(&ahead, 0.5);
        report.row(&[
            (*way).to_owned(),
            in_time[0].to_string(),
            in_time[1].to_string(),
            never.to_string(),
            format!("{median:.1}"),
            early.to_string(),
        ]);
        kept.insert(
            (*way).to_owned(),
            serde_json::json!({"stands_6h": in_time[0], "stands_12h": in_time[1], "never": never,
                               "first_median_h": median, "over_48h": early}),
        );
    }
    report.keep("limit", kept);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_warning_that_ended_does_not_stand() {
        let warned = Warned {
            stood: vec![(10.0, Some(20.0)), (30.0, None)],
            standing: vec!["limit_near".to_owned()],
            over_h: None,
        };
        assert!(warned.stands(10.0) && warned.stands(19.5) && warned.stands(40.0));
        assert!(!warned.stands(9.5) && !warned.stands(20.0) && !warned.stands(29.5));
    }
}
