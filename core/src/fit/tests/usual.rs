//! Usual cultures: what `culture::pool` has of them, told anew.

use fobwatch_simulator::{Scenario, Simulation};
use nalgebra::DMatrix;

use super::{heard, hours};
use crate::{
    culture::{COUNT, Expectation, Lesson, TRAITS, between},
    fit::{
        led::fresh_led,
        lesson,
        prior::{Parameters, pool},
    },
};

/// Means and covariance of traits in the whitened space of the pool.
struct Together {
    mean: [f64; COUNT],
    covariance: DMatrix<f64>,
}

impl Together {
    /// A week in a room says nothing of the fridge.
    fn without_cold(mut self) -> Self {
        for (i, _) in TRAITS
            .iter()
            .enumerate()
            .filter(|(_, name)| ["coldest", "ln_cold"].contains(name))
        {
            self.mean[i] = 0.0;
            self.covariance.row_mut(i).fill(0.0);
            self.covariance.column_mut(i).fill(0.0);
            self.covariance[(i, i)] = 1.0;
        }
        self
    }

    fn expectation(&self) -> Expectation {
        let wide = pool();
        Expectation {
            batches: 0,
            mean: (0..COUNT)
                .map(|i| wide.mean[i] + wide.sd[i] * self.mean[i])
                .collect(),
            covariance: (0..COUNT)
                .map(|i| {
                    (0..COUNT)
                        .map(|j| wide.sd[i] * wide.sd[j] * self.covariance[(i, j)])
                        .collect()
                })
                .collect(),
        }
    }

    /// Of all members of the tuning batches, a week of each fitted with what is expected.
    fn of_members(expected: &Expectation) -> Self {
        let wide = pool();
        let mut members: Vec<[f64; COUNT]> = Vec::new();
        for seed in 1..=340 {
            let scenario = Scenario {
                lasts_h: 170.0,
                ..Scenario::drawn(seed)
            };
            let played = Simulation::run(&scenario, seed);
            let at = hours(&played, 168);
            let evidence = heard(&played, at).expecting(expected.clone());
            let fresh = fresh_led(&evidence, at, None);
            let known = &fresh.problem.frame.known;
            for z in &fresh.posterior.members {
                let traits = Parameters::of(z, known).traits(known.dose);
                members.push(std::array::from_fn(|i| (traits[i] - wide.mean[i]) / wide.sd[i]));
            }
        }
        let count = u32::try_from(members.len()).map_or(1.0, f64::from);
        let mean: [f64; COUNT] = std::array::from_fn(|i| members.iter().map(|z| z[i]).sum::<f64>() / count);
        let covariance = DMatrix::from_fn(COUNT, COUNT, |i, j| {
            let products = members.iter().map(|z| (z[i] - mean[i]) * (z[j] - mean[j]));
            products.sum::<f64>() / (count - 1.0)
        });
        Self { mean, covariance }
    }
}

/// A week of each of the tuning batches, fitted first with the wide beliefs alone and then with what those fits tell: two steps of the EM algorithm
/// (Dempster, Laird and Rubin 1977), no more, for a third is surer than it should be.
/// `cargo test --release -p fobwatch-core --lib usual_cultures -- --ignored --nocapture` (three minutes).
#[test]
#[ignore = "makes a table, checks nothing of the product"]
fn usual_cultures() {
    let wide_alone = Together {
        mean: [0.0; COUNT],
        covariance: DMatrix::identity(COUNT, COUNT),
    };
    let first = Together::of_members(&wide_alone.expectation()).without_cold();
    let told = Together::of_members(&first.expectation()).without_cold();
    for (i, name) in TRAITS.iter().enumerate() {
        let spread = told.covariance[(i, i)].sqrt();
        let together: Vec<String> = (0..i)
            .map(|j| {
                format!(
                    "{:.0}",
                    100.0 * told.covariance[(i, j)] / spread / told.covariance[(j, j)].sqrt()
                )
            })
            .collect();
        println!(
            "{name}: {:.2} {spread:.2} [{}]",
            told.mean[i],
            together.join(", ")
        );
    }
    assert!(told.covariance.cholesky().is_some(), "a distribution");
}

/// Six batches of each of sixty cultures (tuning seeds), each until its target or for a week.
/// `cargo test --release -p fobwatch-core --lib batches_of_a_culture -- --ignored --nocapture` (a minute).
#[test]
#[ignore = "makes a table, checks nothing of the product"]
fn batches_of_a_culture() {
    let of = |culture: u64| -> Vec<Lesson> {
        let taught = (0..6).filter_map(|number| {
            let seed = 1 + (culture * 37 + number * 91) % 1_000;
            let scenario = Scenario {
                lasts_h: 170.0,
                ..Scenario::drawn_of_culture(culture, seed)
            };
            let played = Simulation::run(&scenario, seed);
            let week = hours(&played, 168);
            let until = played.truth.target_at().map_or(week, |at| at.min(week));
            lesson(&heard(&played, until), until)
        });
        taught.collect()
    };
    let cultures: Vec<Vec<Lesson>> = (31..=90).map(of).collect();
    let apart = between(&cultures, &pool(), 100).expect("distributions");
    for (i, name) in TRAITS.iter().enumerate() {
        println!("{name}: {:.2}", apart[(i, i)]);
    }
    assert!(apart.cholesky().is_some(), "a distribution");
}
