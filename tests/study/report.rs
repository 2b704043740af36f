//! The table: text that a README can carry, and the same as JSON.

use std::path::Path;

use serde_json::{Map, Value, json};

use crate::{
    JUDGING_FROM, TUNING,
    forecast::{AGES_H, Answers, Batchful, LEADS_H, MISSING_LEADS, MISSING_VOLUMES},
    goals::Goal,
    score::{Count, Guess, Summary, mean, quantile},
    total::{self, Difference, Total},
};

const FIT: &str = "fit";
/// Who knows nothing of the other bottles but everything of the one with the sensor: no gauge and no fit can do better.
const GAUGE_ALONE: &str = "the sensor's bottle, known exactly";
const VESSEL: &str = "fit, against the sensor's bottle";

type Way = fn(&Batchful) -> &Answers;

/// The table in the making.
pub(crate) struct Report {
    intro: String,
    goals: Vec<Goal>,
    text: String,
    json: Map<String, Value>,
}

impl Report {
    /// Nothing played.
    pub(crate) fn new(first: u64, batches: usize) -> Self {
        let mut report = Self {
            intro: String::new(),
            goals: Vec::new(),
            text: String::new(),
            json: Map::new(),
        };
        let whose = if first >= JUDGING_FROM {
            "no tuning used them"
        } else {
            "tuning may use them"
        };
        let (low, high) = (TUNING.start(), TUNING.end());
        report.intro = format!(
            "{batches} batches from seed {first} on ({whose}); tuning seeds {low} to {high}, judging seeds from {JUDGING_FROM} on. \
             Counts stand with their 95 % bounds (Wilson)."
        );
        report.json.insert("first_seed".into(), first.into());
        report.json.insert("batches".into(), batches.into());
        report
    }

    /// A line of text.
    pub(crate) fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    /// The head of a table.
    pub(crate) fn head(&mut self, title: &str, columns: &[&str]) {
        self.line(&format!("\n### {title}\n"));
        self.line(&format!("| {} |", columns.join(" | ")));
        self.line(&format!("|{}", " --- |".repeat(columns.len())));
    }

    /// A row of a table.
    pub(crate) fn row(&mut self, cells: &[String]) {
        self.line(&format!("| {} |", cells.join(" | ")));
    }

    /// The same for machines.
    pub(crate) fn keep(&mut self, key: &str, value: impl serde::Serialize) {
        self.json.insert(key.to_owned(), json!(value));
    }

    /// What was asked for.
    pub(crate) fn goal(&mut self, goal: Goal) {
        self.goals.push(goal);
    }

    /// The table as text.
    pub(crate) fn text(&self) -> String {
        let mut text = format!("{}\n", self.intro);
        if !self.goals.is_empty() {
            text.push_str("\n| figure | found | to reach | reached |\n| --- | --- | --- | --- |\n");
        }
        for goal in &self.goals {
            let reached = if goal.reached { "yes" } else { "no" };
            let Goal {
                figure, found, asked, ..
            } = goal;
            text.push_str(&format!("| {figure} | {found} | {asked} | {reached} |\n"));
        }
        text + &self.text
    }

    /// Writes both forms.
    ///
    /// # Errors
    /// A file cannot be written.
    pub(crate) fn write(&self, folder: &Path) -> Result<(), String> {
        let write = |name: &str, text: &str| {
            let path = folder.join(name);
            std::fs::write(&path, text).map_err(|why| format!("failed to write {}: {why}", path.display()))
        };
        write("table.md", &self.text())?;
        let mut kept = self.json.clone();
        kept.insert("goals".into(), json!(self.goals));
        let json = serde_json::to_string_pretty(&kept).map_err(|why| why.to_string())?;
        write("table.json", &(json + "\n"))
    }

