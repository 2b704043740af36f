//! What alerts say to a person: what, since when, what to do, and the caution.
//!
//! Pressures above the air and temperatures in the user's units, contents in volumes, times in the user's zone with
//! weekday. The pressure texts are those of the project's cautions: nobody is ever told to approach a bottle that may be
//! at its limit.

use jiff::{SignedDuration, Timestamp, ZonedDateTime, tz::TimeZone};

use super::amount::Units;
use crate::{
    batch::Batch,
    engine::{Choice, Gap, Moment},
    forecast::{Forecast, NeverTight, Odd, Outlook, When},
    quantity::{GaugePressure, Temperature},
    reading::{Measured, Quantity, Source},
};

/// Where and when a sentence is said.
#[derive(Clone, Copy, Debug)]
pub struct Speaker<'a> {
    /// The batch.
    pub batch: &'a Batch,
    /// The user's zone.
    pub zone: &'a TimeZone,
    /// The user's units.
    pub units: Units,
}

/// Why `over_limit` was raised.
#[derive(Clone, Debug, PartialEq)]
pub enum AtLimit<'a> {
    /// A gauge read it.
    Gauge {
        /// Which.
        source: &'a Source,
        /// What it read.
        reading: GaugePressure,
        /// When.
        at: Timestamp,
    },
    /// The 95 % estimate of the worst bottle.
    Estimate {
        /// As it was reckoned.
        outlook: &'a Outlook,
        /// When: a latched alert is read long after.
        at: Timestamp,
    },
}

/// Why a sensor is not believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Doubt {
    /// The value stands still while the drink cannot.
    Stuck,
    /// It creeps away from what can be.
    Creeping,
    /// It leaps back and forth.
    Jumping,
    /// It shows what cannot be.
    Impossible,
    /// Its times lie more than a day ahead of the clock.
    Clock,
    /// Several sources send the quantity and none is chosen.
    SeveralSources,
}

/// The local time with weekday and zone: "Thu 5 Mar 15:20 CET".
#[must_use]
pub fn local(at: Timestamp, zone: &TimeZone) -> String {
    let zoned = at.to_zoned_datetime(zone.clone());
    format!("{} {}", zoned.strftime("%a %-d %b %H:%M"), zone_of(&zoned))
}

/// What the zone is called at that time: "CET", or "UTC-03" where its name in the time zone database is but a number, which behind an
/// hour would read like the end of a stretch.
#[must_use]
pub fn zone_of(zoned: &ZonedDateTime) -> String {
    let name = zoned.strftime("%Z").to_string();
    if name.starts_with(['+', '-']) {
        format!("UTC{name}")
    } else {
        name
    }
}

/// "40 minutes", "6 hours", "3 days".
#[must_use]
pub fn span(duration: SignedDuration) -> String {
    let minutes = (duration.as_secs().abs() + 30) / 60;
    let (count, unit) = match minutes {
        0..=90 => (minutes, "minute"),
        91..=2_880 => ((minutes + 30) / 60, "hour"),
        _ => ((minutes + 720) / 1_440, "day"),
    };
    format!("{count} {unit}{}", if count == 1 { "" } else { "s" })
}

/// What is measured, in a person's words.
#[must_use]
pub fn quantity(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Pressure => "gauge pressure",
        Quantity::AbsolutePressure => "absolute pressure",
        Quantity::AmbientPressure => "air pressure",
        Quantity::LiquidTemperature => "drink temperature",
        Quantity::RoomTemperature => "room temperature",
        Quantity::Gravity => "gravity",
    }
}

/// Beside a chance below this, what is not ruled out is told as well.
const SMALL_CHANCE: f64 = 0.10;

const KEEP_OUT: &str = "Keep people and animals out of the room. Do not touch, open, move, cover or go to look. \
                        If you can cool the room from outside it, do. Stay out even if the gauge falls.";

const CARRY: &str = "Carrying is when bottles burst: move the crate, wear eye protection. \
                     Letting gas off lowers the pressure for hours only.";

