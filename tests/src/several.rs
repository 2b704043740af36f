//! Several batches beside each other, each with sensors of its own.

use fobwatch_simulator::{Emitted, Played, Scenario, Simulation};

/// Plays a shipped scenario once for each name; the sensors of "plum 1" are called `plum-1` (on its bottle) and `plum-1-room`.
///
/// # Panics
/// There is no such scenario.
#[must_use]
pub fn several(scenario: &str, hours: f64, names: &[&str], first_seed: u64) -> Vec<Played> {
    let mut scenario = Scenario::shipped(scenario).expect("a shipped scenario");
    scenario.lasts_h = hours;
    let mut all = Vec::new();
    for (name, seed) in names.iter().zip(first_seed..) {
        let mut played = Simulation::run(&scenario, seed);
        let bottle = name.replace(' ', "-");
        let room = format!("{bottle}-room");
        played.batch_toml = played
            .batch_toml
            .replace(
                &format!("name = \"{}\"", scenario.name),
                &format!("name = \"{name}\""),
            )
            .replace("\"pilot\"", &format!("\"{bottle}\""))
            .replace("\"kitchen\"", &format!("\"{room}\""));
        for reading in &mut played.readings {
            let own = if reading.source == "pilot" { &bottle } else { &room };
            reading.source.clone_from(own);
        }
        all.push(played);
    }
    all
}

/// Their readings, each once, in the order of their arrival.
#[must_use]
pub fn in_order(played: &[Played]) -> Vec<Emitted> {
    let mut all: Vec<Emitted> = played.iter().flat_map(|played| played.readings.clone()).collect();
    all.sort_by_key(|reading| reading.arrival);
    let mut seen = std::collections::BTreeSet::new();
    all.retain(|reading| seen.insert(crate::key(reading)));
    all
}
