//! The first line: must I do something, and when? And under it the pressure, always.

use super::{
    Context, Place, Shown,
    amount::{capital, count},
    clock::span,
    need::{Entry, Urgency},
};

/// One or two sentences.
pub(super) fn say(batches: &[Shown], entries: &[Entry<'_>], context: &Context) -> String {
    let Some(first) = entries.first() else {
        return "No bottles are watched yet.".to_owned();
    };
    let name = &first.shown.batch.name;
    let alike = alike(entries, first.urgency);
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
        Urgency::Nothing if batches.iter().all(is_chilled) => {
            "Nothing to do. All bottles are in the fridge.".to_owned()
        }
        Urgency::Nothing => "Nothing to do now, and no move is in sight.".to_owned(),
    }
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

fn is_chilled(shown: &Shown) -> bool {
    matches!(shown.place, Place::Fridge { left_behind: 0, .. })
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
    let units = context.units;
    let fullest = batches
        .iter()
        .filter_map(|shown| Some((shown, shown.outlook.as_ref()?, shown.full()?)))
        .max_by(|a, b| a.2.total_cmp(&b.2));
    let unknown = batches.iter().filter(|shown| shown.outlook.is_none()).count();
    let doubt = || {
        format!(
            "The pressure of {} is not known: treat those bottles as live.",
            count(unknown, "batch", "batches")
        )
    };
    let Some((shown, outlook, _)) = fullest else {
        return (unknown > 0).then(doubt);
    };
    let now = &outlook.worst_bottle_now;
    let mut text = format!(
        "Fullest bottle now: {}, about {} and at most {}, of your limit of {}.",
        shown.batch.name,
        units.pressure(now.p50),
        units.at_most(now.p95),
        units.limit(shown.batch.bottle.pressure_limit),
    );
    text.push_str(&format!(
        " Within 24 hours at most {}.",
        units.at_most(outlook.worst_bottle_24h.p95)
    ));
    if unknown > 0 {
        text.push(' ');
        text.push_str(&doubt());
    }
    Some(text)
}

/// "Four batches; all of 6 sensors heard within the last 5 minutes."
pub(super) fn heard(batches: &[Shown], context: &Context) -> String {
    let ages: Vec<_> = batches
        .iter()
        .flat_map(|shown| &shown.heard)
        .map(|heard| context.now.duration_since(heard.at))
        .collect();
    let batches = capital(&count(batches.len(), "batch", "batches"));
    let Some(oldest) = ages.iter().max() else {
        return format!("{batches}; no sensor has been heard yet.");
    };
    let late = ages.iter().filter(|age| super::batch::is_old(**age)).count();
    if late == 0 {
        let minutes = oldest.as_secs().max(60);
        let within = span(jiff::SignedDuration::from_secs(minutes));
        format!("{batches}; every sensor was heard within the last {within}.")
    } else {
        format!(
            "{batches}; {late} of {} have not been heard for half an hour or longer.",
            count(ages.len(), "sensor", "sensors")
        )
    }
}
