//! What each batch needs from a person, sorted by when that person must act.

use fobwatch_core::{
    alert::{AlertName, sentence},
    engine::AlertView,
    forecast::{Forecast, Odd, When},
    note::NoteKind,
};
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};

use super::{
    Context, Shown,
    amount::{self, volumes},
    caution,
    clock::{Clock, span},
    shown::is_seen,
};

/// A forecast older than this is said to be old.
const OLD_FORECAST: SignedDuration = SignedDuration::from_hours(2);

/// Said of what needs nothing, as far as it is reckoned, while more is stored.
const NOT_KNOWN_YET: &str = "Not known yet";

/// How soon a person must act. The order is that of the agenda.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Urgency {
    /// Stay away from the bottles.
    Danger,
    /// The limit may be passed within a day.
    DangerAhead,
    /// Move the bottles now.
    Move,
    /// Something to look at.
    Look,
    /// A move at a known time.
    Planned,
    /// Nothing.
    Nothing,
}

/// One line of the agenda.
#[derive(Clone, Debug)]
pub(super) struct Entry<'a> {
    pub(super) shown: &'a Shown,
    pub(super) urgency: Urgency,
    /// When a person must act, or since when the condition is there.
    pub(super) at: Option<Timestamp>,
    pub(super) day: String,
    pub(super) hours: String,
    pub(super) heading: String,
    pub(super) reasons: Vec<String>,
    /// A person has said that it was seen.
    pub(super) seen: bool,
    /// The alert that stands, if it is one.
    pub(super) alert: Option<AlertName>,
    /// The entry that is asked about, if it is a question.
    pub(super) asks: Option<Odd>,
}

impl Urgency {
    /// How soon a person must act while the alert stands.
    pub(super) fn of(alert: AlertName) -> Self {
        match alert {
            AlertName::OverLimit | AlertName::SuddenLoss => Self::Danger,
            AlertName::LimitNear => Self::DangerAhead,
            AlertName::FridgeSoon | AlertName::MoveToFridge => Self::Move,
            AlertName::LeakSuspected
            | AlertName::RisingInFridge
            | AlertName::Stalled
            | AlertName::OutsideTemperature
            | AlertName::SensorSilent
            | AlertName::SensorSuspect => Self::Look,
        }
    }

    /// The word in the box; colour never speaks alone.
    pub(super) fn word(self) -> Option<&'static str> {
        match self {
            Self::Danger => Some("Danger"),
            Self::DangerAhead => Some("Danger ahead"),
            Self::Move => Some("Now"),
            Self::Look => Some("Look"),
            Self::Planned | Self::Nothing => None,
        }
    }
}

/// Everything, most urgent first.
pub(super) fn entries<'a>(batches: &'a [Shown], context: &'a Context) -> Vec<Entry<'a>> {
    let clock = context.clock();
    let mut entries: Vec<Entry<'a>> = batches
        .iter()
        .flat_map(|shown| of_batch(shown, context, clock))
        .collect();
    entries.sort_by(|a, b| {
        let never = Timestamp::MAX;
        let of_urgency = a.urgency.cmp(&b.urgency);
        of_urgency
            .then_with(|| a.at.unwrap_or(never).cmp(&b.at.unwrap_or(never)))
            .then_with(|| a.shown.batch.name.cmp(&b.shown.batch.name))
    });
    entries
}

