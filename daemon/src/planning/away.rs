//! Nobody is at home until a moment: is it safe and right to leave the bottles where they are?

use fobwatch_core::{
    forecast::Quantiles,
    plan::{Away, Backwards, Change, Prospect, Taste, Way, stays_below},
    quantity::{Co2Volumes, GaugePressure, NotAQuantity, Temperature},
};
use jiff::{SignedDuration, Timestamp};

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
    /// What would make it right on the return, and is safe until then.
    ways: Vec<Way>,
    /// A change would make it right, but the limit may be passed while nobody is there.
    left_out: bool,
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
    let (mut ways, mut left_out) = (Vec::new(), false);
    if !(right && safe) {
        let back = Backwards {
            batch: asked.batch,
            lessons: asked.lessons,
            surroundings: asked.surroundings,
        };
        let dose = back.dose(Temperature::from_celsius(asked.room.middle())?, at);
        for way in dose.into_iter().chain(back.room(at)).filter(|way| way.fits) {
            if unwatched(asked, &way, at)? {
                ways.push(way);
            } else {
                left_out = true;
            }
        }
    }
    Ok(Some(Home {
        at,
        safe,
        right,
        after_move: away.after_move,
        pressure: away.worst_bottle,
        away,
        ways,
        left_out,
    }))
}

/// Whether bottles that are changed so may be left alone until `at`, in every room that they may stand in.
fn unwatched(asked: &Asked<'_>, way: &Way, at: Timestamp) -> Result<bool, NotAQuantity> {
    let dose = match way.change {
        Change::Dose(dose) if !asked.room.is_one() => dose,
        Change::Dose(_) | Change::Room(_) => return Ok(stays_below(way.forecast.limit_at, at)),
    };
    let mut batch = asked.batch.clone();
    batch.drink.culture_dose = Some(dose);
    let changed = Asked {
        batch: &batch,
        ..asked.clone()
    };
    let prospects = changed.prospects()?;
    Ok(prospects
        .iter()
        .all(|prospect| stays_below(prospect.forecast().limit_at, at)))
}

/// One advice: what is safe decides, and taste only within it.
pub(super) fn said(asked: &Asked<'_>, home: &Home) -> Vec<String> {
    let taste = home.away.taste(asked.batch.target.co2);
    let mut said = if home.safe {
        safe(asked, home, taste)
    } else {
        unsafe_to_leave(asked, home, taste)
    };
    if home.right && home.safe {
        return said;
    }
    let ways = home.ways.iter();
    said.extend(ways.filter_map(|way| backwards::way(asked, way, home.at, "on your return")));
    if home.left_out {
        said.push(
            "Other ways to have it right on your return are not told: with them your limit may be passed while nobody is there."
                .to_owned(),
        );
    }
    said
}

fn safe(asked: &Asked<'_>, home: &Home, taste: Taste) -> Vec<String> {
    let zone = &asked.display.zone;
    let units = Units::from(asked.display);
    let mut said = vec![format!(
        "Left in the room until {} they stay below your limit of {} until then and half a day after, nineteen times in twenty: the fullest \
         bottle is then at about {}, one in twenty above {}. That is an estimate: keep them in a lidded crate.",
        local(home.at, zone),
        units.limit(asked.batch.bottle.pressure_limit),
        units.pressure(home.pressure.p50),
        units.at_most(home.pressure.p95),
    )];
    let ends = ends(asked, home);
    match taste {
        Taste::Right => said.push(format!("{ends}: as likely as not that is right.")),
        Taste::Short => said.push(format!(
            "{ends}: they will still be short of it. Leave them in the room, and go by the gauge when you are back."
        )),
        Taste::Beyond => {
            let early = home.away.move_at.and_then(|when| when.p05);
            let before = early.map_or_else(
                || "before you go".to_owned(),
                |at| format!("before you go, if that is not much before {}", about(at, zone)),
            );
            said.push(format!("{ends}: that is too late. Else {}", into_the_fridge(&before)));
        }
    }
    said
}

fn unsafe_to_leave(asked: &Asked<'_>, home: &Home, taste: Taste) -> Vec<String> {
    let zone = &asked.display.zone;
    let units = Units::from(asked.display);
    let first = home.away.limit_at.and_then(|limit| limit.p05).unwrap_or(home.at);
    let too_soon = if first <= home.at {
        "while nobody is there. If you come back to such bottles, do not go to them"
    } else {
        "which is too soon after it: whoever is late comes back to bottles that nobody may go near"
    };
    let ends = ends(asked, home);
    let taste = match taste {
        Taste::Right => "about right, but not safely",
        Taste::Short => {
            "still short of it, most likely; yet a lively culture comes to your limit by then or soon after"
        }
        Taste::Beyond => "too late as well",
    };
    let sealed = home.away.safe_if_sealed(asked.batch.bottled_at).map_or_else(
        || "Or seal them after your return.".to_owned(),
        |sealed| {
            // Never rounded to before it.
            let sealed = sealed
                .saturating_add(SignedDuration::from_mins(30))
                .unwrap_or(sealed);
            format!(
                "Or seal them later, not before {}: then they can be left alone until your return.",
                about(sealed, zone)
            )
        },
    );
    vec![
        format!(
            "Do not leave them in the room until {}: your limit of {} may be passed from {} on, {too_soon}. The fullest bottle would be at \
             about {} on your return, one in twenty above {}.",
            local(home.at, zone),
            units.limit(asked.batch.bottle.pressure_limit),
            about(first, zone),
            units.pressure(home.pressure.p50),
            units.at_most(home.pressure.p95),
        ),
        format!("So {} {sealed}", into_the_fridge("before you go")),
        format!("{ends}: {taste}."),
    ]
}

/// "Moved to the fridge then, they end at about 2.4 volumes (nine times in ten 1.2 to 3.9), and you want 2.8".
fn ends(asked: &Asked<'_>, home: &Home) -> String {
    format!(
        "Moved to the fridge only on your return, they end at about {:.1} volumes (nine times in ten {:.1} to {:.1}), and you want {:.1}",
        home.after_move.p50.volumes(),
        home.after_move.p05.volumes(),
        home.after_move.p95.volumes(),
        asked.batch.target.co2.volumes(),
    )
}

fn into_the_fridge(when: &str) -> String {
    format!(
        "put them into the fridge {when}: they wait there, with less fizz, and can come back to the room (`fobwatch rescue`)."
    )
}
