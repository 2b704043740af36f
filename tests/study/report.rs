//! The table: text that a README can carry, and the same as JSON.

use std::path::Path;

use serde_json::{Map, Value, json};

use crate::{
    JUDGING_FROM, TUNING,
    forecast::{Answers, Batchful, LEADS_H, MISSING_LEADS, MISSING_VOLUMES},
    score::{Count, Guess, Summary, mean, quantile},
    total::{self, Difference, Total},
};

type Way = fn(&Batchful) -> &Answers;

/// The table in the making.
pub(crate) struct Report {
    text: String,
    json: Map<String, Value>,
}

impl Report {
    /// Nothing played.
    pub(crate) fn new(first: u64, batches: usize) -> Self {
        let mut report = Self {
            text: String::new(),
            json: Map::new(),
        };
        let whose = if first >= JUDGING_FROM {
            "no tuning used them"
        } else {
            "tuning may use them"
        };
        let (low, high) = (TUNING.start(), TUNING.end());
        report.line(&format!(
            "{batches} batches from seed {first} on ({whose}); tuning seeds {low} to {high}, judging seeds from {JUDGING_FROM} on. \
             Counts stand with their 95 % bounds (Wilson)."
        ));
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

    /// The table as text.
    pub(crate) fn text(&self) -> String {
        self.text.clone()
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
        write("table.md", &self.text)?;
        let json = serde_json::to_string_pretty(&self.json).map_err(|why| why.to_string())?;
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
        let ways: [(&str, Way); 3] = [
            ("fit", |play| &play.fit),
            ("straight line", |play| &play.line),
            ("Gompertz", |play| &play.gompertz),
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
            for (name, of) in &ways {
                let guesses: Vec<Guess> = plays
                    .iter()
                    .filter_map(|(_, play)| of(play).ahead[place])
                    .collect();
                let summary = Summary::new(&guesses, MISSING_LEADS * lead);
                self.summary(&format!("target {lead} h ahead, h"), name, &summary, 2);
                kept.insert(format!("target_{lead}h_{name}"), json!(summary));
            }
        }
        for (name, of) in &ways {
            let now = plays
                .iter()
                .flat_map(|(_, play)| of(play).now.iter().map(|(_, guess)| *guess));
            let summary = Summary::new(&now.collect::<Vec<_>>(), MISSING_VOLUMES);
            self.summary("content now, volumes", name, &summary, 3);
            kept.insert(format!("content_{name}"), json!(summary));
        }
        let vessel: Vec<Guess> = plays
            .iter()
            .flat_map(|(_, play)| play.vessel.iter().copied())
            .collect();
        let summary = Summary::new(&vessel, MISSING_VOLUMES);
        self.summary("the same against the sensor vessel's own", "fit", &summary, 3);
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
            kept.insert(format!("move_{name}"), moved);
        }
        let exact = plays.iter().filter_map(|(_, play)| play.ends_at_target);
        let moved = self.moved(
            "the truth: moved when the target is reached",
            &exact.collect::<Vec<_>>(),
            0,
        );
        kept.insert("move_at_target".into(), moved);
        self.total(plays, &mut kept);
        self.false_alarms(plays, &mut kept);
        self.keep("forecast", kept);
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
        let warned = Count::of(plays, |(_, play)| {
            play.raised
                .iter()
                .any(|(name, _)| name == "limit_near" || name == "over_limit")
        });
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