fn of_batch<'a>(shown: &'a Shown, context: &Context, clock: Clock<'_>) -> Vec<Entry<'a>> {
    let of_moves =
        |alert: &&AlertView| matches!(alert.alert, AlertName::FridgeSoon | AlertName::MoveToFridge);
    let mut entries: Vec<Entry<'a>> = shown
        .standing()
        .filter(|alert| !of_moves(alert))
        .map(|alert| alerted(shown, alert, context, clock))
        .collect();
    if shown.full() >= Some(1.0) && shown.alert(AlertName::OverLimit).is_none() {
        entries.push(estimated_danger(shown, context));
    }
    if let Some(why) = &shown.failed {
        let mut entry = Entry::new(shown, Urgency::Look);
        entry.day = "Now".to_owned();
        entry.heading = format!("{} is set aside: nobody reckons its pressure.", shown.subject());
        entry.reasons = vec![why.clone(), "Treat its bottles as live.".to_owned()];
        entries.push(entry);
    }
    for (question, odd) in shown.view.questions.iter().zip(&shown.view.asked) {
        let mut entry = Entry::new(shown, Urgency::Look);
        entry.day = "When you can".to_owned();
        entry.heading = question.replace("CO2", "CO\u{2082}");
        entry.reasons = vec![if *odd == Odd::Altitude {
            "If it is right, say so, and it is not asked again. If not: mend it in the configuration, and start fobwatch again.".to_owned()
        } else {
            "If it is right, say so, and it is not asked again. If not, correct it: everything since the sealing is then reckoned with the right \
             figures, and what its sensors told and what you noted counts as before."
                .to_owned()
        }];
        entry.asks = Some(*odd);
        entries.push(entry);
    }
    let pressed = entries.iter().any(|entry| entry.urgency <= Urgency::DangerAhead);
    if !pressed && shown.failed.is_none() {
        entries.push(next_move(shown, context, clock));
    } else if let (Some(apart), Some(first)) = (&shown.view.apart, entries.first_mut()) {
        // Which bottles the danger is of.
        first.reasons.push(apart.why.clone());
    }
    if let (Some(given), Some(last)) = (&shown.view.given_away, entries.last_mut()) {
        last.reasons.push(given.why.clone());
    }
    entries
}

fn alerted<'a>(shown: &'a Shown, alert: &AlertView, context: &Context, clock: Clock<'_>) -> Entry<'a> {
    let name = shown.batch.name.as_str();
    let limit = context.units().limit(shown.batch.bottle.pressure_limit);
    let heading = match alert.alert {
        AlertName::OverLimit => {
            format!("Stay out of the room with {name}: it may be at your limit of {limit}.")
        }
        AlertName::SuddenLoss => format!("Stay out of the room with {name}: a bottle may have burst."),
        AlertName::LimitNear => format!("{} may pass your limit of {limit}.", shown.subject()),
        AlertName::FridgeSoon | AlertName::MoveToFridge => move_now(shown),
        AlertName::LeakSuspected => format!(
            "{}: the bottle with the gauge may leak. The others go on.",
            shown.subject()
        ),
        AlertName::RisingInFridge => format!("{} still gains in the fridge.", shown.subject()),
        AlertName::Stalled => format!("{} shows no gain, short of its target.", shown.subject()),
        AlertName::OutsideTemperature => {
            format!("{} stands too cold or too warm for its culture.", shown.subject())
        }
        AlertName::SensorSilent => format!("{} of {name} is silent.", sensor(alert)),
        AlertName::SensorSuspect => format!("{} of {name} cannot be believed.", sensor(alert)),
    };
    let mut entry = Entry::new(shown, Urgency::of(alert.alert));
    entry.since(alert, clock);
    entry.heading = heading;
    if alert.alert.latches() {
        entry.reasons.push(if alert.present {
            "It stays here until a person clears it, with a reason.".to_owned()
        } else {
            "It is no longer measured, but that proves nothing: it stays here until a person clears it, with a reason."
                .to_owned()
        });
    }
    entry
}

fn sensor(alert: &AlertView) -> String {
    let what = alert.quantity.map_or("sensor", sentence::quantity);
    match &alert.source {
        Some(source) => format!("The {what} from {source}"),
        None => format!("The {what}"),
    }
}

impl<'a> Entry<'a> {
    fn new(shown: &'a Shown, urgency: Urgency) -> Self {
        Self {
            shown,
            urgency,
            at: None,
            day: String::new(),
            hours: String::new(),
            heading: String::new(),
            reasons: Vec::new(),
            seen: false,
            alert: None,
            asks: None,
        }
    }

