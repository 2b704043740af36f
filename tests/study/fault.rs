//! Faults with a known beginning: does the alert that is meant for them come, when, and what came falsely before?

use fobwatch_core::{
    alert::Transition,
    quantity::Unit,
    reading::{Measured, Quantity},
};
use fobwatch_simulator::{Played, Scenario};
use serde::{Deserialize, Serialize};

use crate::{
    goals::Goal,
    play::{self, Row, Watched, hours, spread},
    report::Report,
    score::{Count, quantile},
};

/// A leak must be found within this.
const LEAK_WITHIN_H: f64 = 48.0;
/// A stall is waited for so long: it is a lack of gain over a day and a half.
const STALL_WITHIN_H: f64 = 72.0;
/// A gauge must be suspected within this.
const GAUGE_WITHIN_H: f64 = 48.0;
/// What needs no forecast is told within this.
const SOON_WITHIN_H: f64 = 3.0;
/// A chilled batch is judged after a day.
const RISING_WITHIN_H: f64 = 48.0;
/// The fridge takes a drink down by two thirds in this time.
const COOLS_H: f64 = 3.0;
/// A batch has stalled when it makes less than this in the day that follows, volumes.
const STILL_VOLUMES: f64 = 0.02;
/// ... and its content is below this part of the target.
const SHORT_OF_TARGET: f64 = 0.8;
/// A leak loses next to nothing before there is so much pressure, bar.
const LEAKS_ABOVE_BAR: f64 = 0.3;
/// Production must have stopped by then: the study does not last for weeks.
const STALLS_BY_H: f64 = 120.0;

/// What goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Fault {
    /// The pilot leaks.
    Leak,
    /// The culture gives up.
    Stall,
    /// The gauge shows the same for ever.
    Stuck,
    /// The gauge creeps away, 5 to 30 mbar an hour up or down.
    Drift,
    /// The gauge is heard no more.
    Silent,
    /// The gauge reads nothing all at once.
    Loss,
    /// The thermometers show 34 degC.
    Warm,
    /// The drink's thermometer is in the fridge, and the gauge goes on.
    Rising,
}

/// All of them.
pub(crate) const ALL: [Fault; 8] = [
    Fault::Leak,
    Fault::Stall,
    Fault::Stuck,
    Fault::Drift,
    Fault::Silent,
    Fault::Loss,
    Fault::Warm,
    Fault::Rising,
];

/// One batch.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(crate) struct Found {
    /// When it begins, hours.
    begins_h: f64,
    /// How strong: mol an hour and bar, or bar an hour.
    strength: f64,
    /// When the alert was first raised after that, hours.
    raised_h: Option<f64>,
    /// Pressure of the sensor vessel when it began, bar.
    #[serde(default)]
    bar: Option<f64>,
    /// The alert was raised before there was anything to raise it.
    pub(crate) falsely: bool,
}

impl Found {
    /// From its beginning to its alert, hours; `None`: not in time.
    pub(crate) fn delay_h(&self) -> Option<f64> {
        Some(self.raised_h? - self.begins_h)
    }
}

