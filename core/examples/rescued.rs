//! What a rescue tells of when, beside what the simulator then does.
//!
//! `cargo run --release -p fobwatch-core --example rescued -- 1 40` chills each drawn batch half-way to its target, brings it back to the room after 36 h and
//! after 6 days, and asks at that moment when to move it: with a culture that is awake at once, and with one that sleeps. The simulator's cultures
//! are awake at once, so the truth tells what the sleep costs where there is none; `--sleep 12` lets the true move come so many hours later, as if the culture
//! had slept that long.
#![expect(clippy::cast_precision_loss, reason = "a handful of batches")]

use fobwatch_core::{
    batch::Batch,
    fit::{Evidence, Handling, Surroundings, fit},
    forecast::When,
    quantity::AbsolutePressure,
    reading::Measured,
};
use fobwatch_simulator::{Deed, Played, Scenario, Simulation, scenario::Happening};
use jiff::{SignedDuration, Timestamp};

#[derive(Default)]
struct Tally {
    asked: u32,
    early: u32,
    late: u32,
    width_h: f64,
    off_h: f64,
}

impl Tally {
    fn add(&mut self, told: [f64; 3], truth: f64) {
        self.asked += 1;
        self.early += u32::from(truth < told[0]);
        self.late += u32::from(truth > told[2]);
        self.width_h += (told[2] - told[0]).min(1_440.0);
        self.off_h += told[1].min(1_440.0) - truth;
    }

    fn told(&self, name: &str) {
        let count = f64::from(self.asked.max(1));
        println!(
            "{name}: truth before the interval {}, behind it {} of {}; mean width {:.1} h, middle {:+.1} h late",
            self.early,
            self.late,
            self.asked,
            self.width_h / count,
            self.off_h / count
        );
    }
}

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let number = |place: usize, otherwise: u64| {
        arguments
            .get(place)
            .and_then(|a| a.parse().ok())
            .unwrap_or(otherwise)
    };
    let (first, count) = (number(0, 1), number(1, 40));
    let sleep = arguments
        .iter()
        .position(|a| a == "--sleep")
        .map_or(0, |place| number(place + 1, 0));
    for cold_h in [36.0, 144.0] {
        let (mut awake, mut asleep) = (Tally::default(), Tally::default());
        for seed in first..first + count {
            let Some((played, out)) = rewarmed(seed, cold_h) else {
                continue;
            };
            let Some(truth) = played.move_at() else { continue };
            let hours = |at: Timestamp| at.duration_since(out).as_secs_f64() / 3_600.0;
            let three = |when: Option<When>| {
                when.map_or([1_440.0; 3], |when| {
                    [when.p05, when.p50, when.p95].map(|at| at.map_or(1_440.0, hours))
                })
            };
            let evidence = heard(&played, out);
            let posterior = fit(&evidence, out, None);
            let now = three(posterior.answers(&evidence, out).0.move_at);
            let later = three(posterior.answers_asleep(&evidence, out, cold_h).0.move_at);
            let truth = hours(truth) + sleep as f64;
            awake.add(now, truth);
            asleep.add([now[0], later[1], later[2]], truth);
        }
        awake.told(&format!("after {cold_h} h, awake at once"));
        asleep.told(&format!("after {cold_h} h, asleep"));
    }
}

/// Chilled half-way to its target, and when it is taken out again.
fn rewarmed(seed: u64, cold_h: f64) -> Option<(Played, Timestamp)> {
    let mut scenario = Scenario::drawn(seed);
    let plain = Simulation::run(&scenario, seed);
    let way = plain.truth.target_at()?.duration_since(scenario.bottled_at);
    let chilled_h = 0.5 * way.as_secs_f64() / 3_600.0;
    let event = |at_h, kind| Happening {
        at_h,
        kind,
        noted: true,
    };
    scenario.events = vec![
        event(chilled_h, Deed::MovedToFridge),
        event(chilled_h + cold_h, Deed::TakenOut),
    ];
    let out = scenario.bottled_at + SignedDuration::from_secs_f64(3_600.0 * (chilled_h + cold_h));
    Some((Simulation::run(&scenario, seed), out))
}

fn heard(played: &Played, out: Timestamp) -> Evidence {
    let (batch, _) = Batch::from_toml(&played.batch_toml, "drawn").expect("the simulator writes batch files");
    let usual_ambient = AbsolutePressure::STANDARD_ATMOSPHERE;
    let mut evidence = Evidence::new(batch, Surroundings { usual_ambient });
    for row in played.readings.iter().filter(|row| row.arrival <= out) {
        let unit = row.unit.symbol().parse().expect("a unit of the surface");
        let quantity = row.quantity.name().parse().expect("a quantity of the surface");
        if let Ok(measured) = Measured::new(quantity, row.value, unit) {
            evidence.observe(row.at, measured.into());
        }
    }
    for event in &played.scenario.events {
        let at = played.scenario.bottled_at + SignedDuration::from_secs_f64(3_600.0 * event.at_h);
        let handling = match event.kind {
            Deed::MovedToFridge => Handling::Fridge,
            _ => Handling::Room,
        };
        evidence.handle(at, handling);
    }
    evidence
}