impl Speaker<'_> {
    fn name(&self) -> &str {
        self.batch.name.as_str()
    }

    /// The same at the start of a sentence.
    fn subject(&self) -> String {
        self.batch.name.at_the_start()
    }

    fn limit(&self) -> String {
        self.units.pressure(self.batch.bottle.pressure_limit)
    }

    fn local(&self, at: Timestamp) -> String {
        local(at, self.zone)
    }

    fn when(&self, when: Option<Timestamp>) -> String {
        when.map_or_else(|| "not within 60 days".to_owned(), |at| self.local(at))
    }

    /// "between Thu ... and Fri ..., most likely Thu ...".
    #[must_use]
    pub fn interval(&self, when: &When) -> String {
        format!(
            "most likely {}, between {} and {}",
            self.when(when.p50),
            self.when(when.p05),
            self.when(when.p95)
        )
    }

    /// `fridge_soon`.
    #[must_use]
    pub fn fridge_soon(&self, forecast: &Forecast) -> String {
        let when = forecast
            .move_at
            .as_ref()
            .map_or_else(|| "soon".to_owned(), |w| self.interval(w));
        format!(
            "{} wants the fridge soon: {when}. Moved then, it ends at {:.2} volumes. Make room in the fridge.",
            self.subject(),
            self.batch.target.co2.volumes()
        )
    }

    /// `fridge_soon` ended without a move; `None`: no move is expected.
    #[must_use]
    pub fn fridge_later(&self, forecast: Option<&Forecast>) -> String {
        match forecast.and_then(|forecast| forecast.move_at.as_ref()) {
            Some(when) => format!(
                "{}: the move is further away again, {}.",
                self.name(),
                self.interval(when)
            ),
            None => format!(
                "{}: it is no longer expected to come due for the fridge within 60 days.",
                self.name()
            ),
        }
    }

    /// `move_to_fridge`.
    #[must_use]
    pub fn move_to_fridge(&self, outlook: &Outlook) -> String {
        let after = &outlook.after_move_now;
        format!(
            "Move {} to the fridge now: 72 hours later it will hold about {:.2} volumes ({:.2} to {:.2}), your target \
             is {:.2}. The fullest bottle is at about {} of your limit of {}. {CARRY}",
            self.name(),
            after.p50.volumes(),
            after.p05.volumes(),
            after.p95.volumes(),
            self.batch.target.co2.volumes(),
            self.units.pressure(outlook.worst_bottle_now.p50),
            self.limit(),
        )
    }

    /// What the moments before and after the night or the time away would give; behind the sentence of an advice to move.
    #[must_use]
    pub(crate) fn moments(&self, choice: &Choice) -> String {
        let what = |moment: Moment, word: &str| match moment.ends {
            Some(ends) => format!(
                "{word} {} it ends at about {ends:.2} volumes",
                self.local(moment.at)
            ),
            None => format!(
                "{word} {} may be too late: do not wait so long",
                self.local(moment.at)
            ),
        };
        let why = match choice.gap {
            Gap::Night => "With your waking hours",
            Gap::Away => "With your time away",
        };
        format!(
            "{why}: {}; {}.",
            what(choice.early, "moved"),
            what(choice.late, "moved")
        )
    }

    /// `move_to_fridge` is withdrawn: nobody may carry these bottles.
    #[must_use]
    pub fn move_withdrawn(&self) -> String {
        format!(
            "The advice to move {} is withdrawn: it may be at your limit of {}. {KEEP_OUT}",
            self.name(),
            self.limit()
        )
    }

    /// `move_to_fridge` is withdrawn after a sudden loss of pressure.
    #[must_use]
    pub fn move_withdrawn_after_loss(&self) -> String {
        format!(
            "The advice to move {} is withdrawn: a bottle may have burst or a stopper lifted. The others still hold pressure. \
             Stay out.",
            self.name()
        )
    }

    /// `limit_near`. `carry`: the worst bottle is far enough below its limit that the crate may be moved.
    #[must_use]
    pub fn limit_near(&self, forecast: &Forecast, outlook: &Outlook, gauge: Hearing, carry: Carry) -> String {
        let (chance, at_most) = (outlook.limit_within_24h, outlook.limit_not_ruled_out);
        let not_ruled_out = if gauge == Hearing::Nothing && chance.share() < SMALL_CHANCE && at_most > chance
        {
            format!(", and {:.0} % is not ruled out", at_most.share() * 100.0)
        } else {
            String::new()
        };
        let mut text = format!(
            "The fullest bottle of {} may pass your limit of {} within 24 hours: the chance is {:.0} %{not_ruled_out}. It is at \
             about {} and may reach {}.",
            self.name(),
            self.limit(),
            chance.share() * 100.0,
            self.units.pressure(outlook.worst_bottle_now.p50),
            self.units.pressure(outlook.worst_bottle_24h.p95),
        );
        self.add_limit_advice(&mut text, forecast, gauge, carry);
        text
    }

    /// `limit_near` of a batch whose target lies above its limit. `in_the_fridge`: where the fullest bottle stands with the
    /// target in it even there, if that is above the limit, too.
    #[must_use]
    pub fn target_above_limit(
        &self,
        in_the_fridge: Option<GaugePressure>,
        forecast: &Forecast,
        outlook: &Outlook,
        gauge: Hearing,
        carry: Carry,
    ) -> String {
        let (name, limit) = (self.name(), self.limit());
        let target = self.batch.target.co2.volumes();
        let why = match in_the_fridge {
            Some(there) => format!(
                "with {target:.2} volumes the fullest bottle is at {} even in the fridge at {}, and your limit is {limit}",
                self.units.pressure(there),
                self.units.temperature(self.batch.target.fridge),
            ),
            None => format!(
                "in the room the fullest bottle passes your limit of {limit} before the move that would end at {target:.2} \
                 volumes is due"
            ),
        };
        let mut text = format!(
            "The target of {name} lies above its limit: {why}. It is at about {} now.",
            self.units.pressure(outlook.worst_bottle_now.p50),
        );
        self.add_limit_advice(&mut text, forecast, gauge, carry);
        text.push_str(" Do not wait for the target.");
        text
    }

    fn add_limit_advice(&self, text: &mut String, forecast: &Forecast, gauge: Hearing, carry: Carry) {
        if let Some(when) = &forecast.limit_at {
            text.push_str(&format!(" It passes the limit {}.", self.interval(when)));
        }
        if gauge == Hearing::Nothing {
            text.push_str(
                " No trustworthy gauge is heard: this is reckoned without one, and nobody can vouch for the pressure.",
            );
        }
        match carry {
            Carry::May => text.push_str(&format!(" Move the bottles to the fridge before that. {CARRY}")),
            Carry::MustNot => text.push_str(&format!(" Danger. {KEEP_OUT}")),
            Carry::GivenAway => text.push_str(
                " They were given away: tell whoever has them to put them into a fridge before that, or to stay away from them after \
                 it.",
            ),
        }
    }

    /// Behind a warning of pressure: bottles that stand elsewhere are no safer.
    #[must_use]
    pub(crate) fn warn_of_those_given_away(&self, count: u32) -> String {
        match count {
            1 => " 1 bottle was given away: warn whoever has it.".to_owned(),
            more => format!(" {more} bottles were given away: warn whoever has them."),
        }
    }

    /// What is to be known of bottles that were given away. `limit_at`: when the worst of them may pass the limit, as of `now`.
    #[must_use]
    pub(crate) fn given_away(&self, count: u32, limit_at: Option<Timestamp>, now: Timestamp) -> String {
        let (were, them) = match count {
            1 => ("bottle was", "it"),
            _ => ("bottles were", "them"),
        };
        let limit = match limit_at {
            None => String::new(),
            Some(at) if at <= now => format!(" and may have passed your limit of {}", self.limit()),
            Some(at) => format!(
                " and may pass your limit of {} from {}",
                self.limit(),
                self.local(at)
            ),
        };
        format!(
            "{count} {were} given away, still closed: tell whoever has {them} to keep {them} in a fridge, since warm the culture goes on\
             {limit}."
        )
    }

    /// `over_limit`.
    #[must_use]
    pub fn over_limit(&self, why: &AtLimit<'_>) -> String {
        let reason = match why {
            AtLimit::Gauge { source, reading, at } => {
                format!(
                    "The gauge {source} read {} on {}.",
                    self.units.pressure(*reading),
                    self.local(*at)
                )
            }
            AtLimit::Estimate { outlook, at } => format!(
                "As of {} the fullest bottle is estimated at {}, and may be at {}.",
                self.local(*at),
                self.units.pressure(outlook.worst_bottle_now.p50),
                self.units.pressure(outlook.worst_bottle_now.p95)
            ),
        };
        format!(
            "Danger. {} may be at your limit of {}. {KEEP_OUT} {reason}",
            self.subject(),
            self.limit()
        )
    }

    /// What stands now of bottles whose `over_limit` is latched, or not judged over yet.
    #[must_use]
    pub fn below_the_limit_since(
        &self,
        outlook: &Outlook,
        at: Timestamp,
        again: Option<Timestamp>,
    ) -> String {
        let mut said = format!(
            "Since then it was reckoned anew: as of {} it is estimated at {}, and may be at {}.",
            self.local(at),
            self.units.pressure(outlook.worst_bottle_now.p50),
            self.units.pressure(outlook.worst_bottle_now.p95)
        );
        if let Some(again) = again {
            said.push_str(&format!(
                " If what is reckoned at {} agrees, the alert can be cleared, with a reason.",
                self.local(again)
            ));
        }
        said
    }

    /// `sudden_loss`.
    #[must_use]
    pub fn sudden_loss(&self, from: GaugePressure, at: Timestamp) -> String {
        format!(
            "Danger. {}: pressure fell from {} on {} and nobody noted an opening. A bottle may have burst or a stopper \
             lifted. The others still hold pressure. Stay out.",
            self.name(),
            self.units.pressure(from),
            self.local(at)
        )
    }

    /// `sensor_silent` of all quantities of `source` that are not heard, and when one of them was last.
    #[must_use]
    pub fn sensor_silent(&self, source: &Source, silent: &[Quantity], last: Option<Timestamp>) -> String {
        let since = last.map_or_else(
            || {
                format!(
                    "since {} was sealed on {}",
                    self.name(),
                    self.local(self.batch.bottled_at)
                )
            },
            |at| format!("since {}", self.local(at)),
        );
        let lost: Vec<&str> = silent.iter().map(|what| lost(*what)).collect();
        format!(
            "{}: nothing heard of {} from {source} {since}. {} Look at the sensor and its wiring.",
            self.name(),
            listed(silent),
            lost.join(" ")
        )
    }

    /// The silence of one quantity is told with that of `first`, of the same source.
    #[must_use]
    pub(crate) fn silent_with(&self, sensor: (&Source, Quantity), first: Quantity) -> String {
        let (source, what) = sensor;
        format!(
            "{}: nothing is heard of {} from {source} either; it is told together with the {}.",
            self.name(),
            quantity(what),
            quantity(first)
        )
    }

    /// `sensor_suspect`.
    #[must_use]
    pub fn sensor_suspect(
        &self,
        sensor: (&Source, Quantity),
        doubt: Doubt,
        since: Timestamp,
        shown: Option<&Measured>,
    ) -> String {
        let (source, what) = sensor;
        let shown = shown.map_or_else(String::new, |m| format!(" at {}", self.units.measured(m)));
        let since = self.local(since);
        let what_is_wrong = match doubt {
            Doubt::Stuck => format!("has stood still{shown} since {since} while the drink goes on"),
            Doubt::Creeping => {
                format!("has crept away{shown} since {since} from what drink and temperature allow")
            }
            Doubt::Jumping => format!("leaps back and forth since {since}"),
            Doubt::Impossible => format!("shows what cannot be{shown} since {since}"),
            Doubt::Clock => format!("sends times more than 24 hours ahead of the clock since {since}"),
            Doubt::SeveralSources => {
                "is one of several sources and none is chosen: name one under [sensors] in the batch file"
                    .to_owned()
            }
        };
        format!(
            "{}: {} from {source} {what_is_wrong}. {} Look at the sensor and its wiring.",
            self.name(),
            quantity(what),
            lost(what)
        )
    }

    /// `leak_suspected`.
    #[must_use]
    pub fn leak_suspected(&self, from: Timestamp) -> String {
        format!(
            "{}: since about {} the bottle with the gauge has lost CO2 that temperature does not explain: a leak is suspected. \
             The other bottles go on as before: what the gauge shows since then does not lower their estimate, nobody can vouch \
             for their pressure, and warnings come early. Treat all bottles as live; look at the gauge's cap and seal. A gauge that \
             reads lower from hour to hour looks the same: hold another beside it.",
            self.name(),
            self.local(from)
        )
    }

    /// `leak_suspected`, of a bottle that was never tight.
    #[must_use]
    pub fn never_tight(&self, found: &NeverTight) -> String {
        let times = found.spread.exp();
        let held = found.co2.volumes();
        format!(
            "{}: the bottle with the gauge may never have been tight: since the sealing its pressure runs as in one that loses gas \
             all the time, and not as a culture's does. The others then hold more than the gauge shows, about {held:.1} volumes ({:.1} \
             to {:.1} as likely as not). Nobody can vouch for their pressure, and warnings come early. Treat all bottles as live; \
             look at the gauge's cap and seal. A gauge that reads lower from hour to hour and a culture that has given up look much \
             the same: hold another gauge beside it.",
            self.name(),
            held / times.powf(0.67),
            held * times.powf(0.67),
        )
    }

    /// `stalled`. `by`: which sensor tells; `never_began`: it has made next to nothing since it was sealed.
    #[must_use]
    pub fn stalled(&self, forecast: &Forecast, by: &str, never_began: bool) -> String {
        let what = if never_began {
            "fermentation never began: next to nothing was made since the bottles were sealed"
        } else {
            "fermentation has stopped short of the target"
        };
        format!(
            "{}: {what}. The {by} shows no gain for 36 hours; it holds about {:.2} volumes, your target is {:.2}. Sugar is left, \
             so it can start again, and a leak would look the same. Treat the bottles as live.",
            self.name(),
            forecast.co2.p50.volumes(),
            self.batch.target.co2.volumes()
        )
    }

    /// `outside_temperature`.
    #[must_use]
    pub fn outside_temperature(&self, shown: Temperature, allowed: [Temperature; 2]) -> String {
        let [low, high] = allowed.map(|t| self.units.temperature(t));
        let what = if shown < allowed[0] {
            format!("below {low}: the culture nearly rests, and goes on when it is warmer")
        } else {
            format!(
                "above {high}: the pressure rises fast, and the culture suffers. Keep the bottles out of the sun"
            )
        };
        format!(
            "{} stands at {}, for an hour {what}.",
            self.subject(),
            self.units.temperature(shown)
        )
    }

    /// `rising_in_fridge`: volumes a day.
    #[must_use]
    pub fn rising_in_fridge(&self, per_day: f64, outlook: &Outlook) -> String {
        format!(
            "{} is in the fridge and still gains about {per_day:.2} volumes a day. The fullest bottle is at about {} of your limit \
             of {}. The fridge slows the culture, it does not stop it: see that it is cold enough, and drink these bottles first.",
            self.subject(),
            self.units.pressure(outlook.worst_bottle_now.p50),
            self.limit()
        )
    }

    /// A question about an entry that the readings speak against.
    #[must_use]
    pub fn question(&self, odd: Odd) -> String {
        let name = self.name();
        match odd {
            Odd::Sugar => format!(
                "{} has made more CO2 than its sugar can give: is the sugar in the batch file right, and nothing sweet left out?",
                self.subject()
            ),
            Odd::Fill => format!(
                "The gas space of the bottle with the gauge is not the one of {name}'s batch file: are capacity_ml, fill_ml and \
                 dead_volume_ml right?"
            ),
            Odd::Altitude => format!(
                "The air around {name} is not that of the altitude entered: is [place] altitude_m right, and does the barometer show the \
                 pressure of the place and not that of the sea's level?"
            ),
        }
    }

    /// A sensor is well again.
    #[must_use]
    pub fn sensor_well(&self, sensor: (&Source, Quantity)) -> String {
        let (source, what) = sensor;
        format!("{}: {} from {source} is back.", self.name(), quantity(what))
    }

    /// An alert of the forecast ended.
    #[must_use]
    pub fn over(&self, what: &str) -> String {
        format!("{}: {what}", self.name())
    }
}

