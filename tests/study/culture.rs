//! Cultures known from earlier batches: how lively they are, and what that tells of the next batch before its gauge moves.
//!
//! Each culture makes five batches that teach and six that are judged. Batches here go to the fit directly, at every point of the grid
//! and each from the one before as in the product, but without the engine: what an alert would say is not asked.

use std::sync::Arc;

use fobwatch_core::{
    culture::Lesson,
    fit::{Evidence, Observed, fit, lesson},
    forecast::Forecast,
};
use fobwatch_simulator::{Played, Scenario};
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use crate::{
    goals::Goal,
    play::{self, HALF_HOUR, Row, Watched, hours},
    report::Report,
    score::{Guess, Summary, number, quantile},
};

/// Cultures.
pub(crate) const CULTURES: usize = 12;
/// Batches of each that teach, and that are judged.
const TEACHING: u64 = 5;
const JUDGED: u64 = 6;
/// Days from one batch of a culture to the next.
const BETWEEN_H: i64 = 14 * 24;
/// The gauge has moved when the pressure of the pilot has risen by this, bar: what a cheap gauge's noise and the day's swing hide.
const FIRST_SIGN_BAR: f64 = 0.05;
/// A batch teaches, and its vigour is judged, with what came until so long after its target, at most.
const WEEK_H: f64 = 168.0;
/// A target without an answer errs by so many times the time to go.
const MISSING: f64 = 4.0;
/// Highest CO2 production of the reference culture (README), volumes an hour.
pub(crate) const REFERENCE_VOLUMES_PER_H: f64 = 0.033;

/// One culture.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Known {
    /// Its vigour, batch by batch, asked with all of that batch's data and no history; the five that teach and the first judged.
    vigour: Vec<Guess>,
    /// The vigour of the last of them with the history of the five.
    with_history: Option<Guess>,
    /// Judged batches asked before the first sign of pressure: hours from then to the target, without and with history.
    ahead: Vec<(Guess, Guess)>,
}

/// Plays a culture.
pub(crate) fn play(seed: u64) -> Option<Known> {
    let mut known = Known {
        vigour: Vec::new(),
        with_history: None,
        ahead: Vec::new(),
    };
    let mut lessons: Vec<Lesson> = Vec::new();
    for number in 0..TEACHING + JUDGED {
        let batch = Made::new(seed, number);
        if number <= TEACHING {
            let (evidence, forecast) = batch.fitted(batch.done(), &[]);
            known.vigour.push(batch.vigour(&forecast));
            if number < TEACHING {
                lessons.extend(lesson(&evidence, forecast.at));
                continue;
            }
            let (_, taught) = batch.fitted(batch.done(), &lessons);
            known.with_history = Some(batch.vigour(&taught));
        }
        if let Some((sign, target)) = batch.first_sign().zip(batch.played.truth.target_at()) {
            let to_go = |lessons: &[Lesson]| {
                let (_, forecast) = batch.fitted(sign, lessons);
                let when = forecast.target_at.map_or([None; 3], |w| [w.p05, w.p50, w.p95]);
                let to = |t: Option<Timestamp>| t.map(|t| hours(forecast.at, t));
                Guess::new(hours(forecast.at, target), when.map(to))
            };
            known.ahead.push((to_go(&[]), to_go(&lessons)));
        }
    }
    Some(known)
}

/// A batch of a culture.
pub(crate) struct Made {
    played: Played,
    rows: Vec<Row>,
}

impl Made {
    pub(crate) fn new(culture: u64, number: u64) -> Self {
        // Seeds of their own: a culture's batches differ in everything but the culture.
        let seed = culture * 100 + number;
        let mut scenario = Scenario::drawn_of_culture(culture, seed);
        scenario.name = format!("{} of {}", scenario.name, number + 1);
        let after = SignedDuration::from_hours(BETWEEN_H * i64::try_from(number).unwrap_or(0));
        scenario.bottled_at = scenario
            .bottled_at
            .saturating_add(after)
            .unwrap_or(scenario.bottled_at);
        let played = play::played(&scenario, seed);
        let rows = play::rows(&played);
        Self { played, rows }
    }

    fn sealed(&self) -> Timestamp {
        self.played.scenario.bottled_at
    }

