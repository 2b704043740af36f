//! The first line: must I do something, and when? And under it the pressure, always.

use super::{
    Context, Shown,
    amount::{self, capital, count},
    clock::span,
    need::{Entry, Urgency},
    shown::is_old,
};

/// More names than this are counted.
const MOST_NAMED: usize = 3;

/// One or two sentences; before them, that nothing can be stored.
pub(super) fn say(batches: &[Shown], entries: &[Entry<'_>], context: &Context) -> String {
    let said = agenda(batches, entries, context);
    match &context.unstored {
        None => said,
        Some(trouble) => format!(
            "Nothing can be stored since {}: {}. What is said here is from before, and no alert can be raised: treat the \
             bottles as live, and make room on the disk. {said}",
            context.clock().in_full(trouble.since),
            trouble.why
        ),
    }
}

fn agenda(batches: &[Shown], entries: &[Entry<'_>], context: &Context) -> String {
    let Some(first) = entries.first() else {
        return "No bottles are watched yet.".to_owned();
    };
    let name = &first.shown.batch.name;
    let alike = alike(entries, first.urgency);
    let behind: Vec<&str> = behind(batches).map(|shown| shown.batch.name.as_str()).collect();
    if first.urgency >= Urgency::Planned && !behind.is_empty() {
        let whom = if behind.len() > MOST_NAMED {
            count(behind.len(), "batch", "batches")
        } else {
            behind.join(", ")
        };
        return format!(
            "Not known yet: what is stored of {whom} is still being reckoned. Treat the bottles as live."
        );
    }
    match first.urgency {
        Urgency::Danger if alike > 1 => format!(
            "Danger: stay out. {} may be at their limit or have burst.",
            capital(&count(alike, "batch", "batches"))
        ),
        Urgency::Danger => format!("Danger. {}", first.heading),
        Urgency::DangerAhead if alike > 1 => format!(
            "Act now: {} may pass their pressure limit.",
            count(alike, "batch", "batches")
        ),
        Urgency::DangerAhead => format!("Act now: {name} may pass its pressure limit."),
        Urgency::Move if alike > 1 => {
            format!("Move {} to the fridge now.", count(alike, "batch", "batches"))
        }
        Urgency::Move => first.heading.clone(),
        Urgency::Look => {
            let look = if alike > 1 {
                format!("{} to look at now.", capital(&count(alike, "thing", "things")))
            } else {
                format!("Look at {name}. {}", first.heading)
            };
            match planned(entries) {
                Some(next) => format!("{look} {}", comes(next, context)),
                None => look,
            }
        }
        Urgency::Planned => format!("Nothing to do now. {}", comes(first, context)),
        Urgency::Nothing if batches.iter().all(Shown::is_chilled) => {
            "Nothing to do. All bottles are in the fridge.".to_owned()
        }
        Urgency::Nothing => "Nothing to do now, and no move is in sight.".to_owned(),
    }
}

/// The batches of which more is stored than reckoned yet.
pub(super) fn behind(batches: &[Shown]) -> impl Iterator<Item = &Shown> {
    batches.iter().filter(|shown| shown.behind)
}

fn alike(entries: &[Entry<'_>], urgency: Urgency) -> usize {
    let mut names: Vec<_> = entries
        .iter()
        .filter(|entry| entry.urgency == urgency)
        .map(|entry| &entry.shown.batch.name)
        .collect();
    if urgency != Urgency::Look {
        names.dedup();
    }
    names.len()
}

fn planned<'a, 'b>(entries: &'a [Entry<'b>]) -> Option<&'a Entry<'b>> {
    entries.iter().find(|entry| entry.urgency == Urgency::Planned)
}

/// "Tomorrow, Thursday, at 07:00 CET hibiscus 12 goes to the fridge."
fn comes(entry: &Entry<'_>, context: &Context) -> String {
    let name = &entry.shown.batch.name;
    match entry.at {
        Some(at) => format!(
            "{}, {name} goes to the fridge.",
            capital(&context.clock().spoken(at))
        ),
        None => format!("Then {name} goes to the fridge."),
    }
}

/// The fullest bottle now, of the user's own limit, and the highest it may be within a day.
pub(super) fn pressure(batches: &[Shown], context: &Context) -> Option<String> {
    let units = context.units();
    let fullest = batches
        .iter()
        .filter_map(|shown| Some((shown, shown.full()?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(shown, _)| shown);
    let mut said = Vec::new();
    if let Some((shown, bottle, most)) =
        fullest.and_then(|shown| Some((shown, shown.view.fullest()?, shown.most_now()?)))
    {
        let day = bottle.within_24h.p95;
        said.push(format!(
            "Fullest bottle now: {}, about {} and at most {}, of your limit of {}. Within 24 hours at most {}.",
            shown.batch.name,
            units.pressure(bottle.now.p50),
            units.at_most(most),
            units.limit(shown.batch.bottle.pressure_limit),
            units.at_most(if most > day { most } else { day }),
        ));
    }
    let unknown = batches
        .iter()
        .filter(|shown| shown.view.fullest().is_none())
        .count();
    if unknown > 0 {
        said.push(format!(
            "The pressure of {} is not known: treat those bottles as live.",
            count(unknown, "batch", "batches")
        ));
    }
    let old = behind(batches).count();
    if old > 0 {
        said.push(format!(
            "More is stored of {} than is reckoned yet: there the pressure may be higher than said here.",
            count(old, "batch", "batches")
        ));
    }
    let silent = batches
        .iter()
        .filter(|shown| shown.view.fullest().is_some() && shown.gauge().is_none())
        .count();
    if silent > 0 {
        said.push(format!(
            "No trusted gauge is heard of {}: there the pressure is reckoned, not measured.",
            count(silent, "batch", "batches")
        ));
    }
    (!said.is_empty()).then(|| said.join(" "))
}

/// "Four batches; every sensor was heard within the last 5 minutes."
pub(super) fn heard(batches: &[Shown], context: &Context) -> String {
    let sensors: Vec<_> = batches.iter().flat_map(|shown| &shown.view.sensors).collect();
    let batches = capital(&count(batches.len(), "batch", "batches"));
    let ages = sensors
        .iter()
        .filter_map(|sensor| Some(context.now.duration_since(sensor.at?)));
    let Some(oldest) = ages.max() else {
        return format!("{batches}; no sensor has been heard yet.");
    };
    let old = sensors
        .iter()
        .filter(|sensor| is_old(sensor, context.now))
        .count();
    if old == 0 {
        let within = span(oldest.max(jiff::SignedDuration::from_mins(1)));
        format!("{batches}; every sensor was heard within the last {within}.")
    } else {
        let of = match sensors.len() {
            1 => "the one sensor was not".to_owned(),
            all if all == old => format!("none of {} was", count(all, "sensor", "sensors")),
            all => format!(
                "{} of {} {} not",
                amount::number(old),
                count(all, "sensor", "sensors"),
                if old == 1 { "was" } else { "were" }
            ),
        };
        format!("{batches}; {of} heard of late.")
    }
}