/// Whether a gauge can be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hearing {
    /// A trustworthy gauge is heard.
    Gauge,
    /// None is.
    Nothing,
}

/// Whether the crate may be carried.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carry {
    /// The worst bottle is well below its limit.
    May,
    /// It may be at its limit.
    MustNot,
    /// None is left here: they were given away.
    GivenAway,
}

/// "gauge pressure, drink temperature and gravity".
fn listed(quantities: &[Quantity]) -> String {
    let words: Vec<&str> = quantities.iter().map(|what| quantity(*what)).collect();
    match words.split_last() {
        Some((last, [])) => (*last).to_owned(),
        Some((last, before)) => format!("{} and {last}", before.join(", ")),
        None => String::new(),
    }
}

/// What is not known without the sensor.
fn lost(what: Quantity) -> &'static str {
    match what {
        Quantity::Pressure | Quantity::AbsolutePressure => {
            "Without it nobody can vouch for the pressure: it is reckoned on from what was known, and warnings come early."
        }
        Quantity::AmbientPressure => "Without it the usual air pressure of the place is used.",
        Quantity::LiquidTemperature => {
            "Without it the temperature of the room stands for the drink, and a move is not seen by itself."
        }
        Quantity::RoomTemperature => "Without it the days ahead are less certain.",
        Quantity::Gravity => "Without it the sugar that is left is less certain.",
    }
}