    /// The main part.
    pub(crate) fn forecast(&mut self, plays: &[(u64, Batchful)]) {
        let seeds = |index: Option<&(u64, Batchful)>| index.map_or(0, |(seed, _)| *seed);
        self.line(&format!(
            "\nForecast: {} batches that reach their target, seeds {} to {}.",
            plays.len(),
            seeds(plays.first()),
            seeds(plays.last())
        ));
        let ways: [(&str, Way); 4] = [
            (FIT, |play| &play.fit),
            ("straight line", |play| &play.line),
            ("Gompertz", |play| &play.gompertz),
            (GAUGE_ALONE, |play| &play.gauge_alone),
        ];
        let columns = [
            "figure",
            "by",
            "n",
            "missing",
            "median",
            "p90",
            "bias",
            "90 % holds",
            "below / above it",
            "CRPS",
            "interval score",
        ];
        self.head("Target, content, move", &columns);
        let mut kept = Map::new();
        for (place, lead) in LEADS_H.iter().enumerate() {
            let mut medians = Vec::new();
            for (name, of) in &ways {
                let guesses: Vec<Guess> = plays
                    .iter()
                    .filter_map(|(_, play)| of(play).ahead[place])
                    .collect();
                let summary = Summary::new(&guesses, MISSING_LEADS * lead);
                self.summary(&format!("target {lead} h ahead, h"), name, &summary, 2);
                medians.push(summary.median);
                if *name == FIT {
                    self.target_goals(*lead, place, &summary);
                }
                kept.insert(format!("target_{lead}h_{name}"), json!(summary));
            }
            self.vessel(&mut kept, place, *lead, &ways, plays);
            if let [fit, rules @ .., _] = medians.as_slice() {
                let better = rules.iter().copied().fold(f64::INFINITY, f64::min);
                let name = format!("target {lead} h ahead, median error against the better rule's");
                self.goal(Goal::at_most(&name, fit / better, 0.6, 2));
            }
        }
        for (name, of) in &ways {
            let now = plays
                .iter()
                .flat_map(|(_, play)| of(play).now.iter().map(|(_, guess)| *guess));
            let summary = Summary::new(&now.collect::<Vec<_>>(), MISSING_VOLUMES);
            self.summary("content now, volumes", name, &summary, 3);
            if *name == FIT {
                self.goal(Goal::at_most(
                    "content now, median error, volumes",
                    summary.median,
                    0.033,
                    3,
                ));
                self.goal(Goal::between(
                    "content now, 90 % interval holds",
                    summary.holds.share(),
                    [0.87, 0.93],
                    3,
                ));
            }
            kept.insert(format!("content_{name}"), json!(summary));
        }
        let vessel: Vec<Guess> = plays
            .iter()
            .flat_map(|(_, play)| play.vessel.iter().copied())
            .collect();
        let summary = Summary::new(&vessel, MISSING_VOLUMES);
        self.summary("content now, volumes", VESSEL, &summary, 3);
        self.goal(Goal::at_most(
            "content now of the bottle with the sensors, median error, volumes",
            summary.median,
            0.033,
            3,
        ));
        kept.insert("vessel_fit".into(), json!(summary));
        let columns = [
            "content 72 h after the move less target, volumes; moved by",
            "n",
            "never advised",
            "median",
            "p95",
            "bias",
        ];
        self.head("The move", &columns);
        for (name, of) in &ways {
            let ends: Vec<f64> = plays.iter().filter_map(|(_, play)| of(play).ends).collect();
            let never = plays
                .iter()
                .filter(|(_, play)| of(play).moved_h.is_none())
                .count();
            let moved = self.moved(name, &ends, never);
            if *name == FIT {
                self.move_goals("content after the advised move less target", &ends);
            }
            kept.insert(format!("move_{name}"), moved);
        }
        let heard: Vec<f64> = plays.iter().filter_map(|(_, play)| play.vessel_ends).collect();
        let moved = self.moved(VESSEL, &heard, 0);
        self.move_goals(
            "content of the bottle with the sensors after the advised move less target",
            &heard,
        );
        kept.insert("move_vessel".into(), moved);
        let exact = plays.iter().filter_map(|(_, play)| play.ends_at_target);
        let moved = self.moved(
            "the truth: moved when the target is reached",
            &exact.collect::<Vec<_>>(),
            0,
        );
        kept.insert("move_at_target".into(), moved);
        self.ages(plays, &mut kept);
        self.total(plays, &mut kept);
        self.false_alarms(plays, &mut kept);
        self.keep("forecast", kept);
    }

