//! Every alert in one table: raised when it should, raised falsely, and its delay.

use fobwatch_core::alert::AlertName;

use crate::{
    fault::{Fault, Found},
    forecast::Batchful,
    goals::Goal,
    limit::{Crossing, WAYS},
    report::Report,
    score::{Count, quantile},
};

/// `fridge_soon` should come this long before the target, the notice.
const NOTICE_H: f64 = 12.0;
/// ... and is false when it comes this long before it.
const SOON_FALSE_H: f64 = 48.0;
/// `move_to_fridge` is false when the bottles end this far below their target, volumes.
const MOVE_FALSE_VOLUMES: f64 = 0.3;

/// What the study has played.
#[derive(Default)]
pub(crate) struct Plays {
    /// Sound batches that reach their target, far below their limit.
    pub(crate) forecast: Vec<(u64, Batchful)>,
    /// Batches that pass their limit.
    pub(crate) limit: Vec<(u64, Crossing)>,
    /// Faults with a known beginning.
    pub(crate) faults: Vec<(Fault, Vec<(u64, Found)>)>,
}

/// The table.
pub(crate) fn report(report: &mut Report, plays: &Plays) {
    report.head(
        "Every alert",
        &[
            "alert",
            "where it should be raised",
            "raised",
            "falsely, or there before",
            "median delay, h (95 % bounds)",
            "raised on sound batches, where it should not be",
        ],
    );
    let mut kept = Vec::new();
    for alert in AlertName::ALL {
        let sound = match alert {
            AlertName::FridgeSoon | AlertName::MoveToFridge => None,
            _ => Some(Count::of(&plays.forecast, |(_, play)| {
                first(play, alert).is_some()
            })),
        };
        let shown = |count: &Option<Count>| {
            let count = count.as_ref().filter(|count| count.of > 0);
            count.map_or_else(|| "not played".to_owned(), Count::to_string)
        };
        for line in lines(plays, alert) {
            report.row(&[
                format!("`{alert}`"),
                line.of,
                line.raised.to_string(),
                line.falsely
                    .as_ref()
                    .map_or_else(|| "none can be".to_owned(), Count::to_string),
                median(line.delays.clone()),
                if matches!(alert, AlertName::FridgeSoon | AlertName::MoveToFridge) {
                    "none can be".to_owned()
                } else {
                    shown(&sound)
                },
            ]);
            kept.push(serde_json::json!({
                "alert": alert.name(), "raised": line.raised, "falsely": line.falsely,
                "delay_median_h": quantile(&line.delays, 0.5), "sound": sound,
            }));
        }
    }
    if !plays.limit.is_empty() {
        let unwarned: Vec<String> = plays
            .limit
            .iter()
            .filter(|(_, play)| (0..WAYS.len()).any(|way| play.warned_ahead_h(way).is_none()))
            .map(|(seed, _)| seed.to_string())
            .collect();
        let warned = Count::new(plays.limit.len() - unwarned.len(), plays.limit.len());
        report.goal(Goal::at_least(
            "batches that pass their limit: warned before, share",
            warned.share(),
            1.0,
            3,
        ));
        if !unwarned.is_empty() {
            report.line(&format!(
                "\nPassed their limit unwarned: seeds {}.",
                unwarned.join(", ")
            ));
        }
    }
    report.keep("alerts", kept);
}

/// One alert where it should be raised.
struct Line {
    of: String,
    raised: Count,
    falsely: Option<Count>,
    delays: Vec<f64>,
}

fn lines(plays: &Plays, alert: AlertName) -> Vec<Line> {
    match alert {
        AlertName::FridgeSoon => {
            let all = &plays.forecast;
            let ahead = |play: &Batchful| first(play, alert).map(|at_h| play.target_h - at_h);
            vec![Line {
                of: "12 h before the target".to_owned(),
                raised: Count::of(all, |(_, play)| ahead(play).is_some_and(|ahead| ahead > 0.0)),
                falsely: Some(Count::of(all, |(_, play)| {
                    ahead(play).is_some_and(|ahead| ahead > SOON_FALSE_H)
                })),
                delays: all
                    .iter()
                    .filter_map(|(_, play)| Some(NOTICE_H - ahead(play)?))
                    .collect(),
            }]
        }
        AlertName::MoveToFridge => {
            let all = &plays.forecast;
            vec![Line {
                of: "by the target; a drink gains while it cools".to_owned(),
                raised: Count::of(all, |(_, play)| play.fit.moved_h.is_some()),
                falsely: Some(Count::of(all, |(_, play)| {
                    play.fit.ends.is_some_and(|ends| ends < -MOVE_FALSE_VOLUMES)
                })),
                delays: all
                    .iter()
                    .filter_map(|(_, play)| Some(play.fit.moved_h? - play.target_h))
                    .collect(),
            }]
        }
        AlertName::LimitNear => WAYS
            .iter()
            .enumerate()
            .map(|(index, way)| {
                let ahead = plays.limit.iter().map(|(_, play)| play.warned_ahead_h(index));
                Line {
                    of: format!("before the limit is passed (or `over_limit`), gauge {way}"),
                    raised: Count::of(&plays.limit, |(_, play)| play.warned_ahead_h(index).is_some()),
                    falsely: None,
                    delays: ahead.flatten().map(|ahead| -ahead).collect(),
                }
            })
            .collect(),
        AlertName::OverLimit => {
            let all = &plays.limit;
            let ahead = |play: &Crossing| play.over_ahead_h();
            vec![Line {
                of: "before the limit is passed, gauge sound, watched until 6 h before".to_owned(),
                raised: Count::of(all, |(_, play)| ahead(play).is_some()),
                falsely: None,
                delays: all.iter().filter_map(|(_, play)| Some(-ahead(play)?)).collect(),
            }]
        }
        _ => plays
            .faults
            .iter()
            .filter(|(fault, _)| fault.alert() == alert.name())
            .map(|(fault, all)| Line {
                of: format!("{}, within {} h", fault.name(), fault.within_h()),
                raised: Count::of(all, |(_, found)| found.delay_h().is_some()),
                falsely: Some(Count::of(all, |(_, found)| found.falsely)),
                delays: all.iter().filter_map(|(_, found)| found.delay_h()).collect(),
            })
            .collect(),
    }
}

fn first(play: &Batchful, alert: AlertName) -> Option<f64> {
    let mut raised = play.raised.iter();
    raised
        .find(|(name, _)| name == alert.name())
        .map(|(_, at_h)| *at_h)
}

/// The median with bounds from order statistics: between those of ranks n/2 -+ 0.98 sqrt n (binomial, normal approximation).
fn median(mut delays: Vec<f64>) -> String {
    delays.sort_unstable_by(f64::total_cmp);
    if delays.is_empty() {
        return "none".to_owned();
    }
    let n = crate::score::number(delays.len());
    let reach = 0.98 / n.sqrt();
    let [low, middle, high] =
        [0.5 - reach, 0.5, 0.5 + reach].map(|share| quantile(&delays, share.clamp(0.0, 1.0)));
    format!("{middle:.1} ({low:.1} to {high:.1})")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_medians_bounds_close_in_with_many() {
        let few: Vec<f64> = (0..9).map(f64::from).collect();
        assert_eq!(median(few), "4.0 (1.4 to 6.6)");
        assert_eq!(median(vec![3.0; 100]), "3.0 (3.0 to 3.0)");
        assert_eq!(median(Vec::new()), "none");
    }
}