    /// It is there now, since the alert says so; the alert's message is the reason.
    fn since(&mut self, alert: &AlertView, clock: Clock<'_>) {
        self.at = Some(alert.since);
        self.day = "Now".to_owned();
        self.hours = format!("since {}", clock.moment(alert.since));
        self.reasons.push(amount::capital(&alert.message));
        self.seen = is_seen(alert);
        self.alert = Some(alert.alert);
    }
}

/// No alert stands yet, but the estimate already reaches the limit: safety does not wait for the next grid point.
fn estimated_danger<'a>(shown: &'a Shown, context: &Context) -> Entry<'a> {
    let limit = context.units().limit(shown.batch.bottle.pressure_limit);
    let name = shown.batch.name.as_str();
    let mut entry = Entry::new(shown, Urgency::Danger);
    entry.at = shown.outlook().map(|outlook| outlook.at);
    entry.day = "Now".to_owned();
    entry.heading = format!("Stay out of the room with {name}: it may be at your limit of {limit}.");
    entry.reasons.push(format!("Danger. {}", caution::KEEP_OUT));
    entry
}

/// When a person said last that bottles went to the fridge.
fn noted_as_moved(shown: &Shown) -> Option<Timestamp> {
    let moves = shown
        .notes
        .iter()
        .filter(|note| note.kind == NoteKind::MovedToFridge);
    moves.map(|note| note.at).max()
}

fn move_now(shown: &Shown) -> String {
    format!("Move {} to the fridge now.", shown.batch.name)
}

/// The line of a batch that is in no danger: the move that comes, or why there is none.
fn next_move<'a>(shown: &'a Shown, context: &Context, clock: Clock<'_>) -> Entry<'a> {
    let mut entry = Entry::new(shown, Urgency::Nothing);
    entry.day = "Nothing needed".to_owned();
    if let Some(alert) = shown.alert(AlertName::MoveToFridge) {
        entry.urgency = Urgency::Move;
        entry.heading = match noted_as_moved(shown) {
            Some(at) if shown.is_chilled() => format!(
                "You noted {} that {} went to the fridge; it has not shown yet.",
                clock.moment(at),
                shown.batch.name
            ),
            _ => move_now(shown),
        };
        entry.since(alert, clock);
    } else if shown.is_chilled() {
        entry.heading = format!("{} is in the fridge.", shown.subject());
        entry
            .reasons
            .push("The fridge slows the culture; it does not stop it.".to_owned());
    } else if shown.is_none_left() {
        entry.heading = format!("No bottle of {} is left here to move.", shown.batch.name);
    } else if let Some(forecast) = shown.forecast() {
        in_the_room(&mut entry, forecast, context, clock);
    } else {
        entry.day = "Waiting".to_owned();
        entry.heading = format!("{} has no forecast yet.", shown.subject());
        entry.reasons.push(format!(
            "Sealed {}. Its first forecast comes within half an hour of the first reading.",
            clock.moment(shown.batch.bottled_at)
        ));
    }
    if let Some(apart) = &shown.view.apart {
        entry.reasons.push(apart.why.clone());
    }
    if shown.view.opened {
        entry.reasons.push(
            "The bottle with the sensors was opened, so the others are reckoned on without it.".to_owned(),
        );
    }
    if shown.behind {
        if entry.urgency == Urgency::Nothing {
            entry.day = NOT_KNOWN_YET.to_owned();
        }
        entry.reasons.push(
            "More is stored than is reckoned yet, so this is old and may change: treat the bottles as live."
                .to_owned(),
        );
    }
    if let Some(forecast) = shown.forecast() {
        let age = context.now.duration_since(forecast.at);
        if age > OLD_FORECAST {
            entry.reasons.push(format!(
                "This was reckoned {} ago, {}: since then nobody knows more.",
                span(age),
                clock.moment(forecast.at)
            ));
        }
    }
    entry
}

