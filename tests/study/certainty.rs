//! How sure `compare` may be: cultures beside each other through [`Comparison`], six batches of each.
//!
//! Asked of each batch with all of its data until its target (or a week), of each culture with its first one, two, three and six
//! batches, and of every two cultures at each of these.

use fobwatch_core::{
    compare::{Comparison, Entry},
    culture::Lesson,
    fit::{lesson, liveliness},
};
use serde::{Deserialize, Serialize};

use crate::{
    culture::{self, Made, REFERENCE_VOLUMES_PER_H},
    goals::Goal,
    report::Report,
    score::{Count, Guess, Summary, mean, quantile},
};

/// Batches of each culture.
const BATCHES: u64 = 6;
/// Numbers of batches with which cultures are set beside each other.
const SEEN: [usize; 4] = [1, 2, 3, 6];
/// Upper ends of what was told: "A is livelier than B".
const TOLD: [f64; 5] = [0.65, 0.8, 0.9, 0.97, 1.001];

/// One culture.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Compared {
    /// What its batches taught, in order of time.
    lessons: Vec<Lesson>,
    /// The true vigour of each.
    vigour: Vec<f64>,
}

impl Compared {
    /// Of the culture as such.
    fn truth(&self) -> f64 {
        mean(self.vigour.iter().map(|vigour| vigour.ln())).exp()
    }
}

/// Plays a culture.
pub(crate) fn play(seed: u64) -> Option<Compared> {
    let mut compared = Compared {
        lessons: Vec::new(),
        vigour: Vec::new(),
    };
    for number in 0..BATCHES {
        let batch = Made::new(seed, number);
        let (evidence, at) = batch.heard(batch.done());
        let Some(lesson) = lesson(&evidence, at) else {
            continue;
        };
        compared.lessons.push(Lesson {
            liveliness: liveliness(&evidence, at),
            ..lesson
        });
        compared.vigour.push(batch.truth() / REFERENCE_VOLUMES_PER_H);
    }
    (!compared.lessons.is_empty()).then_some(compared)
}

/// The cultures by the first `seen` batches of each.
fn comparison(plays: &[(u64, Compared)], seen: usize) -> Comparison {
    let entries = plays.iter().flat_map(|(_, play)| play.lessons.iter().take(seen));
    Comparison::of(
        entries
            .map(|lesson| Entry {
                lesson: lesson.clone(),
                circumstances: None,
            })
            .collect(),
    )
}

/// The tables.
pub(crate) fn report(report: &mut Report, plays: &[(u64, Compared)]) {
    let truth_of = |culture: &str| {
        let play = plays
            .iter()
            .find(|(_, play)| play.lessons.iter().any(|l| l.culture.as_str() == culture));
        play.map_or(f64::NAN, |(_, play)| play.truth())
    };
    let batches: Vec<Guess> = {
        let told = comparison(plays, usize::MAX);
        let truths = plays.iter().flat_map(|(_, play)| {
            let named = play.lessons.iter().map(|lesson| (&lesson.culture, &lesson.batch));
            named.zip(&play.vigour)
        });
        truths
            .filter_map(|((culture, batch), truth)| {
                let found = told
                    .batches
                    .iter()
                    .find(|of| of.culture == *culture && of.batch == *batch)?;
                Some(guess(*truth, &found.standing.vigour))
            })
            .collect()
    };
    report.head(
        "Compare: vigour on one footing",
        &[
            "figure",
            "n",
            "median error of its logarithm",
            "p90",
            "90 % holds",
            "rank agreement (Spearman)",
        ],
    );
    let mut kept = serde_json::Map::new();
    let mut row = |report: &mut Report, name: &str, guesses: &[Guess]| {
        let ln: Vec<Guess> = guesses.iter().map(logarithm).collect();
        let errors: Vec<f64> = ln.iter().map(|guess| guess.error(3.0).abs()).collect();
        let holds = Summary::new(&ln, 3.0).holds;
        let agreement = culture::spearman(guesses);
        report.row(&[
            name.to_owned(),
            guesses.len().to_string(),
            format!("{:.2}", quantile(&errors, 0.5)),
            format!("{:.2}", quantile(&errors, 0.9)),
            holds.to_string(),
            format!("{agreement:.2}"),
        ]);
        kept.insert(
            name.to_owned(),
            serde_json::json!({"holds": holds, "spearman": agreement}),
        );
        (holds, agreement)
    };
    let (holds, _) = row(report, "a batch", &batches);
    report.goal(Goal::between(
        "compare: vigour of a batch, 90 % interval holds",
        holds.share(),
        [0.8, 0.97],
        3,
    ));
    let mut pairs: Vec<(usize, f64, bool)> = Vec::new();
    for seen in SEEN {
        let told = comparison(plays, seen);
        let cultures: Vec<Guess> = told
            .cultures
            .iter()
            .map(|of| guess(truth_of(of.culture.as_str()), &of.standing.vigour))
            .collect();
        let (_, agreement) = row(report, &format!("a culture, by {seen} of its batches"), &cultures);
        if seen == 6 {
            report.goal(Goal::at_least(
                "compare: cultures, rank agreement (Spearman)",
                agreement,
                0.8,
                2,
            ));
        }
        pairs.extend(told.pairs.iter().map(|pair| {
            let right = truth_of(pair.culture.as_str()) > truth_of(pair.than.as_str());
            (seen, pair.chance.share(), right)
        }));
    }
    report.head(
        "Compare: \"A is livelier than B\", told and true",
        &[
            "told",
            "pairs, one batch each",
            "told on average",
            "true",
            "pairs, 1, 2, 3 and 6 batches each",
            "told on average",
            "true",
        ],
    );
    let mut from = 0.5;
    for to in TOLD {
        let within = |one: bool| -> Vec<&(usize, f64, bool)> {
            let told = pairs
                .iter()
                .filter(|(seen, chance, _)| (!one || *seen == 1) && (from..to).contains(chance));
            told.collect()
        };
        let mut cells = vec![format!("{:.0} to {:.0} %", 100.0 * from, 100.0 * to.min(1.0))];
        for one in [true, false] {
            let of = within(one);
            cells.push(of.len().to_string());
            cells.push(format!(
                "{:.0} %",
                100.0 * mean(of.iter().map(|(_, chance, _)| *chance))
            ));
            cells.push(Count::of(&of, |(_, _, right)| *right).to_string());
        }
        report.row(&cells);
        from = to;
    }
    let brier = mean(
        pairs
            .iter()
            .map(|(_, chance, right)| (chance - f64::from(u8::from(*right))).powi(2)),
    );
    report.line(&format!(
        "\nBrier score of these certainties: {brier:.3} (always \"one in two\": 0.25)."
    ));
    kept.insert("brier".to_owned(), serde_json::json!(brier));
    report.keep("certainty", kept);
}

fn guess(truth: f64, told: &fobwatch_core::forecast::Quantiles<fobwatch_core::quantity::Vigour>) -> Guess {
    Guess::new(truth, [told.p05, told.p50, told.p95].map(|v| Some(v.ratio())))
}

fn logarithm(guess: &Guess) -> Guess {
    let ln = |value: Option<f64>| value.map(|v| v.max(1e-3).ln());
    Guess::new(
        guess.truth.max(1e-3).ln(),
        [ln(guess.low), ln(guess.middle), ln(guess.high)],
    )
}
