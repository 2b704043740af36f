//! What is said of a batch that was chilled too early, or went too far. Nobody is ever told to go to, vent or carry bottles that may be at
//! their limit.

use fobwatch_core::{
    engine::{Back, Monitor, Plight, Rescue},
    plan::Planner,
    quantity::{AbsolutePressure, Temperature},
};
use jiff::{SignedDuration, tz::TimeZone};

use super::ToldBack;
use crate::{
    legal,
    planning::about,
    wording::{GONE_TOO_FAR, KEEP_OUT, Units, local},
};

/// With how warm a room is reckoned where the batch file expects none; for the air that was shut in alone.
const USUAL_ROOM_C: f64 = 21.0;

/// Time in which half a litre follows its room, h, and how near is warm, K: see the fit's climate.
const FOLLOWS_H: f64 = 2.0;
const NEAR_K: f64 = 1.0;

/// Hours at fridge temperature before a bottle that went too far may be opened (common practice, no source): as the engine counts.
const COLD: SignedDuration = SignedDuration::from_hours(24);

/// Who tells of one batch.
pub(super) struct Teller<'a> {
    pub(super) monitor: &'a Monitor,
    pub(super) rescue: &'a Rescue,
    pub(super) units: Units,
    pub(super) zone: &'a TimeZone,
    pub(super) ambient: AbsolutePressure,
}

