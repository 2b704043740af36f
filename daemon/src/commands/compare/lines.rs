//! The comparison as records and as a table for other programs.

use fobwatch_core::{
    compare::{BatchStanding, Comparison, Reason, Standing},
    forecast::Quantiles,
};
use jiff::Timestamp;
use serde::Serialize;

use super::super::{Ended, json as json_line};

#[derive(Serialize)]
struct Points {
    p05: f64,
    p50: f64,
    p95: f64,
}

#[derive(Serialize)]
struct StandingLine {
    vigour: Points,
    lag_h: Points,
    /// `null`: not learned.
    alcohol_ceiling_percent: Option<Points>,
}

#[derive(Serialize)]
struct CultureLine<'a> {
    record: &'static str,
    culture: &'a str,
    batches: usize,
    #[serde(flatten)]
    standing: StandingLine,
    /// `null` with fewer than three batches.
    vigour_trend_percent_per_30_days: Option<Points>,
}

#[derive(Serialize)]
struct PairLine<'a> {
    record: &'static str,
    culture: &'a str,
    than: &'a str,
    chance: f64,
}

#[derive(Serialize)]
struct BatchLine<'a> {
    record: &'static str,
    batch: &'a str,
    culture: &'a str,
    bottled_at: Timestamp,
    hours_seen: f64,
    dose_ml_per_l: Option<f64>,
    sugar_g_per_l: Option<f64>,
    mean_temperature_c: Option<f64>,
    #[serde(flatten)]
    standing: StandingLine,
    chance_livelier_than_before: Option<f64>,
    stands_out: bool,
    unusual: Vec<Unusual>,
}

#[derive(Serialize)]
#[serde(rename_all = "snake_case")]
enum Unusual {
    WarmerByK(f64),
    DoseTimes(f64),
    SugarTimes(f64),
    SeenForHours(f64),
}

/// Six digits: nothing is known more finely.
fn round(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return 0.0;
    }
    let scale = 10.0_f64.powi(5).max(1.0) / 10.0_f64.powf(value.abs().log10().floor());
    (value * scale).round() / scale
}

fn points<T: Copy>(quantiles: &Quantiles<T>, of: impl Fn(T) -> f64) -> Points {
    Points {
        p05: round(of(quantiles.p05)),
        p50: round(of(quantiles.p50)),
        p95: round(of(quantiles.p95)),
    }
}

fn standing(standing: &Standing) -> StandingLine {
    StandingLine {
        vigour: points(&standing.vigour, |vigour| vigour.ratio()),
        lag_h: points(&standing.lag, |lag| lag.0),
        alcohol_ceiling_percent: standing
            .ceiling
            .as_ref()
            .map(|ceiling| points(ceiling, |ceiling| ceiling.percent())),
    }
}

fn unusual(reason: &Reason) -> Unusual {
    match *reason {
        Reason::Temperature(by) => Unusual::WarmerByK(round(by)),
        Reason::Dose(times) => Unusual::DoseTimes(round(times)),
        Reason::Sugar(times) => Unusual::SugarTimes(round(times)),
        Reason::SeenBriefly(hours) => Unusual::SeenForHours(round(hours)),
    }
}

fn batch(of: &BatchStanding) -> BatchLine<'_> {
    let circumstances = of.circumstances.as_ref();
    BatchLine {
        record: "compared_batch",
        batch: of.batch.as_str(),
        culture: of.culture.as_str(),
        bottled_at: of.bottled_at,
        hours_seen: round(of.hours),
        dose_ml_per_l: of.dose_ml_per_l,
        sugar_g_per_l: circumstances.map(|c| round(c.sugar.grams_per_litre())),
        mean_temperature_c: circumstances
            .and_then(|c| c.temperature)
            .map(|temperature| round(temperature.celsius())),
        standing: standing(&of.standing),
        chance_livelier_than_before: of.livelier_than_before.map(|chance| round(chance.share())),
        stands_out: of.stands_out.is_some(),
        unusual: of.stands_out.iter().flatten().map(unusual).collect(),
    }
}

/// Cultures, then pairs, then batches.
pub(super) fn json(comparison: &Comparison) -> Result<Vec<String>, Ended> {
    let mut lines = Vec::new();
    for of in &comparison.cultures {
        lines.push(json_line(&CultureLine {
            record: "compared_culture",
            culture: of.culture.as_str(),
            batches: of.batches,
            standing: standing(&of.standing),
            vigour_trend_percent_per_30_days: of.trend.map(|trend| points(&trend.0, |percent| percent)),
        })?);
    }
    for pair in &comparison.pairs {
        lines.push(json_line(&PairLine {
            record: "livelier",
            culture: pair.culture.as_str(),
            than: pair.than.as_str(),
            chance: round(pair.chance.share()),
        })?);
    }
    for of in &comparison.batches {
        lines.push(json_line(&batch(of))?);
    }
    Ok(lines)
}

/// The batches, one a line.
pub(super) fn csv(comparison: &Comparison) -> Vec<String> {
    let head = "batch,culture,bottled_at,hours_seen,dose_ml_per_l,sugar_g_per_l,mean_temperature_c,vigour_p05,vigour_p50,vigour_p95,\
                lag_h_p05,lag_h_p50,lag_h_p95,alcohol_ceiling_percent_p05,alcohol_ceiling_percent_p50,alcohol_ceiling_percent_p95,\
                chance_livelier_than_before,stands_out";
    let rows = comparison.batches.iter().map(|of| {
        let line = batch(of);
        let number = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
        let mut cells = vec![
            quoted(line.batch),
            quoted(line.culture),
            line.bottled_at.to_string(),
            line.hours_seen.to_string(),
            number(line.dose_ml_per_l),
            number(line.sugar_g_per_l),
            number(line.mean_temperature_c),
        ];
        for points in [
            Some(&line.standing.vigour),
            Some(&line.standing.lag_h),
            line.standing.alcohol_ceiling_percent.as_ref(),
        ] {
            cells.extend([0, 1, 2].map(|place| number(points.map(|of| [of.p05, of.p50, of.p95][place]))));
        }
        cells.push(number(line.chance_livelier_than_before));
        cells.push(line.stands_out.to_string());
        cells.join(",")
    });
    std::iter::once(head.to_owned()).chain(rows).collect()
}

/// A cell after RFC 4180. A name that a spreadsheet would take for a formula begins with an apostrophe.
pub(in crate::commands) fn quoted(text: &str) -> String {
    let guarded = if text.starts_with(['=', '+', '-', '@']) {
        format!("'{text}")
    } else {
        text.to_owned()
    };
    if guarded.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", guarded.replace('"', "\"\""))
    } else {
        guarded
    }
}