impl Fault {
    /// Its name among the parts of the journal.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Leak => "leak",
            Self::Stall => "stall",
            Self::Stuck => "stuck gauge",
            Self::Drift => "creeping gauge",
            Self::Silent => "silent gauge",
            Self::Loss => "sudden loss",
            Self::Warm => "too warm",
            Self::Rising => "goes on in the fridge",
        }
    }

    /// How many batches of it are played where the main parts play `batches`.
    pub(crate) fn share(self, batches: usize) -> usize {
        match self {
            Self::Leak | Self::Stall | Self::Stuck | Self::Drift => batches.div_ceil(7),
            Self::Silent | Self::Loss | Self::Warm | Self::Rising => batches.div_ceil(15),
        }
    }

    /// The alert that is meant for it.
    pub(crate) fn alert(self) -> &'static str {
        match self {
            Self::Leak => "leak_suspected",
            Self::Stall => "stalled",
            Self::Stuck | Self::Drift => "sensor_suspect",
            Self::Silent => "sensor_silent",
            Self::Loss => "sudden_loss",
            Self::Warm => "outside_temperature",
            Self::Rising => "rising_in_fridge",
        }
    }

    /// It must be told within this, hours.
    pub(crate) fn within_h(self) -> f64 {
        match self {
            Self::Leak => LEAK_WITHIN_H,
            Self::Stall => STALL_WITHIN_H,
            Self::Stuck | Self::Drift => GAUGE_WITHIN_H,
            Self::Silent | Self::Loss | Self::Warm => SOON_WITHIN_H,
            Self::Rising => RISING_WITHIN_H,
        }
    }

    /// Plays a drawn batch with this fault; `None` if it does not come to it.
    pub(crate) fn play(self, seed: u64) -> Option<Found> {
        let mut scenario = match self {
            Self::Leak => Scenario::drawn_leaking(seed),
            Self::Stall => Scenario::drawn_stalling(seed),
            _ => Scenario::drawn(seed),
        };
        scenario.lasts_h = STALLS_BY_H + STALL_WITHIN_H + 24.0;
        let played = play::played(&scenario, seed);
        let begins_h = self.begins_h(&played)?;
        let rows = play::rows(&played);
        let strength = match self {
            Self::Leak => scenario.leak.as_ref().map_or(0.0, |leak| leak.mol_per_h_per_bar),
            Self::Drift => {
                let size = 0.005 * 6.0_f64.powf(spread(seed, 1));
                if seed.is_multiple_of(2) { size } else { -size }
            }
            _ => 0.0,
        };
        let mut watched = Watched::new(play::batch(&scenario), rows);
        let mut found = Found {
            begins_h,
            strength,
            raised_h: None,
            bar: bar_at(&played, begins_h),
            falsely: false,
        };
        let mut broken = false;
        while found.raised_h.is_none() && watched.at_h() < begins_h + self.within_h() {
            if !broken && watched.at_h() >= begins_h {
                self.break_gauge(&mut watched, strength);
                broken = true;
            }
            for record in watched.half_hour().alerts {
                let it = record.alert.name() == self.alert() && record.state == Transition::Raised;
                let of_gauge = record
                    .quantity
                    .is_none_or(|quantity| quantity == Quantity::Pressure);
                if it && of_gauge {
                    if watched.at_h() > begins_h {
                        found.raised_h = Some(watched.at_h());
                    } else {
                        found.falsely = true;
                    }
                }
            }
        }
        Some(found)
    }

    /// When it begins, a point of the grid where the study makes it.
    fn begins_h(self, played: &Played) -> Option<f64> {
        let sealed = played.scenario.bottled_at;
        match self {
            Self::Leak => played.scenario.leak.as_ref().map(|leak| leak.from_h),
            Self::Stall => stalls_h(played),
            _ => {
                let target_h = hours(sealed, played.truth.target_at()?);
                let half = (target_h / 2.0).max(18.0).round();
                (half < target_h && half < STALLS_BY_H).then_some(half)
            }
        }
    }

    fn break_gauge(self, watched: &mut Watched, strength: f64) {
        let last = watched.last(Quantity::Pressure).map(|row| row.reading.measured);
        let (sealed, from_h) = (watched.sealed(), watched.at_h());
        let fridge_c = watched.monitor().batch().target.fridge.celsius();
        let change = |row: &Row| {
            let mut row = row.clone();
            if let Measured::Pressure(pressure) = row.reading.measured {
                row.reading.measured = match self {
                    Self::Stuck => last?,
                    Self::Drift => {
                        let gone = hours(sealed, row.reading.at) - from_h;
                        let bar = pressure.bar() + strength * gone.max(0.0);
                        Measured::new(Quantity::Pressure, bar, Unit::Bar).ok()?
                    }
                    Self::Silent => return None,
                    Self::Loss => Measured::new(Quantity::Pressure, 0.0, Unit::Bar).ok()?,
                    Self::Leak | Self::Stall | Self::Warm | Self::Rising => row.reading.measured,
                };
            }
            let quantity = row.reading.measured.quantity();
            let of_drink = quantity == Quantity::LiquidTemperature;
            if self == Self::Warm && (of_drink || quantity == Quantity::RoomTemperature) {
                row.reading.measured = Measured::new(quantity, 34.0, Unit::Celsius).ok()?;
            }
            if let (Self::Rising, Measured::LiquidTemperature(liquid)) = (self, row.reading.measured) {
                let gone = hours(sealed, row.reading.at) - from_h;
                let left = (-gone.max(0.0) / COOLS_H).exp();
                let there = fridge_c + 0.5 + (liquid.celsius() - fridge_c - 0.5) * left;
                row.reading.measured = Measured::new(quantity, there, Unit::Celsius).ok()?;
            }
            Some(row)
        };
        if !matches!(self, Self::Leak | Self::Stall) {
            watched.alter(change);
        }
    }
}

