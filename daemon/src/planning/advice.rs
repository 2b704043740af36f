//! What a forecast without readings advises: never silent on bursting, alcohol and the limit.

use fobwatch_core::{
    batch::{Batch, MOST_PH},
    forecast::{Forecast, When},
    reading::Quantity,
};
use jiff::Timestamp;

use super::about;
use crate::{config::Display, wording::Units};

/// Lines that laws draw, % by volume: 26 USC 5052; Regulation (EU) No 1169/2011, article 9(1)(k).
const LINES: [(f64, &str); 2] = [(0.5, "0.5 %"), (1.2, "1.2 %")];

/// On the day of the move.
pub(super) fn day(batch: &Batch, forecast: &Forecast, display: &Display) -> String {
    Adviser::new(batch, forecast, display).target()
}

/// On bottles that are forgotten, and the limit.
pub(super) fn forgotten(batch: &Batch, forecast: &Forecast, display: &Display) -> Vec<String> {
    let adviser = Adviser::new(batch, forecast, display);
    let mut said = vec![adviser.forgotten(), adviser.limit()];
    said.extend(adviser.target_beyond_limit());
    said
}

/// What must be known before anything is filled.
pub(super) fn careful(batch: &Batch, forecast: &Forecast, display: &Display) -> Vec<String> {
    vec![
        "Bottles can burst: use only bottles made for fizzy drinks whose maker states a pressure, keep them in a lidded crate, \
         and never fit a gauge to glass."
            .to_owned(),
        Adviser::new(batch, forecast, display).alcohol(),
        acid(batch),
    ]
}

fn acid(batch: &Batch) -> String {
    match batch.drink.ph {
        Some(ph) if ph > MOST_PH => format!(
            "You measured a pH of {ph}: published guidance for such drinks asks for {MOST_PH} or less at filling. Do not seal it so."
        ),
        _ => format!(
            "Before sealing, measure the pH: published guidance for such drinks asks for {MOST_PH} or less at filling."
        ),
    }
}

struct Adviser<'a> {
    batch: &'a Batch,
    forecast: &'a Forecast,
    display: &'a Display,
    units: Units,
}

impl<'a> Adviser<'a> {
    fn new(batch: &'a Batch, forecast: &'a Forecast, display: &'a Display) -> Self {
        Self {
            batch,
            forecast,
            display,
            units: Units::from(display),
        }
    }

    fn time(&self, at: Timestamp) -> String {
        about(at, &self.display.zone)
    }

    fn late(&self, at: Option<Timestamp>) -> String {
        at.map_or_else(
            || "more than 60 days after sealing".to_owned(),
            |at| self.time(at),
        )
    }

    fn wish(&self) -> String {
        format!("{:.2} volumes", self.batch.target.co2.volumes())
    }

    /// When to move the bottles, or that there will be nothing to move them for.
    fn target(&self) -> String {
        let wish = self.wish();
        let sugar = "One volume takes about 4 g/L of sugar that the culture can use; a warmer place or more culture only makes it \
                     quicker.";
        let Some(target) = self.forecast.target_at else {
            return format!(
                "Your target of {wish} is not reached within 60 days, not even by a lively culture: the fizz will stay below it. \
                 {sugar}"
            );
        };
        let when = self.forecast.move_at.unwrap_or(target);
        let Some(best) = when.p50.filter(|_| target.p50.is_some()) else {
            let early = target.p05.or(when.p05);
            let early = early.map_or_else(String::new, |at| {
                format!(" A lively culture may reach it from {} on.", self.time(at))
            });
            return format!(
                "Your target of {wish} is more likely than not missed within 60 days.{early} {sugar}"
            );
        };
        if best <= self.batch.bottled_at {
            return format!(
                "Your target of {wish} is reached as it is sealed: the bottles belong in the fridge at once."
            );
        }
        format!(
            "Move the bottles to the fridge about {}; nine times in ten that is right between {} and {}. Your target of {wish} is \
             reached about {} if they stay. Go by a gauge on a plastic pilot, not by the day: it narrows this.",
            self.time(best),
            self.early(&when),
            self.late(when.p95),
            self.late(target.p50),
        )
    }

    fn early(&self, when: &When) -> String {
        match when.p05 {
            Some(at) if at <= self.batch.bottled_at => "sealing".to_owned(),
            at => self.late(at),
        }
    }

