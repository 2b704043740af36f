//! `fobwatch check --tare SOURCE`: what a gauge reads in open air.

use std::path::Path;

use fobwatch_core::{
    quantity::GaugePressure,
    reading::{Quantity, Source},
};
use jiff::Timestamp;

use super::super::Ended;
use crate::{
    config::zero::{self, FURTHEST_BAR},
    decode::Zero,
    discover::Heard,
};

/// How many readings a zero takes.
const LEAST: u32 = 5;

/// How far apart in bar they may be: a gauge that drifts as it warms up, or a bottle that works, is no rest.
const APART_BAR: f64 = 0.02;

/// Takes the zero of `source` from what was heard, and keeps it in the folder of the readings; what to tell.
pub(super) fn take(heard: &Heard, source: &Source, folder: &Path, now: Timestamp) -> Result<String, Ended> {
    let zero = zero_of(heard, source, now).map_err(Ended::Refused)?;
    let bar = zero.reads.bar();
    zero::keep(folder, zero).map_err(|bad| Ended::Failed(bad.to_string()))?;
    Ok(format!(
        "{source} reads {bar:.4} bar in open air. From now on that is taken off its pressures; a fobwatch that is running takes it \
         up at its next start, or when its configuration is read again (SIGHUP). Readings that are stored already stay as \
         they are."
    ))
}

fn zero_of(heard: &Heard, source: &Source, now: Timestamp) -> Result<Zero, String> {
    let flows = heard.read.iter().filter_map(|((_, from, quantity), flow)| {
        (from == source && *quantity == Quantity::Pressure).then_some(flow)
    });
    let (mut count, mut sum, mut least, mut most) = (0, 0.0, f64::INFINITY, f64::NEG_INFINITY);
    for flow in flows {
        count += flow.count;
        sum += flow.sum;
        least = flow.least.min(least);
        most = flow.most.max(most);
    }
    if count < LEAST {
        return Err(format!(
            "{count} readings of `{source}`, pressure, came; a zero takes {LEAST} or more: listen longer with --for, and look with \
             --listen whether it is heard at all"
        ));
    }
    let bar = |pascal: f64| pascal / 1e5;
    if bar(most - least) > APART_BAR {
        return Err(format!(
            "`{source}` read between {:.3} and {:.3} bar; a zero takes readings within {APART_BAR} bar of each other: let it come to \
             rest in open air first",
            bar(least),
            bar(most)
        ));
    }
    let mean = bar(sum / f64::from(count));
    if mean.abs() > FURTHEST_BAR {
        return Err(format!(
            "`{source}` reads {mean:.3} bar; allowed for a zero: -{FURTHEST_BAR} to {FURTHEST_BAR} bar. If it is in open air, its \
             [[calibration]] is wrong or it is broken; if it sits on a closed bottle, take no zero now: it would hide that \
             pressure from every warning"
        ));
    }
    let reads = GaugePressure::from_bar(mean).map_err(|error| error.to_string())?;
    Ok(Zero {
        source: source.clone(),
        reads,
        taken_at: now,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::decode::Decoded;
    use fobwatch_core::{
        quantity::Unit,
        reading::{Measured, Reading},
    };

    fn told(bars: &[f64]) -> Result<f64, String> {
        let source = Source::new("pilot").unwrap();
        let now: Timestamp = "2026-03-02T07:00:00Z".parse().unwrap();
        let mut heard = Heard::default();
        for bar in bars {
            let reading = Reading {
                at: now,
                source: source.clone(),
                measured: Measured::new(Quantity::Pressure, *bar, Unit::Bar).unwrap(),
            };
            let decoded = Decoded {
                readings: vec![reading],
                refused: Vec::new(),
            };
            heard.take(&("port".to_owned(), String::new()), b"", Some(decoded), 0);
        }
        zero_of(&heard, &source, now).map(|zero| zero.reads.bar())
    }

    #[test]
    fn a_gauge_at_rest_in_open_air_has_a_zero_and_nothing_else_has() {
        let zero = told(&[0.04, 0.05, 0.045, 0.05, 0.04]).unwrap();
        assert!((zero - 0.045).abs() < 1e-9, "{zero}");
        for (bars, why) in [
            (&[0.04; 4][..], "a zero takes 5 or more"),
            (&[0.04, 0.05, 0.06, 0.07, 0.08], "let it come to rest"),
            // A bottle that works: the zero would hide its pressure.
            (&[0.4; 9], "it would hide that pressure"),
            (&[-0.4; 9], "-0.400 bar"),
        ] {
            let refused = told(bars).unwrap_err();
            assert!(refused.contains(why), "{refused}");
        }
    }
}
