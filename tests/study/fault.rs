//! Faults with a known beginning: does the alert that is meant for them come, when, and what came falsely before?

use fobwatch_core::{
    alert::Transition,
    batch::Batch,
    physics::{
        bottle::{ClosedBottle, Sealing},
        solubility::Solutes,
    },
    quantity::{AbsolutePressure, AlcoholByVolume, MassConcentration, Share, Temperature, Unit},
    reading::{Measured, Quantity},
};
use fobwatch_simulator::{Moment, Played, Scenario};
use serde::{Deserialize, Serialize};

use crate::{
    goals::Goal,
    play::{self, Row, Watched, hours, spread},
    report::Report,
    score::{Count, quantile},
};

/// A leak must be found within this.
const LEAK_WITHIN_H: f64 = 48.0;
/// A pilot that was never tight is watched for so long.
const NEVER_TIGHT_WITHIN_H: f64 = 168.0;
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
/// Share of the trapped oxygen that is eaten by then.
const OXYGEN_EATEN: f64 = 0.9;
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
    /// The pilot begins to leak.
    Leak,
    /// The pilot leaks from the sealing on.
    NeverTight,
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
    /// The bottles go to the fridge, and the culture goes on there: at a fifth to all of its pace in the room.
    Rising,
}

/// All of them.
pub(crate) const ALL: [Fault; 9] = [
    Fault::Leak,
    Fault::NeverTight,
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
    /// When the other bottles reach the target, hours.
    #[serde(default)]
    target_h: Option<f64>,
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
            Self::NeverTight => "never tight",
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
            Self::Leak | Self::NeverTight | Self::Stall | Self::Stuck | Self::Drift => batches.div_ceil(7),
            Self::Silent | Self::Loss | Self::Warm | Self::Rising => batches.div_ceil(15),
        }
    }

    /// The alert that is meant for it.
    pub(crate) fn alert(self) -> &'static str {
        match self {
            Self::Leak | Self::NeverTight => "leak_suspected",
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
            Self::NeverTight => NEVER_TIGHT_WITHIN_H,
            Self::Stall => STALL_WITHIN_H,
            Self::Stuck | Self::Drift => GAUGE_WITHIN_H,
            Self::Silent | Self::Loss | Self::Warm => SOON_WITHIN_H,
            Self::Rising => RISING_WITHIN_H,
        }
    }

    /// Plays a drawn batch with this fault; `None` if it does not come to it.
    pub(crate) fn play(self, seed: u64) -> Option<Found> {
        let mut scenario = match self {
            Self::Leak | Self::NeverTight => Scenario::drawn_leaking(seed),
            Self::Stall => Scenario::drawn_stalling(seed),
            _ => Scenario::drawn(seed),
        };
        if let (Self::NeverTight, Some(leak)) = (self, &mut scenario.leak) {
            leak.from_h = 0.0;
        }
        scenario.lasts_h = STALLS_BY_H + STALL_WITHIN_H + 24.0;
        let played = play::played(&scenario, seed);
        let begins_h = self.begins_h(&played)?;
        let rows = play::rows(&played);
        let strength = match self {
            Self::Leak | Self::NeverTight => {
                scenario.leak.as_ref().map_or(0.0, |leak| leak.mol_per_h_per_bar)
            }
            Self::Drift => {
                let size = 0.005 * 6.0_f64.powf(spread(seed, 1));
                if seed.is_multiple_of(2) { size } else { -size }
            }
            Self::Rising => 0.2 * 5.0_f64.powf(spread(seed, 1)),
            _ => 0.0,
        };
        let mut watched = Watched::new(play::batch(&scenario), rows);
        let mut found = Found {
            begins_h,
            strength,
            raised_h: None,
            bar: bar_at(&played, begins_h),
            target_h: played.truth.target_at().map(|at| hours(scenario.bottled_at, at)),
            falsely: false,
        };
        let mut broken = false;
        while found.raised_h.is_none() && watched.at_h() < begins_h + self.within_h() {
            if !broken && watched.at_h() >= begins_h {
                self.break_gauge(&mut watched, &played, strength);
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
    pub(crate) fn begins_h(self, played: &Played) -> Option<f64> {
        let sealed = played.scenario.bottled_at;
        match self {
            Self::Leak | Self::NeverTight => played.scenario.leak.as_ref().map(|leak| leak.from_h),
            Self::Stall => stalls_h(played),
            _ => {
                let target_h = hours(sealed, played.truth.target_at()?);
                let half = (target_h / 2.0).max(18.0).round();
                (half < target_h && half < STALLS_BY_H).then_some(half)
            }
        }
    }

    /// What comes from now on is that of a sensor, or a bottle, with this fault.
    pub(crate) fn break_gauge(self, watched: &mut Watched, played: &Played, strength: f64) {
        let last = watched.last(Quantity::Pressure).map(|row| row.reading.measured);
        let (sealed, from_h) = (watched.sealed(), watched.at_h());
        let chilled = Chilled::new(watched.monitor().batch(), played, from_h, strength);
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
                    Self::Leak | Self::NeverTight | Self::Stall | Self::Warm | Self::Rising => {
                        row.reading.measured
                    }
                };
            }
            let quantity = row.reading.measured.quantity();
            let of_drink = quantity == Quantity::LiquidTemperature;
            if self == Self::Warm && (of_drink || quantity == Quantity::RoomTemperature) {
                row.reading.measured = Measured::new(quantity, 34.0, Unit::Celsius).ok()?;
            }
            if self == Self::Rising {
                let at_h = hours(sealed, row.reading.at);
                row.reading.measured = chilled.shown(row.reading.measured, at_h)?;
            }
            Some(row)
        };
        if !matches!(self, Self::Leak | Self::NeverTight | Self::Stall) {
            watched.alter(change);
        }
    }
}