    /// The target asked at an age, of the batches that reach it later.
    fn ages(&mut self, plays: &[(u64, Batchful)], kept: &mut Map<String, Value>) {
        let columns = [
            "target asked at an age, h",
            "n",
            "median error",
            "p90",
            "bias",
            "90 % holds",
            "below / above it",
        ];
        self.head("At an age", &columns);
        for (place, age) in AGES_H.iter().enumerate() {
            let guesses: Vec<Guess> = plays.iter().filter_map(|(_, play)| play.by_age[place]).collect();
            let of = Summary::new(&guesses, f64::INFINITY);
            self.row(&[
                format!("{age} h after the sealing"),
                of.count.to_string(),
                format!("{:.1}", of.median),
                format!("{:.1}", of.p90),
                format!("{:+.1}", of.bias),
                of.holds.to_string(),
                format!("{} / {}", of.below.found, of.above.found),
            ]);
            kept.insert(
                format!("target_at_{age}h"),
                json!({"count": of.count, "median": of.median, "p90": of.p90, "bias": of.bias,
                       "holds": of.holds, "below": of.below, "above": of.above}),
            );
        }
    }

    /// Fit and rules against the bottle that they hear.
    fn vessel(
        &mut self,
        kept: &mut Map<String, Value>,
        place: usize,
        lead: f64,
        ways: &[(&str, Way)],
        plays: &[(u64, Batchful)],
    ) {
        let figure = format!("target {lead} h ahead, h");
        let heard = |of: &dyn Fn(&Batchful) -> Option<Guess>| {
            let guesses: Vec<Guess> = plays.iter().filter_map(|(_, play)| of(play)).collect();
            Summary::new(&guesses, MISSING_LEADS * lead)
        };
        let fit = heard(&|play| play.vessel_ahead[place]);
        self.summary(&figure, VESSEL, &fit, 2);
        let mut better = f64::INFINITY;
        for (name, of) in ways.iter().filter(|(name, _)| ![FIT, GAUGE_ALONE].contains(name)) {
            let rule = heard(&|play| {
                let truth = play.vessel_ahead[place]?.truth;
                Some(Guess {
                    truth,
                    ..of(play).ahead[place]?
                })
            });
            self.summary(&figure, &format!("{name}, against the sensor's bottle"), &rule, 2);
            better = better.min(rule.median);
            kept.insert(format!("target_{lead}h_vessel_{name}"), json!(rule));
        }
        let name = |what: &str| format!("target {lead} h ahead of the bottle with the sensors, {what}");
        let [median, p90] = [[4.5, 2.0, 1.3][place], [13.0, 6.0, 5.0][place]];
        self.goal(Goal::at_most(&name("median error, h"), fit.median, median, 2));
        self.goal(Goal::at_most(&name("90th percentile, h"), fit.p90, p90, 2));
        self.goal(Goal::at_most(
            &name("median error against the better rule's"),
            fit.median / better,
            0.6,
            2,
        ));
        kept.insert(format!("target_{lead}h_vessel"), json!(fit));
    }

    fn target_goals(&mut self, lead: f64, place: usize, summary: &Summary) {
        let name = |what: &str| format!("target {lead} h ahead, {what}");
        self.goal(Goal::at_most(
            &name("median error, h"),
            summary.median,
            [4.5, 2.0, 1.3][place],
            2,
        ));
        self.goal(Goal::at_most(
            &name("90th percentile, h"),
            summary.p90,
            [13.0, 6.0, 5.0][place],
            2,
        ));
        self.goal(Goal::between(
            &name("90 % interval holds"),
            summary.holds.share(),
            [0.86, 0.94],
            3,
        ));
        for (tail, count) in [("below", &summary.below), ("above", &summary.above)] {
            let name = name(&format!("truth {tail} the interval"));
            self.goal(Goal::between(&name, count.share(), [0.03, 0.08], 3));
        }
    }

    fn move_goals(&mut self, figure: &str, ends: &[f64]) {
        let absolute: Vec<f64> = ends.iter().map(|end| end.abs()).collect();
        let bias = quantile(ends, 0.5);
        let name = |what: &str| format!("{figure}, {what}, volumes");
        self.goal(Goal::at_most(&name("median"), quantile(&absolute, 0.5), 0.045, 3));
        self.goal(Goal::at_most(
            &name("95th percentile"),
            quantile(&absolute, 0.95),
            0.13,
            3,
        ));
        self.goal(Goal::between(&name("bias"), bias, [-0.015, 0.015], 3));
    }

