//! One number for a whole study, and whether another study's is better.

use serde::Serialize;

use crate::{
    forecast::{Batchful, LEADS_H, MISSING_LEADS, MISSING_VOLUMES},
    score::{mean, number},
};

/// What the total is.
pub(crate) const MEANING: &str = "geometric mean of the fit's mean CRPS of five figures (target 24, 12 and 6 h ahead, content now, content \
                                  after the advised move), each divided by the median error that is to be reached; its standard error by \
                                  the jackknife over batches";

/// What each CRPS is measured against, hours and volumes: the medians that are to be reached. Fixed, so that totals of
/// different studies compare.
const UNITS: [f64; 5] = [4.5, 2.0, 1.3, 0.033, 0.045];

/// The number.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct Total {
    /// Lower is better.
    pub(crate) score: f64,
    /// Its standard error.
    pub(crate) standard_error: f64,
}

impl std::fmt::Display for Total {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:.3} +- {:.3}", self.score, self.standard_error)
    }
}

/// The same batches in two studies.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(crate) struct Difference {
    /// Batches in both.
    pub(crate) batches: usize,
    /// Natural logarithm of this total less that of the other: below 0, this one is better.
    pub(crate) log_ratio: f64,
    /// Its standard error, batch by batch.
    pub(crate) standard_error: f64,
}

impl Total {
    /// Of these plays.
    pub(crate) fn of(plays: &[(u64, Batchful)]) -> Self {
        let scores: Vec<Scores> = plays.iter().map(|(_, play)| scores(play)).collect();
        let (score, standard_error) = jackknife(scores.len(), |left_out| total(&scores, left_out));
        Self {
            score,
            standard_error,
        }
    }
}

impl Difference {
    /// Of the batches that are in both.
    pub(crate) fn of(these: &[(u64, Batchful)], those: &[(u64, Batchful)]) -> Self {
        let both = these.iter().filter_map(|(seed, play)| {
            let (_, other) = those.iter().find(|(known, _)| known == seed)?;
            Some((scores(play), scores(other)))
        });
        let (these, those): (Vec<Scores>, Vec<Scores>) = both.unzip();
        let (log_ratio, standard_error) = jackknife(these.len(), |left_out| {
            (total(&these, left_out) / total(&those, left_out)).ln()
        });
        Self {
            batches: these.len(),
            log_ratio,
            standard_error,
        }
    }
}

/// Sum and number of the scores of one batch, figure by figure.
type Scores = [(f64, f64); 5];

fn scores(play: &Batchful) -> Scores {
    let ahead = |place: usize| {
        let missing = MISSING_LEADS * LEADS_H[place];
        play.fit.ahead[place].map_or((0.0, 0.0), |guess| (guess.crps(missing), 1.0))
    };
    let content = play.fit.now.iter().fold((0.0, 0.0), |(sum, count), (_, guess)| {
        (sum + guess.crps(MISSING_VOLUMES), count + 1.0)
    });
    let moved = play.fit.ends.map_or((0.0, 0.0), |ends| (ends.abs(), 1.0));
    [ahead(0), ahead(1), ahead(2), content, moved]
}

fn total(scores: &[Scores], left_out: Option<usize>) -> f64 {
    let logs = UNITS.iter().enumerate().map(|(figure, unit)| {
        let used = scores
            .iter()
            .enumerate()
            .filter(|(index, _)| Some(*index) != left_out);
        let (sum, count) = used.fold((0.0, 0.0), |(sum, count), (_, scores)| {
            (sum + scores[figure].0, count + scores[figure].1)
        });
        (sum / count / unit).ln()
    });
    mean(logs).exp()
}

/// A figure and its standard error by the jackknife.
fn jackknife(count: usize, of: impl Fn(Option<usize>) -> f64) -> (f64, f64) {
    let n = number(count);
    let without: Vec<f64> = (0..count).map(|index| of(Some(index))).collect();
    let centre = mean(without.iter().copied());
    let variance = (n - 1.0) / n * without.iter().map(|w| (w - centre).powi(2)).sum::<f64>();
    (of(None), variance.sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_jackknife_of_a_mean_is_its_standard_error() {
        let values = [1.0, 2.0, 4.0, 9.0];
        let (centre, error) = jackknife(4, |left_out| {
            let used = values
                .iter()
                .enumerate()
                .filter(|(index, _)| Some(*index) != left_out);
            mean(used.map(|(_, value)| *value))
        });
        let variance = values.iter().map(|v| (v - 4.0) * (v - 4.0)).sum::<f64>() / 3.0;
        assert!((centre - 4.0).abs() < 1e-12 && (error - (variance / 4.0).sqrt()).abs() < 1e-12);
    }
}