    /// When its data are all in, half hours since the sealing: at its target, or after a week.
    pub(crate) fn done(&self) -> i32 {
        let target = self.played.truth.target_at();
        let done_h = target.map_or(WEEK_H, |target| hours(self.sealed(), target).min(WEEK_H));
        half_hours(done_h)
    }

    /// The last point of the grid before the gauge moves, half hours since the sealing.
    fn first_sign(&self) -> Option<i32> {
        let moments = &self.played.truth.moments;
        let mut lowest = f64::INFINITY;
        let sign = moments.iter().find(|moment| {
            lowest = lowest.min(moment.pilot_bar);
            moment.pilot_bar > lowest + FIRST_SIGN_BAR
        })?;
        Some(half_hours(hours(self.sealed(), sign.at))).filter(|sign| *sign >= 1)
    }

    /// All that was heard until a point of the grid, and when that was.
    pub(crate) fn heard(&self, until: i32) -> (Evidence, Timestamp) {
        let batch = play::batch(&self.played.scenario);
        let mut evidence = Evidence::new(batch, Watched::settings().surroundings);
        let at = self
            .sealed()
            .saturating_add(HALF_HOUR * until)
            .unwrap_or(self.sealed());
        for row in self.rows.iter().take_while(|row| row.arrival <= at) {
            evidence.observe(row.reading.at, Observed::from(row.reading.measured));
        }
        (evidence, at)
    }

    /// Its true vigour, volumes an hour.
    pub(crate) fn truth(&self) -> f64 {
        self.played.scenario.vigour().volumes_per_h
    }

    /// What is known at a point of the grid, and what is expected there.
    fn fitted(&self, until: i32, lessons: &[Lesson]) -> (Evidence, Forecast) {
        let batch = play::batch(&self.played.scenario);
        let mut evidence = Evidence::new(batch, Watched::settings().surroundings).with_history(lessons);
        let mut rows = self.rows.iter().peekable();
        let mut at = self.sealed();
        let mut posterior = Arc::new(fit(&evidence, at, None));
        for _ in 0..until {
            at = at.saturating_add(HALF_HOUR).unwrap_or(at);
            while let Some(row) = rows.next_if(|row| row.arrival <= at) {
                evidence.observe(row.reading.at, Observed::from(row.reading.measured));
            }
            posterior = Arc::new(fit(&evidence, at, Some(&posterior)));
        }
        let (forecast, _) = posterior.answers(&evidence, at);
        (evidence, forecast)
    }

    fn vigour(&self, forecast: &Forecast) -> Guess {
        let truth = self.truth() / REFERENCE_VOLUMES_PER_H;
        let said = forecast.vigour;
        Guess::new(truth, [said.p05, said.p50, said.p95].map(|v| Some(v.ratio())))
    }
}

/// Whole half hours in so many hours.
fn half_hours(hours: f64) -> i32 {
    #[expect(clippy::cast_possible_truncation, reason = "half hours of a batch")]
    let whole = (2.0 * hours).floor() as i32;
    whole
}

