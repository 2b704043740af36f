//! The first line: must I do something, and when? And under it the pressure, always.

use fobwatch_core::batch::BatchName;
use jiff::Timestamp;

use super::{
    Context,
    amount::{self, capital, count},
    clock::span,
    need::{self, Urgency},
    survey::{Overview, Survey},
};

/// More names than this are counted.
const MOST_NAMED: usize = 3;

/// One or two sentences; before them, that nothing can be stored.
pub(super) fn say(overview: &Overview, context: &Context) -> String {
    let said = agenda(overview, context);
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

fn agenda(overview: &Overview, context: &Context) -> String {
    let entries = need::entries(overview.first.as_slice(), context);
    let Some(first) = entries.first() else {
        return "No bottles are watched yet.".to_owned();
    };
    let name = &first.shown.batch.name;
    let survey = &overview.survey;
    let alike = survey.alike(first.urgency);
    if first.urgency >= Urgency::Planned && survey.behind > 0 {
        let whom = if survey.behind > MOST_NAMED {
            count(survey.behind, "batch", "batches")
        } else {
            let names: Vec<&str> = survey.behind_named.iter().map(BatchName::as_str).collect();
            names.join(", ")
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
            match &survey.planned {
                Some((at, name)) => format!("{look} {}", comes(*at, name, context)),
                None => look,
            }
        }
        Urgency::Planned => match &survey.planned {
            Some((at, name)) => format!("Nothing to do now. {}", comes(*at, name, context)),
            None => "Nothing to do now.".to_owned(),
        },
        Urgency::Nothing if survey.all_chilled => "Nothing to do. All bottles are in the fridge.".to_owned(),
        Urgency::Nothing => "Nothing to do now, and no move is in sight.".to_owned(),
    }
}

/// "Tomorrow, Thursday, at 07:00 CET hibiscus 12 goes to the fridge."
fn comes(at: Timestamp, name: &BatchName, context: &Context) -> String {
    format!(
        "{}, {name} goes to the fridge.",
        capital(&context.clock().spoken(at))
    )
}

/// The fullest bottle now, of the user's own limit, and the highest it may be within a day.
pub(super) fn pressure(overview: &Overview, context: &Context) -> Option<String> {
    let units = context.units();
    let survey = &overview.survey;
    let mut said = Vec::new();
    if let Some((shown, bottle, most)) = overview
        .fullest
        .as_ref()
        .and_then(|shown| Some((shown, shown.view.fullest()?, shown.most_now()?)))
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
    if survey.unknown > 0 {
        said.push(format!(
            "The pressure of {} is not known: treat those bottles as live.",
            count(survey.unknown, "batch", "batches")
        ));
    }
    if survey.behind > 0 {
        said.push(format!(
            "More is stored of {} than is reckoned yet: there the pressure may be higher than said here.",
            count(survey.behind, "batch", "batches")
        ));
    }
    if survey.unheard > 0 {
        said.push(format!(
            "No trusted gauge is heard of {}: there the pressure is reckoned, not measured.",
            count(survey.unheard, "batch", "batches")
        ));
    }
    (!said.is_empty()).then(|| said.join(" "))
}

/// "Four batches; every sensor was heard within the last 5 minutes."
pub(super) fn heard(survey: &Survey, context: &Context) -> String {
    let batches = capital(&count(survey.batches(), "batch", "batches"));
    let Some(oldest) = survey.oldest else {
        return format!("{batches}; no sensor has been heard yet.");
    };
    if survey.old == 0 {
        let within = span(
            context
                .now
                .duration_since(oldest)
                .max(jiff::SignedDuration::from_mins(1)),
        );
        format!("{batches}; every sensor was heard within the last {within}.")
    } else {
        let (all, old) = (survey.sensors, survey.old);
        let of = match all {
            1 => "the one sensor was not".to_owned(),
            _ if all == old => format!("none of {} was", count(all, "sensor", "sensors")),
            _ => format!(
                "{} of {} {} not",
                amount::number(old),
                count(all, "sensor", "sensors"),
                if old == 1 { "was" } else { "were" }
            ),
        };
        format!("{batches}; {of} heard of late.")
    }
}
