//! Batches that stand apart from the others of their culture, and what may be why.

use crate::culture::Liveliness;

use super::{Entry, standing};

/// What is unusual about a batch that stands apart.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Reason {
    /// It stood warmer than the others (positive) or cooler, K.
    Temperature(f64),
    /// Its dose of culture is so many times the others'.
    Dose(f64),
    /// Its fermentable sugar is so many times the others'.
    Sugar(f64),
    /// It was seen for so few hours.
    SeenBriefly(f64),
}

/// Deviations from which a batch stands apart: one sound batch in forty does.
const APART_BY: f64 = 2.24;

/// Whether the batch at `place` stands apart, and what is unusual about it; `None` if not, or with fewer than three others.
pub(super) fn reasons(place: usize, told: &[(&Entry, Liveliness)]) -> Option<Vec<Reason>> {
    let (own, lively) = told.get(place)?;
    let others: Vec<&(&Entry, Liveliness)> = told
        .iter()
        .enumerate()
        .filter(|(other, _)| *other != place)
        .map(|(_, other)| other)
        .collect();
    if others.len() < 3 {
        return None;
    }
    let usual = standing::together(others.iter().map(|(_, lively)| (0.0, lively.ln_vigour)))?;
    let doubt = (lively.ln_vigour.sd.powi(2) + standing::APART.powi(2) + usual.sd.powi(2)).sqrt();
    let away = (lively.ln_vigour.mean - usual.mean) / doubt;
    (away.abs() > APART_BY).then(|| unusual(own, &others))
}

/// Those that do not stand apart for a reason. What is explained tells nothing of where a culture goes; what is not explained may be where
/// it goes.
pub(super) fn unexplained<'a>(told: &[(&'a Entry, Liveliness)]) -> Vec<(&'a Entry, Liveliness)> {
    let counts = |place: usize| reasons(place, told).is_none_or(|reasons| reasons.is_empty());
    let all = told.iter().enumerate();
    all.filter(|(place, _)| counts(*place))
        .map(|(_, one)| *one)
        .collect()
}

fn unusual(own: &Entry, others: &[&(&Entry, Liveliness)]) -> Vec<Reason> {
    let middle = |of: &dyn Fn(&Entry) -> Option<f64>| -> Option<f64> {
        let mut values: Vec<f64> = others.iter().filter_map(|(entry, _)| of(entry)).collect();
        values.sort_by(f64::total_cmp);
        values.get(values.len() / 2).copied()
    };
    let both = |of: &dyn Fn(&Entry) -> Option<f64>| Some((of(own)?, middle(of)?));
    let mut found = Vec::new();
    let celsius = |entry: &Entry| Some(entry.circumstances.as_ref()?.temperature?.celsius());
    if let Some((own, usual)) = both(&celsius)
        && (own - usual).abs() > 2.0
    {
        found.push(Reason::Temperature(own - usual));
    }
    let dose = |entry: &Entry| entry.lesson.dose_ml_per_l;
    if let Some((own, usual)) = both(&dose)
        && usual > 0.0
        && (own / usual).max(0.01).ln().abs() > 0.4
    {
        found.push(Reason::Dose(own / usual));
    }
    let sugar = |entry: &Entry| Some(entry.circumstances.as_ref()?.sugar.grams_per_litre());
    if let Some((own, usual)) = both(&sugar)
        && usual > 0.0
        && (own / usual).max(0.01).ln().abs() > 0.25
    {
        found.push(Reason::Sugar(own / usual));
    }
    if own.lesson.hours < 48.0 {
        found.push(Reason::SeenBriefly(own.lesson.hours));
    }
    found
}