impl Teller<'_> {
    pub(super) fn advice(&self, back: Option<&ToldBack>) -> Vec<String> {
        let mut said = self.sentences(back);
        if let (Plight::Danger, Some(from)) = (self.rescue.plight, self.monitor.counts_from()) {
            said.push(format!(
                "The alert is judged anew at {}: what was told or came in since it was judged last counts from then on.",
                local(from, self.zone)
            ));
        }
        said
    }

    fn sentences(&self, back: Option<&ToldBack>) -> Vec<String> {
        let batch = self.monitor.batch();
        let (name, subject) = (&batch.name, batch.name.at_the_start());
        let target = batch.target.co2.volumes();
        let limit = self.units.limit(batch.bottle.pressure_limit);
        let now = &self.rescue.co2;
        let holds = format!(
            "{subject} holds about {:.2} volumes (nine times in ten {:.2} to {:.2}); you want {target:.2}.",
            now.p50.volumes(),
            now.p05.volumes(),
            now.p95.volumes()
        );
        match self.rescue.plight {
            Plight::Danger if self.rescue.by_doubt => vec![
                format!("Danger. {subject} may be at your limit of {limit}. {KEEP_OUT}"),
                format!(
                    "That is because little is known of it, not because it was read: the fullest bottle is at about {}, at worst {}. {holds}",
                    self.units.pressure(self.rescue.worst_bottle.p50),
                    self.units.at_most(self.rescue.worst_bottle.p95),
                ),
                format!(
                    "What was seen of it before may narrow that: a gravity that was measured, a bottle that was opened. Tell it, on its page or with \
                     `fobwatch note {}`; do nothing for it, and stay out until the alert is over. Letting gas off lowers the pressure for hours only: it \
                     is no rescue.",
                    crate::wording::quoted(name.as_str())
                ),
            ],
            Plight::Danger => vec![
                format!("Danger. {subject} may be at your limit of {limit}. {KEEP_OUT}"),
                "Letting gas off lowers the pressure for hours only: it is no rescue. Nothing is to be saved of such a batch by hand."
                    .to_owned(),
            ],
            Plight::TooFarAndWarm => [
                holds,
                format!(
                    "It went too far, and is warm; the fullest bottle is at about {}, at worst {}, of your {limit}. Move the crate to the \
                     fridge now, with eye protection: carrying is when bottles burst. Leave it there for a day before anything is opened.",
                    self.units.pressure(self.rescue.worst_bottle.p50),
                    self.units.at_most(self.rescue.worst_bottle.p95),
                ),
                "Letting gas off lowers the pressure for hours only: it is no rescue.".to_owned(),
            ]
            .into_iter()
            .chain(self.alcohol_said())
            .collect(),
            Plight::TooFar { cold_through } => {
                let mut said = vec![
                    holds,
                    "It went too far, but it is cold. It cannot be made to hold less by waiting; the fridge only slows it.".to_owned(),
                    self.pressure_now(&limit),
                    self.cold_for(cold_through),
                ];
                said.push(format!("To open one: {GONE_TOO_FAR}"));
                if self.rescue.was_at_limit {
                    said.push(
                        "It may have been at your limit while it was warm. A bottle that was is weaker than before: open these with all the \
                         more care, keep them cold until then, and do not fill them again."
                            .to_owned(),
                    );
                }
                said.extend(self.alcohol_said());
                said
            }
            Plight::Right if now.p50.volumes() > target + 0.2 => [
                holds,
                "That is a little livelier than you wanted it. Open it cold, slowly, and over the sink: there is nothing else to do.".to_owned(),
            ]
            .into_iter()
            .chain(self.alcohol_said())
            .collect(),
            Plight::Right => vec![holds, "That is as you wanted it: there is nothing to rescue.".to_owned()],
            Plight::OnItsWay => vec![
                holds,
                "It stands in the room and is on its way: leave it there. `fobwatch status` tells when to move it.".to_owned(),
            ],
            Plight::ChilledTooEarly => {
                let mut said = vec![holds];
                match (&self.rescue.back, back) {
                    (Some(back), Some(told)) => said.extend(self.chilled_too_early(back, told, &limit)),
                    _ => said.push("What would come of it in the room cannot be reckoned from its batch file.".to_owned()),
                }
                said
            }
        }
    }

    fn pressure_now(&self, limit: &str) -> String {
        let worst = &self.rescue.worst_bottle;
        format!(
            "The fullest bottle is at about {} there, one in twenty above {}; your limit is {limit}. Warm it would be at far more: keep them \
             cold.",
            self.units.pressure(worst.p50),
            self.units.at_most(worst.p95),
        )
    }

    /// Whether they have been cold for long enough to be opened with all care.
    fn cold_for(&self, cold_through: bool) -> String {
        let since = self.rescue.chilled_since;
        match (since, cold_through) {
            (Some(since), true) => format!(
                "They have been cold for {}, since {}: a bottle may be opened with all care.",
                span(self.rescue.at.duration_since(since)),
                local(since, self.zone)
            ),
            (Some(since), false) => {
                let from = since.checked_add(COLD).ok().filter(|from| *from > self.rescue.at);
                from.map_or_else(
                    || {
                        format!(
                            "They are noted as cold since {}, but no sensor has shown it yet. Open none before they have surely been at fridge \
                             temperature for at least 24 hours.",
                            local(since, self.zone)
                        )
                    },
                    |from| {
                        format!(
                            "They went to the fridge on {}. Open none before {}: they have to be at fridge temperature for at least 24 hours.",
                            local(since, self.zone),
                            local(from, self.zone)
                        )
                    },
                )
            }
            (None, _) => "Open none before it was at fridge temperature for at least 24 hours.".to_owned(),
        }
    }

    /// `None`: its batch file cannot be reckoned with.
    pub(super) fn planner(&self) -> Option<Planner<'_>> {
        let batch = self.monitor.batch();
        let usual = Temperature::from_celsius(USUAL_ROOM_C).ok();
        Some(Planner::new(batch, self.ambient, batch.expected_room.or(usual)?))
    }

    /// Low, middle and high end, % by volume; `None`: its batch file cannot be reckoned with.
    pub(super) fn alcohol(&self) -> Option<[f64; 3]> {
        let planner = self.planner()?;
        let co2 = &self.rescue.co2;
        let percent = |co2| Some(planner.alcohol_at(co2).ok()?.percent());
        Some([percent(co2.p05)?, percent(co2.p50)?, percent(co2.p95)?])
    }

    fn alcohol_said(&self) -> Option<String> {
        let of = self.alcohol()?;
        let [low, middle, high] = of;
        let lines = legal::lines(of).map_or_else(String::new, |line| format!(" {line}"));
        Some(format!(
            "It holds alcohol: about {middle:.1} % by volume (nine times in ten {low:.1} to {high:.1}), and more the longer it stands.{lines} \
             Not for children, in pregnancy, with some medicines, before driving, or for those who abstain. The figure is an estimate, no \
             test."
        ))
    }

    fn chilled_too_early(&self, back: &Back, told: &ToldBack, limit: &str) -> Vec<String> {
        let batch = self.monitor.batch();
        let mut said = vec![
            "It was chilled too early. Cold, it will not get there; it can go back to the room.".to_owned(),
        ];
        let warm_h = self.warm_up_h();
        let gains = back.gains_at.map_or_else(
            || "the culture may take more than five days to work again, or not wake at all".to_owned(),
            |at| {
                format!(
                    "the culture gains noticeably from about {} on",
                    about(at, self.zone)
                )
            },
        );
        said.push(format!(
            "Taken out {}, the bottles are warm again after some {warm_h:.0} h, and {gains}.",
            local(self.rescue.at, self.zone)
        ));
        said.push(format!(
            "A culture may sleep on after the cold, and how long differs: reckoned is with {}, one time in twenty with more than {}. The gauge tells. \
             It may be awake at once, so the early end of what follows, and all that is said of pressure, count no sleep.",
            span(hours(back.asleep.p50.0)),
            span(hours(back.asleep.p95.0)),
        ));
        let Some(middle) = back.forecast.move_at.and_then(|when| when.p50) else {
            said.push(
                "It is more likely than not that the target is not reached within 60 days. Sugar can be added to no sealed bottle: drink it \
                 as it is."
                    .to_owned(),
            );
            said.push(format!(
                "About {:.0} g/L of sugar is left. A culture that has stopped can start again: treat the bottles as live.",
                told.sugar_left_g_per_l
            ));
            return said;
        };
        let when = back.forecast.move_at;
        let early = when.and_then(|when| when.p05).map(|at| at.max(self.rescue.at));
        let between = early.map_or_else(String::new, |early| {
            let late = when.and_then(|when| when.p95).map_or_else(
                || "more than 60 days on".to_owned(),
                |late| about(late, self.zone),
            );
            format!(
                " (nine times in ten between {} and {late})",
                about(early, self.zone)
            )
        });
        said.push(format!(
            "It needs about {} there: move it to the fridge about {}{between}.",
            span(middle.duration_since(self.rescue.at)),
            about(middle, self.zone),
        ));
        said.push(format!(
            "About {:.0} g/L of sugar is left, and {:.0} g/L at the target; until then it makes {:.2} % more alcohol, {:.1} % in all.",
            told.sugar_left_g_per_l,
            told.sugar_left_at_target_g_per_l,
            told.abv_added_percent,
            told.abv_at_target_percent,
        ));
        let far = if back.to_the_move {
            "until then"
        } else {
            "in the first five days"
        };
        said.push(format!(
            "The fullest bottle reaches about {} {far}, one in twenty above {}; your limit is {limit}. Warmth alone raises it: the gas that \
             is in the drink comes out of it.",
            self.units.pressure(back.peak[0]),
            self.units.at_most(back.peak[1]),
        ));
        let first = back.forecast.limit_at.and_then(|limit| limit.p05);
        let late = when.and_then(|when| when.p95);
        if let Some(first) = first.filter(|first| late.is_none_or(|late| *first <= late)) {
            said.push(format!(
                "Your limit may be passed from {} on, before it is surely ready: have them back in the fridge by then, or take them out only \
                 into a cooler place.",
                about(first, self.zone)
            ));
        } else if let Some(first) = first {
            said.push(format!(
                "Do not forget them there: your limit may be passed from {} on.",
                about(first, self.zone)
            ));
        }
        said.push(format!(
            "Move the crate, not bottles one by one, with eye protection, and note it: fobwatch note {} taken_out",
            crate::wording::quoted(batch.name.as_str())
        ));
        said
    }

    /// Until it is within a degree of the room.
    fn warm_up_h(&self) -> f64 {
        let batch = self.monitor.batch();
        let room = batch.expected_room.map_or(USUAL_ROOM_C, Temperature::celsius);
        let slower = (batch.bottle.capacity.litres() / 0.5).cbrt().max(0.5);
        let cold = room - batch.target.fridge.celsius();
        FOLLOWS_H * slower * (cold / NEAR_K).max(1.0).ln()
    }
}

fn hours(h: f64) -> SignedDuration {
    SignedDuration::try_from_secs_f64(3_600.0 * h).unwrap_or(SignedDuration::MAX)
}

/// "31 hours", "3 days".
fn span(length: SignedDuration) -> String {
    let hours = length.as_secs_f64() / 3_600.0;
    if hours < 1.5 {
        "an hour".to_owned()
    } else if hours < 72.0 {
        format!("{hours:.0} hours")
    } else {
        format!("{:.0} days", hours / 24.0)
    }
}