/// The sensor vessel once it stands in a fridge that does not stop its culture.
struct Chilled<'a> {
    played: &'a Played,
    bottle: ClosedBottle,
    from_h: f64,
    /// What it makes there beside what it would have made in the room.
    pace: f64,
    fridge_c: f64,
}

impl<'a> Chilled<'a> {
    fn new(batch: &Batch, played: &'a Played, from_h: f64, pace: f64) -> Self {
        let sealed = played.truth.moments.first().expect("a play has moments");
        let sealing = Sealing {
            headspace: batch.bottle.headspace,
            temperature: celsius(sealed.liquid_c),
            ambient: bar(sealed.ambient_bar),
        };
        let solutes = Solutes {
            sucrose: batch.drink.sucrose,
            hexose: batch.drink.hexose,
            unfermentable: batch.drink.unfermentable,
            alcohol: batch.drink.alcohol.unwrap_or(AlcoholByVolume::ZERO),
        };
        Self {
            played,
            bottle: ClosedBottle::new(&batch.sensor_vessel(), &sealing, solutes),
            from_h,
            pace,
            fridge_c: batch.target.fridge.celsius(),
        }
    }

    /// What a sensor shows there that shows `measured` in the room; `None`: that cannot be.
    fn shown(&self, measured: Measured, at_h: f64) -> Option<Measured> {
        let gone = at_h - self.from_h;
        if gone < 0.0 {
            return Some(measured);
        }
        let cooled = |warm_c: f64| {
            let there = self.fridge_c + 0.5;
            there + (warm_c - there) * (-gone / COOLS_H).exp()
        };
        match measured {
            Measured::LiquidTemperature(liquid) => {
                let there = cooled(liquid.celsius());
                Measured::new(Quantity::LiquidTemperature, there, Unit::Celsius).ok()
            }
            Measured::Pressure(pressure) => {
                let warm = moment_at(self.played, at_h)?;
                let then = moment_at(self.played, self.from_h)?;
                let made = self.pace * (warm.pilot_co2_g_per_l - then.pilot_co2_g_per_l);
                let in_room = self.absolute(warm.pilot_co2_g_per_l, warm.liquid_c)?;
                let in_fridge = self.absolute(then.pilot_co2_g_per_l + made, cooled(warm.liquid_c))?;
                let there = pressure.bar() + in_fridge - in_room;
                Measured::new(Quantity::Pressure, there, Unit::Bar).ok()
            }
            other => Some(other),
        }
    }

    /// Pressure over the drink that holds so much CO2, bar above vacuum.
    fn absolute(&self, g_per_l: f64, liquid_c: f64) -> Option<f64> {
        let all = MassConcentration::from_grams_per_litre(g_per_l).ok()?;
        let eaten = Share::from_one(OXYGEN_EATEN).ok()?;
        let there = self.bottle.at_all_co2(all, celsius(liquid_c), eaten).ok()?;
        Some(there.pressure.bar())
    }
}

fn celsius(value: f64) -> Temperature {
    Temperature::from_celsius(value).expect("a temperature of a kitchen")
}

fn bar(value: f64) -> AbsolutePressure {
    AbsolutePressure::from_bar(value).expect("a pressure of the air")
}

fn moment_at(played: &Played, at_h: f64) -> Option<&Moment> {
    let sealed = played.scenario.bottled_at;
    let moments = &played.truth.moments;
    moments.get(moments.partition_point(|moment| hours(sealed, moment.at) < at_h))
}

/// True pressure of the sensor vessel.
fn bar_at(played: &Played, at_h: f64) -> Option<f64> {
    Some(moment_at(played, at_h)?.pilot_bar)
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
        if *fault == Fault::NeverTight {
            let reach: Vec<(f64, &Found)> = plays
                .iter()
                .filter_map(|(_, play)| Some((play.target_h?, play)))
                .collect();
            let by = |late_h: f64| {
                let told = |play: &Found, by_h: f64| play.raised_h.is_some_and(|raised_h| raised_h <= by_h);
                Count::of(&reach, |(target_h, play)| told(play, target_h + late_h))
            };
            report.line(&format!(
                "\nOf the pilots that were never tight, {} were told before the other bottles reached the target, {} within a day after.",
                by(0.0),
                by(24.0)
            ));
        }
        kept.insert(
            fault.name().to_owned(),
            serde_json::json!({"found": found, "falsely": falsely, "delay_median_h": median, "delay_p90_h": p90}),
        );
    }
    report.keep("faults", kept);
}
