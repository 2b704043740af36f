//! Usual cultures: what `culture::pool` has of them, told anew.

use fobwatch_simulator::{Scenario, Simulation};
use nalgebra::DMatrix;

use super::{heard, hours};
use crate::{
    culture::{COUNT, Expectation, TRAITS},
    fit::{
        led::fresh_led,
        prior::{Parameters, pool},
    },
};

/// A week of each of the tuning batches, fitted with the wide beliefs alone:
/// `cargo test --release -p fobwatch-core --lib usual_cultures -- --ignored --nocapture` (a minute and a half).
#[test]
#[ignore = "makes a table, checks nothing of the product"]
fn usual_cultures() {
    let wide = pool();
    let variance = |i: usize, j: usize| if i == j { wide.sd[i] * wide.sd[i] } else { 0.0 };
    let wide_alone = Expectation {
        batches: 0,
        mean: wide.mean.to_vec(),
        covariance: (0..COUNT)
            .map(|i| (0..COUNT).map(|j| variance(i, j)).collect())
            .collect(),
    };
    let mut members = Vec::new();
    for seed in 1..=340 {
        let scenario = Scenario {
            lasts_h: 170.0,
            ..Scenario::drawn(seed)
        };
        let played = Simulation::run(&scenario, seed);
        let at = hours(&played, 168);
        let evidence = heard(&played, at).expecting(wide_alone.clone());
        let fresh = fresh_led(&evidence, at, None);
        let known = &fresh.problem.frame.known;
        for z in &fresh.posterior.members {
            let traits = Parameters::of(z, known).traits(known.dose);
            members.push(std::array::from_fn(|i| (traits[i] - wide.mean[i]) / wide.sd[i]));
        }
    }
    let count = u32::try_from(members.len()).map_or(1.0, f64::from);
    let mean: [f64; COUNT] =
        std::array::from_fn(|i| members.iter().map(|z: &[f64; COUNT]| z[i]).sum::<f64>() / count);
    let covariance = DMatrix::from_fn(COUNT, COUNT, |i, j| {
        let products = members.iter().map(|z| (z[i] - mean[i]) * (z[j] - mean[j]));
        products.sum::<f64>() / (count - 1.0)
    });
    for (i, name) in TRAITS.iter().enumerate() {
        let spread = covariance[(i, i)].sqrt();
        let together: Vec<String> = (0..i)
            .map(|j| {
                format!(
                    "{:.0}",
                    100.0 * covariance[(i, j)] / spread / covariance[(j, j)].sqrt()
                )
            })
            .collect();
        println!("{name}: {:.2} {spread:.2} [{}]", mean[i], together.join(", "));
    }
    assert!(covariance.cholesky().is_some(), "a distribution");
}
