//! What `ack`, `shelve` and `service` share: which batch is meant by the name of an alert, who does it, and what was done.

use std::env;

use fobwatch_core::{
    alert::{AlarmState, AlertName},
    batch::{BatchName, Slug},
};
use jiff::Timestamp;
use serde::Serialize;

use super::{
    Ended, json,
    keeper::{Found, Standing},
    say,
};
use crate::wish::Wish;

/// The batch whose alert is meant: the one that is named, else the only one that has it, in one of `states` if any.
pub(super) fn meant(
    found: &mut Found,
    alert: AlertName,
    batch: Option<&str>,
    states: &[AlarmState],
) -> Result<(BatchName, Slug), Ended> {
    if let Some(given) = batch {
        let known = found.batch(given)?;
        return Ok((known.batch, known.slug));
    }
    only(&found.keeper.alerts()?, alert, states)
}

/// The same for what may be done to an alert that does not stand: where it stands for no batch, the only batch there is.
pub(super) fn meant_or_only(
    found: &mut Found,
    alert: AlertName,
    batch: Option<&str>,
    states: &[AlarmState],
) -> Result<(BatchName, Slug), Ended> {
    let stands = found.keeper.alerts()?.iter().any(|other| other.alert == alert);
    if batch.is_some() || stands {
        return meant(found, alert, batch, states);
    }
    let mut all = found.keeper.batches()?;
    match (all.pop(), all.as_slice()) {
        (Some(one), []) => Ok((one.batch, one.slug)),
        _ => Err(Ended::Refused(format!(
            "{alert} stands for no batch, so it is not clear which is meant; allowed: one of them with --batch"
        ))),
    }
}

fn only(standing: &[Standing], alert: AlertName, states: &[AlarmState]) -> Result<(BatchName, Slug), Ended> {
    let with = |wanted: &dyn Fn(&Standing) -> bool| {
        let mut batches: Vec<(BatchName, Slug)> = standing
            .iter()
            .filter(|other| other.alert == alert && wanted(other))
            .map(|other| (other.batch.clone(), other.slug.clone()))
            .collect();
        batches.sort();
        batches.dedup();
        batches
    };
    let mut batches = with(&|other| states.contains(&other.state));
    if batches.is_empty() {
        batches = with(&|_any| true);
    }
    match batches.as_slice() {
        [one] => Ok(one.clone()),
        [] => {
            let mut others: Vec<&str> = standing.iter().map(|other| other.alert.name()).collect();
            others.sort_unstable();
            others.dedup();
            let others = if others.is_empty() {
                "no alert stands".to_owned()
            } else {
                format!("what stands: {}", others.join(", "))
            };
            Err(Ended::Refused(format!(
                "{alert} does not stand for any batch; {others}"
            )))
        }
        several => {
            let names: Vec<String> = several
                .iter()
                .map(|(name, _)| super::quoted(name.as_str()))
                .collect();
            Err(Ended::Refused(format!(
                "{alert} stands for several batches; allowed: one of them with --batch: {}",
                names.join(", ")
            )))
        }
    }
}

/// Who gives the command: as said, else the user that runs it.
pub(super) fn who(given: Option<&str>) -> String {
    let user = || ["USER", "LOGNAME"].iter().find_map(|name| env::var(name).ok());
    given
        .map(str::to_owned)
        .or_else(user)
        .map(|who| who.trim().to_owned())
        .filter(|who| !who.is_empty())
        .unwrap_or_else(|| "somebody".to_owned())
}

/// An alert's name as an argument.
pub(super) fn alert_named(text: &str) -> Result<AlertName, String> {
    text.parse::<AlertName>().map_err(|error| error.to_string())
}

/// Does it to the alert of the batch that is meant, and says so: as a record, or by `sentence`, which is told when.
pub(super) fn carry_out(
    found: &mut Found,
    (name, slug): &(BatchName, Slug),
    alert: AlertName,
    wish: &Wish,
    as_json: bool,
    sentence: impl FnOnce(Timestamp) -> String,
) -> Result<(), Ended> {
    let at = found.keeper.obey(slug, alert, wish)?;
    found.warn();
    if as_json {
        return say(&json(&DeedLine {
            record: "deed",
            batch: name,
            alert,
            at,
            wish,
        })?);
    }
    say(&sentence(at))
}

/// What was done to an alert, as a record.
#[derive(Serialize)]
struct DeedLine<'a> {
    record: &'static str,
    batch: &'a BatchName,
    alert: AlertName,
    at: Timestamp,
    #[serde(flatten)]
    wish: &'a Wish,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn standing(name: &str, alert: AlertName, state: AlarmState) -> Standing {
        let batch = BatchName::new(name).unwrap();
        Standing {
            slug: batch.slug(),
            batch,
            alert,
            state,
        }
    }

    #[test]
    fn the_only_one_that_waits_is_meant_and_several_are_told() {
        let mut all = vec![
            standing("plum 1", AlertName::FridgeSoon, AlarmState::Acknowledged),
            standing("hibiscus 12", AlertName::FridgeSoon, AlarmState::Unacknowledged),
            standing("hibiscus 12", AlertName::SensorSilent, AlarmState::Unacknowledged),
            standing("hibiscus 12", AlertName::SensorSilent, AlarmState::Unacknowledged),
        ];
        let unseen = [AlarmState::Unacknowledged];
        let (name, slug) = only(&all, AlertName::FridgeSoon, &unseen).unwrap();
        assert_eq!((name.as_str(), slug.as_str()), ("hibiscus 12", "hibiscus-12"));
        // Two sensors of one batch are one batch.
        assert!(only(&all, AlertName::SensorSilent, &unseen).is_ok());

        all.push(standing(
            "lime and mint 4",
            AlertName::FridgeSoon,
            AlarmState::Unacknowledged,
        ));
        let several = only(&all, AlertName::FridgeSoon, &unseen)
            .unwrap_err()
            .to_string();
        assert!(several.contains("'hibiscus 12', 'lime and mint 4'"), "{several}");
        assert!(!several.contains("plum"), "{several}");

        let none = only(&all, AlertName::OverLimit, &unseen).unwrap_err().to_string();
        assert!(none.contains("over_limit does not stand") && none.contains("fridge_soon, sensor_silent"));
    }
}
