//! What each batch needs from a person, sorted by when that person must act.

use fobwatch_core::{
    alert::AlertName,
    forecast::{Forecast, When},
};
use jiff::{SignedDuration, Timestamp};

use super::{
    Context, Place, Shown, Standing,
    amount::{self, volumes},
    caution,
    clock::{Clock, span},
};

/// A forecast older than this is said to be old.
const OLD_FORECAST: SignedDuration = SignedDuration::from_hours(2);

/// How soon a person must act. The order is that of the agenda.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Urgency {
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
}

impl Urgency {
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
    let mut entries: Vec<Entry<'a>> = shown
        .speaking()
        .filter(|standing| {
            !matches!(
                standing.record.alert,
                AlertName::FridgeSoon | AlertName::MoveToFridge
            )
        })
        .map(|standing| alerted(shown, standing, context, clock))
        .collect();
    if shown.full() >= Some(1.0) && shown.stands(AlertName::OverLimit).is_none() {
        entries.push(estimated_danger(shown, context));
    }
    if let Some(why) = &shown.set_aside {
        entries.push(Entry {
            shown,
            urgency: Urgency::Look,
            at: None,
            day: "Now".to_owned(),
            hours: String::new(),
            heading: format!("{} is set aside: nobody reckons its pressure.", shown.subject()),
            reasons: vec![why.clone(), "Treat its bottles as live.".to_owned()],
            seen: false,
        });
    }
    let pressed = entries.iter().any(|entry| entry.urgency <= Urgency::DangerAhead);
    if !pressed && shown.set_aside.is_none() {
        entries.push(next_move(shown, context, clock));
    }
    entries
}

fn alerted<'a>(shown: &'a Shown, standing: &'a Standing, context: &Context, clock: Clock<'_>) -> Entry<'a> {
    let name = shown.batch.name.as_str();
    let limit = context.units.limit(shown.batch.bottle.pressure_limit);
    let (urgency, heading) = match standing.record.alert {
        AlertName::OverLimit => (
            Urgency::Danger,
            format!("Stay out of the room with {name}: it may be at your limit of {limit}."),
        ),
        AlertName::SuddenLoss => (
            Urgency::Danger,
            format!("Stay out of the room with {name}: a bottle may have burst."),
        ),
        AlertName::LimitNear => (
            Urgency::DangerAhead,
            format!("{} may pass your limit of {limit}.", shown.subject()),
        ),
        AlertName::FridgeSoon | AlertName::MoveToFridge => (Urgency::Move, move_now(shown)),
        AlertName::SensorSilent => (
            Urgency::Look,
            format!("{} of {name} is silent.", sensor(standing)),
        ),
        AlertName::SensorSuspect => (
            Urgency::Look,
            format!("{} of {name} cannot be believed.", sensor(standing)),
        ),
    };
    let mut reasons = vec![standing.record.message.clone()];
    if standing.record.alert.latches() {
        reasons.push("It stays here until a person clears it, with a reason.".to_owned());
    }
    Entry {
        shown,
        urgency,
        at: Some(standing.since),
        day: "Now".to_owned(),
        hours: format!("since {}", clock.moment(standing.since)),
        heading,
        reasons,
        seen: standing.is_seen(),
    }
}

fn sensor(standing: &Standing) -> String {
    let what = standing
        .record
        .quantity
        .map_or("sensor", |quantity| amount::quantity(quantity));
    match &standing.record.source {
        Some(source) => format!("The {what} from {source}"),
        None => format!("The {what}"),
    }
}

/// No alert stands yet, but the estimate already reaches the limit: safety does not wait for the next grid point.
fn estimated_danger<'a>(shown: &'a Shown, context: &Context) -> Entry<'a> {
    let limit = context.units.limit(shown.batch.bottle.pressure_limit);
    let name = shown.batch.name.as_str();
    Entry {
        shown,
        urgency: Urgency::Danger,
        at: shown.outlook.as_ref().map(|outlook| outlook.at),
        day: "Now".to_owned(),
        hours: String::new(),
        heading: format!("Stay out of the room with {name}: it may be at your limit of {limit}."),
        reasons: vec![format!("Danger. {}", caution::KEEP_OUT)],
        seen: false,
    }
}

