//! Other sensors than the gauge, and other truths than the simulator's own culture: how far from the target do the bottles end that are moved when advised?

use fobwatch_simulator::{Published, Quantity, Scenario};

use crate::{
    forecast::{self, Batchful, LEADS_H, MISSING_LEADS, MISSING_VOLUMES},
    goals::Goal,
    play::{self, hours},
    report::Report,
    score::{Guess, Summary, quantile},
};

/// What a batch is watched with, or how it really ferments.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A float in the drink, and thermometers.
    Gravity,
    /// A gauge and a float.
    Both,
    /// Thermometers alone.
    Temperature,
    /// The usual sensors, and nothing that they or anybody could not know: see [`without_error`].
    Perfect,
    /// The usual sensors, and kinetics of the literature.
    Published(Published),
}

impl Kind {
    /// Its name in the journal and the table.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Gravity => "gravity",
            Self::Both => "gauge and gravity",
            Self::Temperature => "temperature",
            Self::Perfect => "perfect",
            Self::Published(model) => model.name(),
        }
    }

    /// Plays a drawn batch; `None` if it never reaches its target.
    pub(crate) fn play(self, seed: u64) -> Option<Batchful> {
        let mut scenario = match self {
            Self::Gravity => Scenario::drawn_with_float(seed),
            Self::Both => Scenario::drawn_with_both(seed),
            Self::Temperature => Scenario::drawn_with_temperature_alone(seed),
            Self::Perfect => without_error(Scenario::drawn(seed)),
            Self::Published(model) => Scenario::drawn_published(model, seed),
        };
        let played = play::played(&scenario, seed);
        let target_h = hours(scenario.bottled_at, played.truth.target_at()?);
        scenario.bottle.pressure_limit_bar = forecast::beyond_reach(&played)?;
        Some(forecast::watch(&scenario, &played, target_h))
    }
}

/// The batch as nobody will ever hear it: gauge and thermometers true but for a little noise, a barometer that stands still, bottles filled and dosed alike,
/// solubility and salting-out as the fit believes them, a room without weather. What is still missed is the culture's own.
fn without_error(mut scenario: Scenario) -> Scenario {
    scenario.room.weather_c = 0.0;
    scenario.air.mean_bar = 1.013_25;
    scenario.air.wander_bar = 0.0;
    scenario.gas.henry_factor = 1.0;
    scenario.gas.sugar_effect = 0.12;
    scenario.bottle.fill_tolerance_ml = 0.0;
    scenario.bottle.dose_spread = 0.0;
    for sensor in &mut scenario.sensors {
        sensor.offset_spread = 0.0;
        sensor.gain_spread = 0.0;
        sensor.drift_per_c = 0.0;
        if sensor.quantity == Quantity::Pressure {
            sensor.noise = 0.002;
        }
    }
    scenario
}

/// The table.
pub(crate) fn report(report: &mut Report, kind: Kind, plays: &[(u64, Batchful)]) {
    let title = match kind {
        Kind::Gravity => "Gravity only",
        Kind::Both => "Gauge and gravity",
        Kind::Temperature => "Temperature only",
        Kind::Perfect => "Sensors without error, bottles all alike, gas as the tables have it, a steady room",
        Kind::Published(Published::Gompertz) => "Truth after Zwietering et al. 1990 (Gompertz curve)",
        Kind::Published(Published::BaranyiRoberts) => "Truth after Baranyi and Roberts 1994",
        Kind::Published(Published::Nitrogen) => "Truth after Coleman et al. 2007 (nitrogen)",
    };
    report.head(
        title,
        &["figure", "n", "missing", "median", "p90", "bias", "90 % holds"],
    );
    let mut kept = serde_json::Map::new();
    let mut row = |report: &mut Report, figure: &str, summary: &Summary| {
        report.row(&[
            figure.to_owned(),
            summary.count.to_string(),
            summary.missing.to_string(),
            format!("{:.2}", summary.median),
            format!("{:.2}", summary.p90),
            format!("{:+.2}", summary.bias),
            summary.holds.to_string(),
        ]);
        kept.insert(figure.to_owned(), serde_json::json!(summary));
    };
    for (place, lead) in LEADS_H.iter().enumerate() {
        let guesses: Vec<Guess> = plays
            .iter()
            .filter_map(|(_, play)| play.fit.ahead[place])
            .collect();
        let summary = Summary::new(&guesses, MISSING_LEADS * lead);
        row(report, &format!("target {lead} h ahead, h"), &summary);
    }
    let now = plays.iter().flat_map(|(_, play)| play.fit.now.iter());
    let guesses: Vec<Guess> = now.map(|(_, guess)| *guess).collect();
    row(
        report,
        "content now, volumes",
        &Summary::new(&guesses, MISSING_VOLUMES),
    );
    let ends: Vec<f64> = plays.iter().filter_map(|(_, play)| play.fit.ends).collect();
    let absolute: Vec<f64> = ends.iter().map(|end| end.abs()).collect();
    let never = plays
        .iter()
        .filter(|(_, play)| play.fit.moved_h.is_none())
        .count();
    let figures = [
        quantile(&absolute, 0.5),
        quantile(&absolute, 0.9),
        quantile(&ends, 0.5),
        quantile(&absolute, 0.95),
    ];
    if kind == Kind::Gravity {
        let name = "gravity only: content after the advised move less target, median, volumes";
        report.goal(Goal::at_most(name, figures[0], 0.35, 2));
    }
    report.row(&[
        format!(
            "content after the advised move less target, volumes (95 % within {:.2})",
            figures[3]
        ),
        ends.len().to_string(),
        never.to_string(),
        format!("{:.2}", figures[0]),
        format!("{:.2}", figures[1]),
        format!("{:+.2}", figures[2]),
        "-".to_owned(),
    ]);
    kept.insert(
        "move".into(),
        serde_json::json!({"count": ends.len(), "never": never, "median": figures[0], "p90": figures[1], "p95": figures[3], "bias": figures[2]}),
    );
    report.keep(kind.name(), kept);
}