fn in_the_room(entry: &mut Entry<'_>, forecast: &Forecast, context: &Context, clock: Clock<'_>) {
    let shown = entry.shown;
    let wish = amount::wish(shown.batch.target.co2);
    let due = forecast.move_at.and_then(|when| Some((when, when.p50?)));
    let shelved = shown.shelved(AlertName::MoveToFridge);
    match due {
        Some(_) if shelved.is_some() => {
            let until = shelved.and_then(|alert| alert.shelved_until);
            let until = until.map_or_else(
                || "for a time".to_owned(),
                |at| format!("until {}", clock.moment(at)),
            );
            entry.heading = format!("The move of {} was set aside {until}.", shown.batch.name);
            entry.reasons.push(stand(shown, forecast));
        }
        Some((when, best)) if best <= context.now => {
            entry.urgency = Urgency::Move;
            entry.at = Some(best);
            entry.day = "Now".to_owned();
            entry.hours = format!("best since {}", clock.moment(best));
            entry.heading = move_now(shown);
            entry.reasons.push(stand(shown, forecast));
            note_latest(entry, &when, clock);
            entry.reasons.push(caution::CARRYING.to_owned());
        }
        Some((when, best)) => {
            entry.urgency = Urgency::Planned;
            entry.at = Some(best);
            entry.day = clock.day(best);
            entry.hours = clock.between(&when).unwrap_or_default();
            entry.heading = format!(
                "Move {} to the fridge, best at {}.",
                shown.batch.name,
                clock.hour(best)
            );
            entry.reasons.push(stand(shown, forecast));
            if let Some(soon) = shown.alert(AlertName::FridgeSoon) {
                entry.reasons.push(amount::capital(&soon.message));
                entry.seen = is_seen(soon);
            } else {
                entry
                    .reasons
                    .push(format!("Moved then, it ends at about your {wish}."));
            }
        }
        None => {
            entry.heading = format!("{} is not on its way to your {wish}.", shown.subject());
            entry.reasons.push(stand(shown, forecast));
            entry.reasons.push(match forecast.move_at.and_then(|when| when.p05) {
                Some(early) => format!(
                    "It may come due from {}, but more likely not within 60 days. Treat the bottles as live.",
                    clock.moment(early)
                ),
                None => "It does not come due within 60 days. Sugar may be left, so it can start again: treat the \
                         bottles as live."
                    .to_owned(),
            });
        }
    }
}

fn note_latest(entry: &mut Entry<'_>, when: &When, clock: Clock<'_>) {
    if let Some(late) = when.p95.filter(|late| *late > clock.now) {
        entry
            .reasons
            .push(format!("It may still be early until {}.", clock.moment(late)));
    }
}

/// "It holds about 2.1 volumes (2.0 to 2.3) and you want 2.8 volumes. It gains about 0.07 volumes an hour."
pub(super) fn stand(shown: &Shown, forecast: &Forecast) -> String {
    let co2 = &forecast.co2;
    let mut text = format!(
        "It holds about {} of CO\u{2082} ({:.1} to {:.1}) and you want {}.",
        volumes(co2.p50),
        co2.p05.volumes(),
        co2.p95.volumes(),
        amount::wish(shown.batch.target.co2),
    );
    if let Some(outlook) = shown.outlook() {
        let rate = outlook.rate.p50;
        if rate.is_finite() && rate >= 0.005 {
            text.push_str(&format!(" It gains about {rate:.2}\u{a0}volumes an hour."));
        } else {
            text.push_str(" It gains next to nothing now.");
        }
    }
    text
}
/// That what a person told, or brought in late, is not in the figures yet; `None`: it is, or nothing was.
pub(super) fn weighed_from(shown: &Shown, context: &Context) -> Option<String> {
    let (from, reckoned) = (shown.waits_until()?, shown.view.forecast.as_ref()?.at);
    Some(format!(
        "These figures are of {}; what was told or came in since counts from {} on.",
        context.clock().moment(reckoned),
        context.clock().moment(from)
    ))
}