    fn moved(&mut self, by: &str, ends: &[f64], never: usize) -> Value {
        let absolute: Vec<f64> = ends.iter().map(|end| end.abs()).collect();
        let [median, p95] = [0.5, 0.95].map(|share| quantile(&absolute, share));
        let bias = quantile(ends, 0.5);
        self.row(&[
            by.to_owned(),
            ends.len().to_string(),
            never.to_string(),
            format!("{median:.3}"),
            format!("{p95:.3}"),
            format!("{bias:+.3}"),
        ]);
        json!({"count": ends.len(), "never": never, "median": median, "p95": p95, "bias": bias,
               "mean": mean(absolute.into_iter())})
    }

    fn summary(&mut self, figure: &str, by: &str, s: &Summary, digits: usize) {
        let interval = |text: String| if s.bare { "none given".to_owned() } else { text };
        self.row(&[
            figure.to_owned(),
            by.to_owned(),
            s.count.to_string(),
            s.missing.to_string(),
            format!("{:.digits$}", s.median),
            format!("{:.digits$}", s.p90),
            format!("{:+.digits$}", s.bias),
            interval(s.holds.to_string()),
            interval(format!("{} / {}", tail(&s.below), tail(&s.above))),
            format!("{:.digits$}", s.crps),
            interval(format!("{:.digits$}", s.interval_score)),
        ]);
    }

    /// One number for the whole.
    fn total(&mut self, plays: &[(u64, Batchful)], kept: &mut Map<String, Value>) {
        let total = Total::of(plays);
        self.line(&format!(
            "\nTotal score {total} (lower is better): {}.",
            total::MEANING
        ));
        kept.insert("total".into(), json!(total));
    }

    /// Which of two studies forecasts better.
    pub(crate) fn against(&mut self, difference: &Difference) {
        let percent = 100.0 * (difference.log_ratio.exp() - 1.0);
        self.line(&format!(
            "\nAgainst the other study, on {} batches of both: the total is {percent:+.1} % (negative is better), its logarithm {:+.4} +- {:.4}.",
            difference.batches, difference.log_ratio, difference.standard_error
        ));
        self.keep("against", difference);
    }

    fn false_alarms(&mut self, plays: &[(u64, Batchful)], kept: &mut Map<String, Value>) {
        self.head(
            "False alarms: sound sensors, and even the forgotten batch stays 30 % below its limit",
            &["alert", "batches that raised it, of all"],
        );
        let names = [
            "limit_near",
            "over_limit",
            "sudden_loss",
            "leak_suspected",
            "stalled",
            "sensor_suspect",
            "sensor_silent",
        ];
        let mut counts = Map::new();
        let raised = |name: &str| {
            Count::of(plays, |(_, play)| {
                play.raised.iter().any(|(raised, _)| raised == name)
            })
        };
        for name in names {
            let count = raised(name);
            let rightly = if name == "sensor_silent" {
                " (sensors have gaps: rightly)"
            } else {
                ""
            };
            self.row(&[format!("`{name}`{rightly}"), count.to_string()]);
            counts.insert(name.into(), json!(count));
        }
        let warned_of = |plays: &[(u64, Batchful)]| {
            Count::of(plays, |(_, play)| {
                play.raised
                    .iter()
                    .any(|(name, _)| name == "limit_near" || name == "over_limit")
            })
        };
        let hundred = warned_of(plays.get(..100).unwrap_or(plays));
        let name = "warnings of the limit on 100 batches that stay 30 % below";
        self.goal(Goal::at_most(name, crate::score::number(hundred.found), 5.0, 0));
        let warned = warned_of(plays);
        self.row(&["`limit_near` or `over_limit`".to_owned(), warned.to_string()]);
        counts.insert("limit".into(), json!(warned));
        kept.insert("false_alarms".into(), counts.into());
    }
}

/// A share in percent with its bounds.
fn tail(count: &Count) -> String {
    let percent = |share: f64| 100.0 * share;
    format!(
        "{:.1} % ({:.1} to {:.1})",
        percent(count.share()),
        percent(count.at_least),
        percent(count.at_most)
    )
}
