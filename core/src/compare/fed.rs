//! What a culture loses, or gains, with every day since it was fed.

use crate::{
    batch::CultureName,
    culture::{Diary, Liveliness, Normal},
    forecast::Quantiles,
};

use super::{Entry, odd, standing::APART};

/// Change of vigour with each day between the last feed and the bottling, percent a day.
#[derive(Clone, Debug, PartialEq)]
pub struct SinceFeed {
    /// Which culture.
    pub culture: CultureName,
    /// How many of its batches tell of it; not those that stand apart for a reason.
    pub batches: usize,
    /// Percent a day.
    pub change: Quantiles<f64>,
}

/// A culture is believed to change by so much a day (of the logarithm) before any batch is seen: common practice, no source.
const BELIEVED: f64 = 0.1;

/// Of every culture with three batches or more whose feeds are in the diary, and were not all as long ago; by name.
#[must_use]
pub fn since_feed(entries: &[Entry], diary: &Diary) -> Vec<SinceFeed> {
    let mut names: Vec<&CultureName> = entries.iter().map(|entry| &entry.lesson.culture).collect();
    names.sort();
    names.dedup();
    names
        .into_iter()
        .filter_map(|name| of(name, entries, diary))
        .collect()
}

fn of(name: &CultureName, entries: &[Entry], diary: &Diary) -> Option<SinceFeed> {
    let own: Vec<(&Entry, Liveliness)> = entries
        .iter()
        .filter(|entry| entry.lesson.culture == *name)
        .filter_map(|entry| Some((entry, entry.lesson.liveliness?)))
        .collect();
    let points: Vec<(f64, f64, f64)> = odd::unexplained(&own)
        .into_iter()
        .filter_map(|(entry, lively)| {
            let vigour = lively.ln_vigour;
            let bottled_at = entry.lesson.bottled_at;
            let fed_at = diary.fed_before(name, bottled_at)?;
            let days = bottled_at.duration_since(fed_at).as_secs_f64() / 86_400.0;
            Some((days, vigour.mean, 1.0 / (vigour.sd * vigour.sd + APART * APART)))
        })
        .collect();
    let least = points
        .iter()
        .map(|(days, ..)| *days)
        .fold(f64::INFINITY, f64::min);
    let most = points.iter().map(|(days, ..)| *days).fold(0.0, f64::max);
    if points.len() < 3 || most - least < 0.5 {
        return None;
    }
    let sum = |of: &dyn Fn(&(f64, f64, f64)) -> f64| points.iter().map(of).sum::<f64>();
    let all = sum(&|(.., w)| *w);
    let (middle, level) = (sum(&|(x, _, w)| w * x) / all, sum(&|(_, y, w)| w * y) / all);
    let precision = sum(&|(x, _, w)| w * (x - middle) * (x - middle)) + BELIEVED.powi(-2);
    let slope = Normal {
        mean: sum(&|(x, y, w)| w * (x - middle) * (y - level)) / precision,
        sd: precision.powf(-0.5),
    };
    let [p05, p50, p95] = slope.points().map(|ln| 100.0 * (ln.exp() - 1.0));
    Some(SinceFeed {
        culture: name.clone(),
        batches: points.len(),
        change: Quantiles { p05, p50, p95 },
    })
}
