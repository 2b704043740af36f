//! A simulation of faults with a clock of its own, the same by its seed: what goes wrong, when, and who is next.
//!
//! The daemon's own parts are at work: decoders, the intake, the store on real files, the worker of each batch with the real engine and real
//! fits, the outbox and its carriers. Sensors, a broker, a serial port, channels, a person, the machine's clock and its power are made up. One
//! loop at a time has its turn, so that which write is the hundredth does not hang on the scheduler. After each run the store is compared
//! with what was vouched for, and with an engine that was told the same in one go.

mod broker;
mod channel;
mod check;
mod clock;
mod fits;
mod ledger;
mod plan;
mod play;
mod power;
mod random;
mod world;

#[cfg(test)]
mod tests;

use std::{
    path::{Path, PathBuf},
    sync::Mutex,
};

use tokio::runtime::Runtime;

use check::Left;
use plan::Plan;
use play::Play;
use ring::digest::{SHA256, digest as sha};
use world::{Ended, World};

/// What became of one seed.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The seed.
    pub seed: u64,
    /// What went wrong in its world, each as a sentence.
    pub faults: Vec<String>,
    /// What was wrong with the daemon then; nothing, it is hoped.
    pub wrong: Vec<String>,
    /// Readings that were vouched for.
    pub readings: usize,
    /// How often the daemon was started.
    pub starts: usize,
    /// Batches whose engines were told the same as without faults.
    pub alike: usize,
    /// A digest of all that is left: the same for the same seed.
    pub digest: String,
}

/// The plays, each with how it ends without faults.
pub struct Stage {
    plays: Vec<(Play, Vec<Left>, u64)>,
    runtime: Runtime,
    below: PathBuf,
}

impl std::fmt::Debug for Stage {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Stage({} plays)", self.plays.len())
    }
}

impl Stage {
    /// Makes the plays and goes through each without faults. Files are made below `below`, and taken away again; a folder in memory is fastest.
    ///
    /// # Errors
    /// A play that cannot be made, or that goes wrong without any fault.
    pub fn set(below: &Path) -> Result<Self, String> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .map_err(|error| error.to_string())?;
        let mut plays = Vec::new();
        for which in 0..play::AROUND.len() {
            let play = Play::around(which).map_err(|error| error.to_string())?;
            let plan = Plan::nothing();
            let (left, outcome, writes) = one(&play, &plan, 0, &runtime, below, None);
            if !outcome.wrong.is_empty() {
                return Err(format!("without any fault: {}", outcome.wrong.join("; ")));
            }
            plays.push((play, left, writes));
        }
        Ok(Self {
            plays,
            runtime,
            below: below.to_owned(),
        })
    }

    /// Runs one seed.
    #[must_use]
    pub fn run(&self, seed: u64) -> Outcome {
        let count = u64::try_from(self.plays.len()).unwrap_or(1).max(1);
        let place = usize::try_from(seed % count).unwrap_or(0);
        let Some((play, undisturbed, writes)) = self.plays.get(place) else {
            unreachable!("the place is below the count")
        };
        let plan = Plan::drawn(seed, play.steps.len(), play.busy, *writes, world::channels(play));
        one(play, &plan, seed, &self.runtime, &self.below, Some(undisturbed)).1
    }

    /// Runs seeds on so many threads, and tells of each once it is through.
    pub fn run_all(
        &self,
        seeds: impl Iterator<Item = u64> + Send,
        threads: usize,
        told: impl Fn(&Outcome) + Sync,
    ) {
        let seeds = Mutex::new(seeds);
        std::thread::scope(|scope| {
            for _ in 0..threads.max(1) {
                scope.spawn(|| {
                    loop {
                        let next = seeds
                            .lock()
                            .unwrap_or_else(std::sync::PoisonError::into_inner)
                            .next();
                        let Some(seed) = next else { break };
                        told(&self.run(seed));
                    }
                });
            }
        });
    }
}

fn one(
    play: &Play,
    plan: &Plan,
    seed: u64,
    runtime: &Runtime,
    below: &Path,
    undisturbed: Option<&[Left]>,
) -> (Vec<Left>, Outcome, u64) {
    let mut outcome = Outcome {
        seed,
        faults: plan.faults.iter().map(ToString::to_string).collect(),
        wrong: Vec::new(),
        readings: 0,
        starts: 0,
        alike: 0,
        digest: String::new(),
    };
    if plan.unruly {
        outcome.faults.push("loops take their turns by chance".to_owned());
    }
    let ended = World::new(play, plan, seed, runtime, below)
        .map_err(|error| error.to_string())
        .and_then(World::run);
    match ended {
        Err(why) => {
            outcome.wrong.push(why);
            (Vec::new(), outcome, 0)
        }
        Ok(ended) => {
            let (left, wrong) = check::check(&ended, play, runtime, undisturbed);
            outcome.wrong = wrong;
            outcome.readings = ended.ledger.vouched.len();
            outcome.starts = ended.power.starts();
            outcome.alike = undisturbed.map_or(left.len(), |without| check::alike(&left, without));
            outcome.digest = digest(&left, &ended);
            let writes = ended.power.writes();
            ended.leave(runtime);
            (left, outcome, writes)
        }
    }
}

/// Of what engines were told and came to, and of what arrived in every channel.
fn digest(left: &[Left], ended: &Ended) -> String {
    let arrived: Vec<_> = ended.others.iter().map(|other| other.arrived()).collect();
    let all = format!("{left:?} {arrived:?}");
    sha(&SHA256, all.as_bytes())
        .as_ref()
        .iter()
        .take(8)
        .map(|byte| format!("{byte:02x}"))
        .collect()
}