/// The table.
pub(crate) fn report(report: &mut Report, plays: &[(u64, Known)]) {
    report.head(
        "Cultures: vigour, and the target asked before the first sign of pressure",
        &[
            "figure",
            "n",
            "median error",
            "p90",
            "90 % holds",
            "rank agreement (Spearman)",
        ],
    );
    let mut kept = serde_json::Map::new();
    let all: Vec<Guess> = plays
        .iter()
        .flat_map(|(_, known)| known.vigour.iter().copied())
        .collect();
    let taught: Vec<Guess> = plays.iter().filter_map(|(_, known)| known.with_history).collect();
    let cultures: Vec<Guess> = plays
        .iter()
        .map(|(_, known)| {
            let middle = |of: &dyn Fn(&Guess) -> Option<f64>| {
                quantile(&known.vigour.iter().filter_map(of).collect::<Vec<_>>(), 0.5)
            };
            Guess::new(
                middle(&|g| Some(g.truth)),
                [None, Some(middle(&|g| g.middle)), None],
            )
        })
        .collect();
    let ratios = |guesses: &[Guess]| -> Vec<Guess> {
        let ln = |value: Option<f64>| value.map(|v| v.max(1e-3).ln());
        guesses
            .iter()
            .map(|g| Guess::new(g.truth.max(1e-3).ln(), [ln(g.low), ln(g.middle), ln(g.high)]))
            .collect()
    };
    for (name, guesses) in [
        ("vigour of a batch, by its own data", &all),
        ("vigour of a culture: median of its six batches", &cultures),
        ("vigour of the sixth batch, with the history of five", &taught),
    ] {
        let summary = Summary::new(&ratios(guesses), 3.0);
        let agreement = spearman(guesses);
        report.row(&[
            format!("{name} (error of its logarithm)"),
            summary.count.to_string(),
            format!("{:.2}", summary.median),
            format!("{:.2}", summary.p90),
            if summary.bare {
                "none given".to_owned()
            } else {
                summary.holds.to_string()
            },
            format!("{agreement:.2}"),
        ]);
        kept.insert(
            name.to_owned(),
            serde_json::json!({"summary": summary, "spearman": agreement}),
        );
        if summary.bare {
            let name = "vigour of the cultures, rank agreement (Spearman)";
            report.goal(Goal::at_least(name, agreement, 0.8, 2));
        } else if summary.count > plays.len() {
            let name = "vigour of a batch, 90 % interval holds";
            report.goal(Goal::between(name, summary.holds.share(), [0.8, 0.97], 3));
        }
    }
    let pairs: Vec<&(Guess, Guess)> = plays.iter().flat_map(|(_, known)| &known.ahead).collect();
    let error = |guess: &Guess| guess.error(MISSING * guess.truth).abs();
    let without: Vec<f64> = pairs.iter().map(|(without, _)| error(without)).collect();
    let with: Vec<f64> = pairs.iter().map(|(_, with)| error(with)).collect();
    for (name, errors, guesses) in [
        (
            "target before the first sign, without history, h",
            &without,
            pairs.iter().map(|p| p.0).collect::<Vec<_>>(),
        ),
        (
            "the same with the history of five, h",
            &with,
            pairs.iter().map(|p| p.1).collect(),
        ),
    ] {
        let holds = Summary::new(&guesses, WEEK_H).holds;
        report.row(&[
            name.to_owned(),
            errors.len().to_string(),
            format!("{:.1}", quantile(errors, 0.5)),
            format!("{:.1}", quantile(errors, 0.9)),
            holds.to_string(),
            "-".to_owned(),
        ]);
        kept.insert(
            name.to_owned(),
            serde_json::json!({"median": quantile(errors, 0.5), "p90": quantile(errors, 0.9), "holds": holds}),
        );
    }
    let ratio = quantile(&with, 0.5) / quantile(&without, 0.5);
    report.line(&format!(
        "\nWith history the median error is {ratio:.2} of that without."
    ));
    kept.insert("ratio".into(), serde_json::json!(ratio));
    report.keep("culture", kept);
}

/// Rank correlation of medians and truths (Spearman 1904); ties do not come up among measured numbers.
pub(crate) fn spearman(guesses: &[Guess]) -> f64 {
    let ranks = |of: &dyn Fn(&Guess) -> f64| -> Vec<f64> {
        let values: Vec<f64> = guesses.iter().map(of).collect();
        let below = |value: f64| values.iter().filter(|other| **other < value).count();
        values.iter().map(|value| number(below(*value))).collect()
    };
    let truths = ranks(&|guess| guess.truth);
    let said = ranks(&|guess| guess.middle.unwrap_or(f64::INFINITY));
    let n = number(guesses.len());
    let apart: f64 = truths.iter().zip(&said).map(|(a, b)| (a - b).powi(2)).sum();
    1.0 - 6.0 * apart / (n * (n * n - 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_that_agree_have_one_and_reversed_ranks_minus_one() {
        let guess = |truth: f64, said: f64| Guess::new(truth, [None, Some(said), None]);
        let agree = [guess(1.0, 10.0), guess(2.0, 30.0), guess(3.0, 31.0)];
        let against = [guess(1.0, 3.0), guess(2.0, 2.0), guess(3.0, 1.0)];
        assert!((spearman(&agree) - 1.0).abs() < 1e-12);
        assert!((spearman(&against) + 1.0).abs() < 1e-12);
    }
}