/// True pressure of the sensor vessel.
fn bar_at(played: &Played, at_h: f64) -> Option<f64> {
    let sealed = played.scenario.bottled_at;
    let mut moments = played.truth.moments.iter();
    Some(moments.find(|moment| hours(sealed, moment.at) >= at_h)?.pilot_bar)
}

/// When production stops for good, short of the target; from the first day on, or from the sealing if it never began.
fn stalls_h(played: &Played) -> Option<f64> {
    let truth = &played.truth;
    let day = truth
        .moments
        .iter()
        .position(|moment| hours(played.scenario.bottled_at, moment.at) >= 24.0)?;
    let last = truth.moments.last()?;
    let stopped = (0..truth.moments.len().saturating_sub(day)).find(|index| {
        let (from, to) = (&truth.moments[*index], &truth.moments[index + day]);
        let for_good = last.co2_volumes - from.co2_volumes < 3.0 * STILL_VOLUMES;
        to.co2_volumes - from.co2_volumes < STILL_VOLUMES && for_good
    })?;
    let moment = truth.moments.get(stopped)?;
    let at_h = hours(played.scenario.bottled_at, moment.at);
    let short = last.co2_volumes < SHORT_OF_TARGET * truth.target_volumes;
    (short && at_h <= STALLS_BY_H).then_some(at_h)
}

/// The table of all faults.
pub(crate) fn report(report: &mut Report, faults: &[(Fault, Vec<(u64, Found)>)]) {
    report.head(
        "Faults",
        &[
            "fault",
            "alert",
            "raised in time",
            "within",
            "median delay, h",
            "p90",
            "raised falsely before",
        ],
    );
    let mut kept = serde_json::Map::new();
    for (fault, plays) in faults {
        let found = Count::of(plays, |(_, play)| play.raised_h.is_some());
        let falsely = Count::of(plays, |(_, play)| play.falsely);
        let delays: Vec<f64> = plays
            .iter()
            .filter_map(|(_, play)| Some(play.raised_h? - play.begins_h))
            .collect();
        let [median, p90] = [0.5, 0.9].map(|share| quantile(&delays, share));
        let shown = |value: f64| {
            if delays.is_empty() {
                "none".to_owned()
            } else {
                format!("{value:.1}")
            }
        };
        let name = |what: &str| format!("{}: {what}", fault.name());
        report.goal(Goal::at_least(&name("found, share"), found.share(), 0.95, 3));
        report.goal(Goal::at_most(
            &name("found falsely before, share"),
            falsely.share(),
            0.01,
            3,
        ));
        report.row(&[
            fault.name().to_owned(),
            format!("`{}`", fault.alert()),
            found.to_string(),
            format!("{} h", fault.within_h()),
            shown(median),
            shown(p90),
            falsely.to_string(),
        ]);
        if *fault == Fault::Leak {
            let pressed = |play: &Found| play.bar.is_some_and(|bar| bar > LEAKS_ABOVE_BAR);
            let pressed: Vec<_> = plays.iter().filter(|(_, play)| pressed(play)).collect();
            let found = Count::of(&pressed, |(_, play)| play.raised_h.is_some());
            report.line(&format!(
                "\nOf the leaks that began above {LEAKS_ABOVE_BAR} bar: {found} found."
            ));
        }
        kept.insert(
            fault.name().to_owned(),
            serde_json::json!({"found": found, "falsely": falsely, "delay_median_h": median, "delay_p90_h": p90}),
        );
    }
    report.keep("faults", kept);
}
