//! The temperature under the curves, as a thin line on the same axis.

use fobwatch_core::{
    quantity::Temperature,
    reading::{Measured, Quantity, Source},
};
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};

use super::{
    Context, Shown,
    geometry::{Scale, TimeAxis, WIDE, points, px},
};
use crate::store::{Bucket, Reader, StoreError};

/// Parts of the line.
const MOST: i64 = 120;
/// Parts are longer than the store's rollups, so that a page never goes over raw rows.
const LEAST_PART: SignedDuration = SignedDuration::from_mins(10);
/// A chart goes no further back.
const LONGEST: SignedDuration = SignedDuration::from_hours(10 * 24);
/// A gap longer than this many parts breaks the line.
const GAP: i32 = 4;

/// Height of the panel's line, and of its words above.
pub(super) const HEIGHT: f64 = 36.0;
pub(super) const WORDS: f64 = 26.0;
/// A steady temperature is drawn as steady: the scale covers this many degrees at least.
const LEAST_SPAN: f64 = 4.0;

/// What a thermometer told, in parts.
#[derive(Clone, Debug, PartialEq)]
pub struct Warmth {
    /// Of the drink or of the room.
    pub quantity: Quantity,
    /// Length of a part.
    pub part: SignedDuration,
    /// Middle of a part, and the mean in it.
    pub points: Vec<(Timestamp, Temperature)>,
}

/// Which thermometer's line is drawn: the drink's, else the room's.
pub(crate) fn thermometer(shown: &Shown) -> Option<(Source, Quantity)> {
    [Quantity::LiquidTemperature, Quantity::RoomTemperature]
        .into_iter()
        .find_map(|quantity| {
            let heard = shown
                .view
                .sensors
                .iter()
                .find(|sensor| sensor.quantity == quantity)?;
            Some((heard.source.clone(), quantity))
        })
}

/// The line of a thermometer since `sealed_at`, from the store's rollups.
///
/// # Errors
/// The store cannot be read.
pub(crate) fn of(
    reader: &Reader<'_>,
    (source, quantity): &(Source, Quantity),
    sealed_at: Timestamp,
    now: Timestamp,
) -> Result<Warmth, StoreError> {
    let from = sealed_at.max(now.saturating_sub(LONGEST).unwrap_or(sealed_at));
    let length = now.duration_since(from).as_secs();
    let count = (length / LEAST_PART.as_secs()).clamp(1, MOST);
    let part = SignedDuration::from_secs(length / count);
    let parts = reader.rolled(source, *quantity, from, now, u32::try_from(count).unwrap_or(1))?;
    let middle = |bucket: &Bucket| {
        bucket
            .from
            .saturating_add(part / 2)
            .unwrap_or(bucket.from)
            .min(now)
    };
    let points = parts
        .iter()
        .filter_map(|bucket| match bucket.mean {
            Measured::LiquidTemperature(mean) | Measured::RoomTemperature(mean) => {
                Some((middle(bucket), mean))
            }
            _ => None,
        })
        .collect();
    Ok(Warmth {
        quantity: *quantity,
        part,
        points,
    })
}

