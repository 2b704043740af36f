//! From the members' futures to quantiles with their types.

use std::borrow::Cow;

use jiff::{SignedDuration, Timestamp};

use super::{
    Posterior,
    ahead::{self, Future, HORIZON_H},
    asleep::Asleep,
    change,
    course::{Course, Problem},
    draws::Ahead,
    evidence::Evidence,
    odd,
    reference::in_reference_drink,
};
use crate::{
    forecast::{CurvePoint, Forecast, Hours, IfForgotten, Middle, Outlook, Quantiles, Upward, When},
    quantity::{AlcoholByVolume, Co2Volumes, GaugePressure, Probability, Vigour},
};

/// Forecast and outlook of one posterior, from the same members; and for how long they sleep, if they come from the cold after so many hours.
pub(super) fn answers(
    posterior: &Posterior,
    evidence: &Evidence,
    at: Timestamp,
    cold_h: Option<f64>,
) -> (Forecast, Outlook, Quantiles<Hours>) {
    let problem = Problem::new(evidence, evidence.hours(at).max(0.0));
    of(posterior, evidence, at, cold_h, (&problem, &[]))
}

/// The same with the problem as of `at`, and with the members' courses as far as they are known.
pub(super) fn of(
    posterior: &Posterior,
    evidence: &Evidence,
    at: Timestamp,
    cold_h: Option<f64>,
    (problem, courses): (&Problem, &[Course]),
) -> (Forecast, Outlook, Quantiles<Hours>) {
    let now_h = evidence.hours(at).max(0.0);
    let nodes = ahead::Nodes::new(&problem.frame, now_h);
    let reference = problem.frame.reference();
    let members = posterior.brought_to(problem);
    let courses = if courses.len() == members.len() {
        Cow::Borrowed(courses)
    } else {
        Cow::Owned(problem.courses(&members))
    };
    // Each member keeps its own draws over time, so that one grid point differs from the next by its data alone.
    let ahead = Ahead::new(posterior.seed);
    let departing: Vec<ahead::Member<'_>> = members
        .iter()
        .zip(courses.iter())
        .enumerate()
        .map(|(index, (z, course))| {
            let asleep = cold_h.map(|cold_h| Asleep::drawn(posterior.seed, index, cold_h));
            let normals: [&mut dyn FnMut() -> f64; 2] = [&mut ahead.surprises(index), &mut ahead.room(index)];
            ahead::Member::new(problem, (z, course), &nodes, asleep, normals)
        })
        .collect();
    let futures = ahead::futures(problem, &departing, &nodes);
    let (vigours, lags) = in_reference_drink(&reference, problem, &members)
        .into_iter()
        .unzip();
    let sorted = |of: &dyn Fn(&Future) -> f64| sorted(futures.iter().map(of).collect());
    let bottled_at = evidence.batch().bottled_at;
    let horizon = now_h + HORIZON_H;
    let when = |of: &dyn Fn(&Future) -> f64| -> Option<When> {
        let values = sorted(of);
        let time = |share: f64| {
            let h = quantile(&values, share);
            (h <= horizon)
                .then(|| {
                    bottled_at
                        .saturating_add(SignedDuration::from_secs_f64(h * 3_600.0))
                        .ok()
                })
                .flatten()
        };
        let when = Quantiles {
            p05: time(0.05),
            p50: time(0.5),
            p95: time(0.95),
        };
        when.p05.map(|_| when)
    };
    let co2 = |of: &dyn Fn(&Future) -> f64| typed(&sorted(of), volumes);
    let bar = |of: &dyn Fn(&Future) -> f64| typed(&sorted(of), gauge);
    let after_limit = futures
        .iter()
        .filter(|f| f.worst_24h > problem.frame.limit_bar)
        .count();
    let share = |part: usize| count(part) / count(futures.len().max(1));
    let forecast = Forecast {
        batch: evidence.batch().name.clone(),
        at,
        co2: co2(&|f| f.content_now),
        target_at: when(&|f| f.target_h),
        move_at: if problem.frame.climate.chilled {
            None
        } else {
            when(&|f| f.move_h)
        },
        limit_at: when(&|f| f.limit_h),
        if_forgotten: IfForgotten {
            pressure: upward(
                &sorted(&|f| f.forgotten_bar[0]),
                &sorted(&|f| f.forgotten_bar[1]),
                gauge,
            ),
            co2: upward(
                &sorted(&|f| f.forgotten_content[0]),
                &sorted(&|f| f.forgotten_content[1]),
                volumes,
            ),
            alcohol: upward(
                &sorted(&|f| f.forgotten_alcohol[0]),
                &sorted(&|f| f.forgotten_alcohol[1]),
                percent,
            ),
        },
        vigour: typed(&sorted_of(vigours), vigour),
        lag: typed(&sorted_of(lags), |h| Hours(if h.is_finite() { h } else { 0.0 })),
    };
    let curve = nodes
        .shown
        .iter()
        .enumerate()
        .map(|(point, h)| {
            let of = |pick: &dyn Fn(&(f64, f64)) -> f64| {
                sorted(&|f: &Future| f.shown.get(point).map_or(0.0, pick))
            };
            let content = of(&|shown| shown.0);
            CurvePoint {
                at: bottled_at
                    .saturating_add(SignedDuration::from_secs_f64(h * 3_600.0))
                    .unwrap_or(at),
                co2: typed(&content, volumes),
                co2_middle: Middle {
                    p25: volumes(quantile(&content, 0.25)),
                    p75: volumes(quantile(&content, 0.75)),
                },
                worst_bottle: typed(&of(&|shown| shown.1), gauge),
            }
        })
        .collect();
    let outlook = Outlook {
        at,
        after_move_now: co2(&|f| f.after_move_now),
        worst_bottle_now: bar(&|f| f.worst_now),
        worst_bottle_24h: bar(&|f| f.worst_24h),
        limit_within_24h: Probability::from_share(share(after_limit)).unwrap_or(Probability::CERTAIN),
        limit_not_ruled_out: if after_limit == 0 {
            Probability::NEVER
        } else {
            let at_most = not_ruled_out(after_limit, futures.len());
            Probability::from_share(at_most).unwrap_or(Probability::CERTAIN)
        },
        expected_gauge: bar(&|f| f.gauge_now),
        rate: typed(
            &sorted(&|f| f.rate),
            |rate| if rate.is_finite() { rate } else { 0.0 },
        ),
        gained: typed(&sorted(&|f| f.gained), |gained| {
            if gained.is_finite() { gained } else { 0.0 }
        }),
        // Carried on without news, nothing can have been found that the fit did not.
        suspicion: (at == posterior.at && !problem.data.is_empty() && evidence.never_tight().is_none())
            .then(|| change::suspected(problem, &posterior.best))
            .flatten()
            .and_then(|(suspicion, from_h)| {
                let from = SignedDuration::from_secs_f64(from_h * 3_600.0);
                Some((suspicion, bottled_at.saturating_add(from).ok()?))
            }),
        never_tight: posterior.tightness.found,
        odd: odd::odd(posterior, evidence, now_h),
        curve,
    };
    let asleep = typed(&sorted(&|f| f.asleep_h), |h| {
        Hours(if h.is_finite() { h } else { HORIZON_H })
    });
    (forecast, outlook, asleep)
}