    fn forgotten(&self) -> String {
        let end = &self.forecast.if_forgotten;
        format!(
            "Forgotten for 60 days the fullest bottle reaches about {}, at worst {}; your limit is {}. That is the highest on the way, and \
             the worst counts that all sugar may be used; the table tells how it stands day by day.",
            self.units.pressure(end.pressure.p50),
            self.units.at_most(end.pressure.p95),
            self.units.limit(self.batch.bottle.pressure_limit),
        )
    }

    /// Whether the limit is passed, and from when on.
    fn limit(&self) -> String {
        let limit = self.units.limit(self.batch.bottle.pressure_limit);
        let Some(passed) = self.forecast.limit_at else {
            return format!(
                "Your limit of {limit} is not expected to be passed within 60 days. That is an estimate: treat the bottles as \
                 live all the same."
            );
        };
        let likely = match passed.p50 {
            Some(at) => format!("most likely about {}", self.time(at)),
            None => "though more likely not within 60 days".to_owned(),
        };
        format!(
            "Danger if they are forgotten: your limit of {limit} may be passed from {} on, {likely}. Less sugar or stronger \
             bottles would help; letting gas off does so for hours only.",
            self.early(&passed)
        )
    }

    /// The target itself is at the limit, or a lively culture gets there before the likeliest day.
    fn target_beyond_limit(&self) -> Option<String> {
        let passed = self.forecast.limit_at?;
        let target = self.forecast.target_at.and_then(|when| when.p50);
        let moved = self.forecast.move_at.and_then(|when| when.p50);
        let limit = self.units.limit(self.batch.bottle.pressure_limit);
        if passed
            .p50
            .is_some_and(|passed| target.is_none_or(|target| passed <= target))
        {
            Some(format!(
                "With these bottles your target of {} is not safe: at room temperature your limit of {limit} is passed before it \
                 is reached. Choose a smaller target or bottles that bear more.",
                self.wish()
            ))
        } else if passed
            .p05
            .is_some_and(|passed| moved.is_none_or(|moved| passed <= moved))
        {
            Some(self.without_a_gauge(&passed, moved).unwrap_or_else(||
                "A lively culture may pass your limit before the likeliest day of the move: watch the gauge from the first day on."
                    .to_owned(),
            ))
        } else {
            None
        }
    }

    /// By when the alarm comes of what nobody measures; `None`: a gauge is named.
    fn without_a_gauge(&self, passed: &When, moved: Option<Timestamp>) -> Option<String> {
        let named = [Quantity::Pressure, Quantity::AbsolutePressure]
            .map(|quantity| self.batch.sensors.get(&quantity));
        let any = named.iter().flatten().any(|source| !source.is_nobody());
        // A pilot is there for its gauge, under whatever name that speaks.
        let refused = named.iter().flatten().any(|source| source.is_nobody());
        if any || (self.batch.pilot.is_some() && !refused) {
            return None;
        }
        let alarm = match passed.p05 {
            Some(at) if at > self.batch.bottled_at => format!("about {}", self.time(at)),
            _ => "at the sealing".to_owned(),
        };
        let right = moved.map_or_else(
            || "and the drink may not be right within 60 days".to_owned(),
            |moved| {
                format!(
                    "before the drink is right, most likely about {}",
                    self.time(moved)
                )
            },
        );
        Some(format!(
            "Without a gauge the alarm of your limit will come {alarm}, {right}: nobody can tell a lively culture from a sleepy one by the day. By \
             then note what a hydrometer shows in a sample, or how an opened bottle truly was; after it nobody goes near them."
        ))
    }

    fn alcohol(&self) -> String {
        let alcohol = &self.forecast.if_forgotten.alcohol;
        let lines: Vec<&str> = LINES
            .into_iter()
            .filter(|(line, _)| alcohol.p95.percent() >= *line)
            .map(|(_, name)| name)
            .collect();
        let passes = if lines.is_empty() {
            String::new()
        } else {
            format!(" It may pass {}, where laws draw lines.", lines.join(" and "))
        };
        format!(
            "This drink holds alcohol, about a quarter of a percent by volume for each volume of CO2 that the culture makes, and \
             forgotten about {:.1} %, at worst {:.1} %: not for children, in pregnancy, with some medicines or before \
             driving.{passes} The figure is an estimate, no test; local codes decide.",
            alcohol.p50.percent(),
            alcohol.p95.percent()
        )
    }
}