/// The panel, whose words begin at `top`; nothing where no part lies on the axis.
pub(super) fn panel(warmth: &Warmth, axis: TimeAxis, top: f64, context: &Context) -> Option<Markup> {
    let seen: Vec<(Timestamp, Temperature)> = warmth
        .points
        .iter()
        .copied()
        .filter(|(at, _)| axis.holds(*at))
        .collect();
    let by_warmth = |a: &&(Timestamp, Temperature), b: &&(Timestamp, Temperature)| {
        a.1.celsius().total_cmp(&b.1.celsius())
    };
    let (least, most) = (seen.iter().min_by(by_warmth)?.1, seen.iter().max_by(by_warmth)?.1);
    let units = context.units();
    let whose = match warmth.quantity {
        Quantity::LiquidTemperature => "of the drink",
        _ => "of the room",
    };
    let words = if units.temperature(least) == units.temperature(most) {
        format!("temperature {whose}, {}", units.temperature(most))
    } else {
        let (least, most) = (units.temperature(least), units.temperature(most));
        format!("temperature {whose}, {least} to {most}")
    };
    let span = (most.celsius() - least.celsius()).max(LEAST_SPAN);
    let bottom = f64::midpoint(least.celsius(), most.celsius()) - span / 2.0;
    let scale = Scale {
        most: span,
        top: 2.0,
        bottom: HEIGHT - 2.0,
    };
    let lines = seen.chunk_by(|a, b| b.0.duration_since(a.0) <= warmth.part * GAP);
    Some(html! {
        text class="tick" x="0" y=(px(top + WORDS - 8.0)) { (words) }
        svg x="0" y=(px(top + WORDS)) width="100%" height=(px(HEIGHT)) viewBox={ "0 0 " (WIDE) " " (HEIGHT) }
            preserveAspectRatio="none" {
            @for line in lines {
                polyline class="warmth" points=(points(line.iter().map(|(at, warm)| {
                    (axis.share(*at) * WIDE, scale.y(warm.celsius() - bottom))
                }))) {}
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{quantity::Unit, reading::Reading};
    use tempfile::TempDir;

    use super::*;
    use crate::{
        page::fixture::{context, hibiscus, now},
        store::Writer,
    };

    fn at(second: i64) -> Timestamp {
        now() + SignedDuration::from_secs(second)
    }

    #[test]
    fn three_days_of_a_reading_in_five_seconds_become_a_hundred_parts() {
        let folder = TempDir::new().unwrap();
        let mut writer = Writer::open(folder.path()).unwrap();
        let probe = Source::new("probe").unwrap();
        let quantity = Quantity::LiquidTemperature;
        let sealed = at(-3 * 86_400);
        let rows: Vec<Reading> = (0..3 * 86_400 / 5)
            .map(|index| Reading {
                at: sealed + SignedDuration::from_secs(5 * index),
                source: probe.clone(),
                measured: Measured::new(quantity, if index % 2 == 0 { 20.0 } else { 22.0 }, Unit::Celsius)
                    .unwrap(),
            })
            .collect();
        for rows in rows.chunks(5_000) {
            writer.append_readings(rows, now()).unwrap();
        }
        let warmth = of(&writer.reader(), &(probe, quantity), sealed, now()).unwrap();
        assert!(
            (100..=121).contains(&warmth.points.len()),
            "{}",
            warmth.points.len()
        );
        for (time, mean) in &warmth.points {
            assert!((sealed..=now()).contains(time), "{time}");
            assert!((mean.celsius() - 21.0).abs() < 0.05, "{}", mean.celsius());
        }
    }

    #[test]
    fn a_gap_breaks_the_line_and_nothing_seen_draws_nothing() {
        let axis = TimeAxis::new(at(-86_400), at(86_400));
        let warm = |hour: i64| (at(3_600 * hour), Temperature::from_celsius(20.0).unwrap());
        let mut warmth = Warmth {
            quantity: Quantity::RoomTemperature,
            part: SignedDuration::from_hours(1),
            points: vec![warm(-20), warm(-19), warm(-4), warm(-3)],
        };
        let drawn = panel(&warmth, axis, 0.0, &context()).unwrap().into_string();
        assert_eq!(drawn.matches("<polyline").count(), 2, "{drawn}");
        assert!(
            drawn.contains("temperature of the room, 20.0\u{a0}\u{b0}C<"),
            "{drawn}"
        );
        warmth.points = vec![warm(-500)];
        assert!(panel(&warmth, axis, 0.0, &context()).is_none());
    }

    #[test]
    fn the_drinks_thermometer_goes_before_the_rooms() {
        let mut shown = hibiscus();
        assert_eq!(thermometer(&shown).unwrap().1, Quantity::LiquidTemperature);
        shown
            .view
            .sensors
            .retain(|sensor| sensor.quantity != Quantity::LiquidTemperature);
        assert_eq!(thermometer(&shown).unwrap().1, Quantity::RoomTemperature);
        shown.view.sensors.clear();
        assert!(thermometer(&shown).is_none());
    }
}
