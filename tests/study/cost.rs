//! What it costs, on one core, with nothing else of the study running.

use std::time::Instant;

use fobwatch_core::engine::{Bottles, FitRequest, Work};
use fobwatch_simulator::Scenario;

use crate::{
    goals::Goal,
    play::{self, Watched},
    report::Report,
    score::{number, quantile},
};

/// Age of the batch whose first fit is timed, hours.
const WEEK_H: f64 = 168.0;
/// Batches that are timed.
const BATCHES: u64 = 3;
/// Copies of a monitor whose memory is measured.
const COPIES: usize = 500;

/// Times the fit and measures the memory of drawn batches from seed `first` on.
pub(crate) fn report(report: &mut Report, first: u64) {
    let (mut firsts, mut updates, mut snapshots, mut resident) =
        (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for seed in first..first + BATCHES {
        eprintln!("cost: {} of {BATCHES}", seed - first + 1);
        let scenario = Scenario::drawn(seed);
        let played = play::played(&scenario, seed);
        let mut watched = Watched::new(play::batch(&scenario), play::rows(&played));
        let started = Instant::now();
        while watched.at_h() < WEEK_H {
            let _ = watched.half_hour();
        }
        let readings = watched.come().len();
        updates.push(started.elapsed().as_secs_f64() * 1e3 / number(readings));
        let monitor = watched.monitor();
        let evidence = monitor.forecast_request(monitor.clock()).evidence;
        let cold = FitRequest {
            evidence,
            work: Work::Fit,
            of: Bottles::WithSensors,
            warm: None,
            at: monitor.clock(),
        };
        let started = Instant::now();
        let fitted = cold.run();
        firsts.push(started.elapsed().as_secs_f64() * 1e3);
        drop(fitted);
        let bytes = monitor.snapshot();
        snapshots.push(number(bytes.len()) / 1e3);
        if seed > first {
            // Memory that earlier batches gave back would be taken again and not be seen.
            continue;
        }
        let before = resident_kb();
        let copies: Vec<_> = (0..COPIES)
            .filter_map(|_| {
                let settings = Watched::settings();
                fobwatch_core::engine::Monitor::restore(&bytes, monitor.batch().clone(), settings).ok()
            })
            .collect();
        if let (Some(before), Some(after)) = (before, resident_kb()) {
            resident.push((after - before) / number(copies.len()));
        }
    }
    report.head(
        "Cost, one core",
        &["figure", "median of three batches", "highest"],
    );
    let mut kept = serde_json::Map::new();
    let asked = [150.0, 15.0, 200.0, 200.0];
    let figures = [
        (
            "first fit of a 7-day batch at 5 min, with its answers, ms",
            firsts,
        ),
        (
            "update after one reading, amortised over 7 days with every fit, ms",
            updates,
        ),
        ("memory of a live batch as its snapshot, kB", snapshots),
        (
            "the same as resident memory of 500 restored monitors (first batch), kB each",
            resident,
        ),
    ];
    for ((name, values), most) in figures.into_iter().zip(asked) {
        let (median, highest) = (quantile(&values, 0.5), quantile(&values, 1.0));
        report.goal(Goal::at_most(name, median, most, 1));
        let shown = |value: f64| {
            if value.is_finite() {
                format!("{value:.1}")
            } else {
                "not known here".to_owned()
            }
        };
        report.row(&[name.to_owned(), shown(median), shown(highest)]);
        kept.insert(
            name.to_owned(),
            serde_json::json!({"median": median, "highest": highest}),
        );
    }
    report.keep("cost", kept);
}

/// Resident memory of this process, where the system tells it.
fn resident_kb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    line.trim().strip_suffix("kB")?.trim().parse().ok()
}