fn count(n: usize) -> f64 {
    u32::try_from(n).map_or(f64::from(u32::MAX), f64::from)
}

/// The chance that some of so many draws do not rule out: Wilson's upper bound, one-sided, 95 % (Wilson 1927, J. Am. Stat. Assoc. 22, 209).
fn not_ruled_out(some: usize, draws: usize) -> f64 {
    wilson_upper(some, draws, 1.644_853_626_951)
}

/// `z`: of the standard normal.
fn wilson_upper(some: usize, draws: usize, z: f64) -> f64 {
    let n = count(draws.max(1));
    let share = count(some) / n;
    let spread = share * (1.0 - share) / n + z * z / (4.0 * n * n);
    ((share + z * z / (2.0 * n) + z * spread.sqrt()) / (1.0 + z * z / n)).min(1.0)
}

fn sorted(values: Vec<f64>) -> Vec<f64> {
    sorted_of(values)
}

/// In rising order; what is not a number counts as later and higher than any: doubt never reassures.
fn sorted_of(mut values: Vec<f64>) -> Vec<f64> {
    for value in &mut values {
        if value.is_nan() {
            *value = f64::INFINITY;
        }
    }
    values.sort_by(f64::total_cmp);
    values
}

/// The value below which `share` of them lie, linear between neighbours; infinite where a neighbour is.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let last = sorted.len().saturating_sub(1);
    let place = share * u32::try_from(last).map_or(0.0, f64::from);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "between 0 and the number of members"
    )]
    let index = place.floor() as usize;
    let low = sorted.get(index).copied().unwrap_or(f64::INFINITY);
    let high = sorted.get((index + 1).min(last)).copied().unwrap_or(low);
    if high.is_finite() {
        low + (high - low) * (place - place.floor())
    } else {
        high
    }
}

fn typed<T>(sorted: &[f64], make: impl Fn(f64) -> T) -> Quantiles<T> {
    Quantiles {
        p05: make(quantile(sorted, 0.05)),
        p50: make(quantile(sorted, 0.5)),
        p95: make(quantile(sorted, 0.95)),
    }
}

/// The median of what is likely, and the 95 % point of the worst case, never below the median.
fn upward<T>(likely: &[f64], worst: &[f64], make: impl Fn(f64) -> T) -> Upward<T> {
    let p50 = quantile(likely, 0.5);
    Upward {
        p50: make(p50),
        p95: make(quantile(worst, 0.95).max(p50)),
    }
}

fn volumes(g_per_l: f64) -> Co2Volumes {
    Co2Volumes::from_grams_per_litre(g_per_l.clamp(0.0, 190.0)).unwrap_or(Co2Volumes::NONE)
}

fn gauge(bar: f64) -> GaugePressure {
    GaugePressure::from_bar(bar.clamp(-1.2, 100.0)).unwrap_or(GaugePressure::ZERO)
}

fn percent(abv: f64) -> AlcoholByVolume {
    AlcoholByVolume::from_percent(abv.clamp(0.0, 100.0)).unwrap_or(AlcoholByVolume::ZERO)
}

fn vigour(ratio: f64) -> Vigour {
    Vigour::from_ratio(ratio.clamp(0.0, 1_000.0)).unwrap_or(Vigour::NONE)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Newcombe 1998, Stat. Med. 17, 857, table I, method 3 (Wilson, 95 % two-sided): 81 of 263, 15 of 148, 0 of 20, 1 of 29.
    #[test]
    fn the_upper_bound_is_that_of_newcombe_1998() {
        for (some, draws, upper) in [
            (81, 263, 0.3662),
            (15, 148, 0.1605),
            (0, 20, 0.1611),
            (1, 29, 0.1718),
        ] {
            let found = wilson_upper(some, draws, 1.959_963_984_540);
            assert!((found - upper).abs() < 5e-5, "{some} of {draws}: {found}");
        }
    }

    #[test]
    fn one_draw_of_all_leaves_more_than_a_twentieth_open_and_certainty_is_certain() {
        use super::super::draws::MEMBERS;
        assert!(not_ruled_out(1, MEMBERS) > 0.05);
        assert!((not_ruled_out(MEMBERS, MEMBERS) - 1.0).abs() < 1e-12);
    }
}
