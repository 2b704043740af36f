//! A play as files.

use crate::Failure;
use fobwatch_simulator::{Scenario, Simulation, notes_jsonl, readings_csv, truth_csv};
use std::path::Path;

pub(crate) fn write(scenario: &Scenario, seed: u64, folder: &Path) -> Result<(), Failure> {
    let failed = |path: &Path, error: std::io::Error| Failure::World(format!("{}: {error}", path.display()));
    std::fs::create_dir_all(folder).map_err(|error| failed(folder, error))?;
    let played = Simulation::run(scenario, seed);
    let sealed = scenario.bottled_at;
    let answers = serde_json::json!({
        "seed": seed,
        "target_at": played.truth.target_at(),
        "move_at": played.move_at(),
        "limit_at": played.truth.limit_at(),
        "if_forgotten": played.if_forgotten(sealed),
        "vigour": scenario.vigour(),
        "end": played.truth.moments.last(),
    });
    let files = [
        ("batch.toml", played.batch_toml.clone()),
        ("readings.csv", readings_csv(&played.readings)),
        ("notes.jsonl", notes_jsonl(&played.notes)),
        ("truth.csv", truth_csv(&played.truth)),
        ("truth.json", format!("{answers:#}\n")),
        ("scenario.toml", scenario.to_toml()),
    ];
    for (name, text) in files {
        let path = folder.join(name);
        std::fs::write(&path, text).map_err(|error| failed(&path, error))?;
    }
    eprintln!("{} readings are in {}.", played.readings.len(), folder.display());
    Ok(())
}
