//! Day by day for sixty days, if nobody moves the bottles.

use fobwatch_core::{
    forecast::Quantiles,
    plan::{Planner, Prospect},
    quantity::{AlcoholByVolume, Co2Volumes, GaugePressure, NotAQuantity, Temperature},
};
use jiff::{SignedDuration, Timestamp};

use super::{Asked, about, room::wider};
use crate::{
    config::Display,
    wording::{Units, plain},
};

/// Days since sealing that are told.
const DAYS: [i64; 11] = [1, 2, 3, 4, 5, 7, 10, 14, 21, 30, 60];

/// A day of forgotten bottles.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Day {
    pub(crate) at: Timestamp,
    pub(crate) days: i64,
    /// In the target's sense.
    pub(crate) co2: Quantiles<Co2Volumes>,
    /// Gauge pressure of the fullest bottle.
    pub(crate) pressure: Quantiles<GaugePressure>,
    /// Alcohol with the middle and the highest content.
    pub(crate) alcohol: [AlcoholByVolume; 2],
}

pub(super) fn of(asked: &Asked<'_>, prospects: &[Prospect]) -> Result<Vec<Day>, NotAQuantity> {
    let middle = Temperature::from_celsius(asked.room.middle())?;
    let planner = Planner::new(asked.batch, asked.surroundings.usual_ambient, middle);
    let mut days = Vec::new();
    for number in DAYS {
        let Ok(at) = asked
            .batch
            .bottled_at
            .checked_add(SignedDuration::from_hours(24 * number))
        else {
            break;
        };
        let each = prospects.iter().map(|prospect| {
            let (forecast, outlook) = prospect.as_of(at);
            (forecast.co2, outlook.worst_bottle_now)
        });
        let Some((co2, pressure)) = each.reduce(|a, b| (wider(a.0, b.0), wider(a.1, b.1))) else {
            break;
        };
        days.push(Day {
            at,
            days: number,
            co2,
            pressure,
            alcohol: [planner.alcohol_at(co2.p50)?, planner.alcohol_at(co2.p95)?],
        });
    }
    Ok(days)
}

/// A pressure as it is told of, marked if bottles of this `limit` may not stand at it.
pub(crate) fn marked(pressure: GaugePressure, limit: GaugePressure, told: String) -> String {
    if pressure >= limit {
        format!("Danger: {told}")
    } else {
        told
    }
}

/// The same as lines of a table; danger is marked in the middle and at its upper end.
pub(crate) fn table(days: &[Day], limit: GaugePressure, display: &Display) -> Vec<String> {
    let units = Units::from(display);
    let rows = days.iter().map(|day| {
        [
            day.days.to_string(),
            format!("{:.1}", day.co2.p50.volumes()),
            marked(day.pressure.p50, limit, units.pressure(day.pressure.p50)),
            marked(day.pressure.p95, limit, units.at_most(day.pressure.p95)),
            format!("{:.1} %", day.alcohol[0].percent()),
        ]
    });
    let head = [
        "days in the room",
        "volumes",
        "fullest bottle",
        "one in twenty above",
        "alcohol",
    ]
    .map(str::to_owned);
    std::iter::once(head)
        .chain(rows)
        .map(|[day, co2, pressure, most, alcohol]| {
            plain(&format!(
                "{day:>16} {co2:>9} {pressure:>16} {most:>21} {alcohol:>9}"
            ))
        })
        .collect()
}

/// When the lines of the law are passed.
pub(super) fn said(asked: &Asked<'_>, days: &[Day]) -> Option<String> {
    let lines: Vec<String> = [0.5, 1.2]
        .into_iter()
        .filter_map(|line| {
            Some(format!(
                "{line} % about {}",
                about(passed(days, line)?, &asked.display.zone)
            ))
        })
        .collect();
    (!lines.is_empty()).then(|| {
        format!(
            "As likely as not its alcohol passes {}, where laws draw lines.",
            lines.join(", and ")
        )
    })
}

/// When the middle of the alcohol passes `line`, percent; straight between the days.
fn passed(days: &[Day], line: f64) -> Option<Timestamp> {
    let after = days.iter().position(|day| day.alcohol[0].percent() >= line)?;
    let (before, day) = (days.get(after.checked_sub(1)?)?, days.get(after)?);
    let (low, high) = (before.alcohol[0].percent(), day.alcohol[0].percent());
    let share = ((line - low) / (high - low).max(1e-9)).clamp(0.0, 1.0);
    let between = day.at.duration_since(before.at).as_secs_f64();
    before
        .at
        .checked_add(SignedDuration::from_secs_f64(share * between))
        .ok()
}