fn move_now(shown: &Shown) -> String {
    format!("Move {} to the fridge now.", shown.batch.name)
}

/// The line of a batch that is in no danger: the move that comes, or why there is none.
fn next_move<'a>(shown: &'a Shown, context: &Context, clock: Clock<'_>) -> Entry<'a> {
    let mut entry = Entry {
        shown,
        urgency: Urgency::Nothing,
        at: None,
        day: "Nothing needed".to_owned(),
        hours: String::new(),
        heading: String::new(),
        reasons: Vec::new(),
        seen: false,
    };
    if let Some(standing) = shown.stands(AlertName::MoveToFridge) {
        entry.urgency = Urgency::Move;
        entry.at = Some(standing.since);
        entry.day = "Now".to_owned();
        entry.hours = format!("since {}", clock.moment(standing.since));
        entry.heading = move_now(shown);
        entry.reasons.push(standing.record.message.clone());
        entry.seen = standing.is_seen();
        return entry;
    }
    let Some(forecast) = &shown.forecast else {
        entry.heading = format!("{} has no forecast yet.", shown.subject());
        entry.reasons.push(format!(
            "Sealed {}. Its first forecast comes within half an hour of the first reading.",
            clock.moment(shown.batch.bottled_at)
        ));
        entry.day = "Waiting".to_owned();
        return entry;
    };
    match shown.place {
        Place::Fridge { since, left_behind: 0 } => chilled(&mut entry, since, clock),
        _ => in_the_room(&mut entry, forecast, context, clock),
    }
    let age = context.now.duration_since(forecast.at);
    if age > OLD_FORECAST {
        entry.reasons.push(format!(
            "This was reckoned {} ago, {}: since then nobody knows more.",
            span(age),
            clock.moment(forecast.at)
        ));
    }
    entry
}

fn chilled(entry: &mut Entry<'_>, since: Option<Timestamp>, clock: Clock<'_>) {
    let since = since.map_or_else(String::new, |at| format!(" since {}", clock.moment(at)));
    entry.heading = format!("{} is in the fridge{since}.", entry.shown.subject());
    entry
        .reasons
        .push("The fridge slows the culture; it does not stop it.".to_owned());
}

fn in_the_room(entry: &mut Entry<'_>, forecast: &Forecast, context: &Context, clock: Clock<'_>) {
    let shown = entry.shown;
    if let Place::Fridge { left_behind, .. } = shown.place {
        entry.reasons.push(format!(
            "{} stayed in the room.",
            amount::capital(&amount::count(
                usize::try_from(left_behind).unwrap_or(usize::MAX),
                "bottle",
                "bottles"
            ))
        ));
    }
    let wish = amount::wish(shown.batch.target.co2);
    let due = forecast.move_at.and_then(|when| Some((when, when.p50?)));
    match due {
        Some((when, best)) if best <= context.now => {
            entry.urgency = Urgency::Move;
            entry.at = Some(best);
            entry.day = "Now".to_owned();
            entry.hours = format!("best since {}", clock.moment(best));
            entry.heading = move_now(shown);
            entry.reasons.push(stand(shown, forecast));
            entry.reasons.push(caution::CARRYING.to_owned());
            note_latest(entry, &when, clock);
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
            if let Some(soon) = shown.stands(AlertName::FridgeSoon) {
                entry.reasons.push(soon.record.message.clone());
                entry.seen = soon.is_seen();
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
    if let Some(outlook) = &shown.outlook {
        let rate = outlook.rate.p50;
        if rate.is_finite() && rate >= 0.005 {
            text.push_str(&format!(" It gains about {rate:.2}\u{a0}volumes an hour."));
        } else {
            text.push_str(" It gains next to nothing now.");
        }
    }
    text
}
