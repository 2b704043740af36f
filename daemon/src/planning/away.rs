//! Nobody is at home until a moment: is it safe and right to leave the bottles where they are?

use fobwatch_core::{
    forecast::Quantiles,
    plan::{Away, Backwards, Prospect, Taste, Way},
    quantity::{Co2Volumes, GaugePressure, NotAQuantity, Temperature},
};
use jiff::Timestamp;

use super::{
    Asked, about, backwards,
    room::{either, wider},
};
use crate::wording::{Units, local};

/// What the return finds, and what would mend it.
#[derive(Clone, Debug)]
pub(crate) struct Home {
    pub(crate) at: Timestamp,
    pub(crate) safe: bool,
    /// The likeliest content after a move then lies near the target.
    pub(crate) right: bool,
    pub(crate) after_move: Quantiles<Co2Volumes>,
    pub(crate) pressure: Quantiles<GaugePressure>,
    away: Away,
    ways: Vec<Way>,
}

pub(super) fn of(
    asked: &Asked<'_>,
    prospects: &[Prospect],
    at: Timestamp,
) -> Result<Option<Home>, NotAQuantity> {
    let each = prospects.iter().map(|prospect| Away::of(prospect, at));
    let away = each.reduce(|a, b| Away {
        until: a.until,
        after_move: wider(a.after_move, b.after_move),
        worst_bottle: wider(a.worst_bottle, b.worst_bottle),
        limit_at: either(a.limit_at, b.limit_at),
        move_at: either(a.move_at, b.move_at),
    });
    let Some(away) = away else {
        return Ok(None);
    };
    let right = away.taste(asked.batch.target.co2) == Taste::Right;
    let safe = away.is_safe();
    let mut ways = Vec::new();
    if !(right && safe) {
        let back = Backwards {
            batch: asked.batch,
            lessons: asked.lessons,
            surroundings: asked.surroundings,
        };
        ways.extend(back.dose(Temperature::from_celsius(asked.room.middle())?, at));
        ways.extend(back.room(at));
    }
    Ok(Some(Home {
        at,
        safe,
        right,
        after_move: away.after_move,
        pressure: away.worst_bottle,
        away,
        ways,
    }))
}

pub(super) fn said(asked: &Asked<'_>, home: &Home) -> Vec<String> {
    let zone = &asked.display.zone;
    let units = Units::from(asked.display);
    let limit = units.limit(asked.batch.bottle.pressure_limit);
    let target = asked.batch.target.co2.volumes();
    let when = local(home.at, zone);
    let mut said = Vec::new();
    let first = home.away.limit_at.and_then(|limit| limit.p05);
    said.push(if home.safe {
        format!(
            "Left in the room until {when} they stay below your limit of {limit}, nineteen times in twenty: the fullest bottle is then at \
             about {}, one in twenty above {}. That is an estimate: keep them in a lidded crate.",
            units.pressure(home.pressure.p50),
            units.at_most(home.pressure.p95),
        )
    } else {
        let from = first.map_or_else(|| when.clone(), |at| about(at, zone));
        format!(
            "Do not leave them in the room until {when}: your limit of {limit} may be passed from {from} on, and the fullest bottle is \
             then at about {}, one in twenty above {}. If you come back to such bottles, do not go to them.",
            units.pressure(home.pressure.p50),
            units.at_most(home.pressure.p95),
        )
    });
    let taste = format!(
        "Moved to the fridge then, they end at about {:.1} volumes (nine times in ten {:.1} to {:.1}), and you want {target:.1}",
        home.after_move.p50.volumes(),
        home.after_move.p05.volumes(),
        home.after_move.p95.volumes(),
    );
    said.push(match home.away.taste(asked.batch.target.co2) {
        Taste::Right => format!("{taste}: as likely as not that is right."),
        Taste::Short => {
            format!("{taste}: they will still be short of it. Leave them in the room, and go by the gauge.")
        }
        Taste::Beyond => format!("{taste}: that is too late."),
    });
    if home.right && home.safe {
        return said;
    }
    said.extend(
        home.ways
            .iter()
            .filter_map(|way| backwards::way(asked, way, home.at, "on your return")),
    );
    if home.away.taste(asked.batch.target.co2) == Taste::Beyond || !home.safe {
        let early = home.away.move_at.and_then(|when| when.p05);
        let before = early.map_or_else(
            || "before you go".to_owned(),
            |at| format!("before you go, if that is not much before {}", about(at, zone)),
        );
        said.push(format!(
            "Else put them into the fridge {before}: they wait there, with less fizz, and can come back to the room (`fobwatch rescue`). Or \
             seal them later, so that the day falls on your return."
        ));
    }
    said
}
