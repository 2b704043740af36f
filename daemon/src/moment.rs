//! Moments as a person types them: `2026-12-05 12:00` on the own clock, or with their offset.

use fobwatch_core::alert::sentence::zone_of;
use jiff::{Timestamp, civil::DateTime, tz::TimeZone};

/// What a form takes, whose clock is the user's.
pub(crate) const ALLOWED: &str = "a day and hour by your own clock, as 2026-12-05 12:00";

/// Reads a moment; without a zone it is one of `zone`. A time that a clock shows twice is the earlier one.
///
/// # Errors
/// No moment, told with what is allowed.
pub(crate) fn read(text: &str, zone: &TimeZone) -> Result<Timestamp, String> {
    let text = text.trim();
    if let Ok(at) = text.parse::<Timestamp>() {
        return Ok(at);
    }
    let civil = text.parse::<DateTime>().ok();
    civil
        .and_then(|civil| zone.to_ambiguous_zoned_datetime(civil).compatible().ok())
        .map(|zoned| zoned.timestamp())
        .ok_or_else(|| {
            let given: String = text.chars().filter(|c| !c.is_control()).take(40).collect();
            format!("`{given}` is no moment; allowed: as \"2026-12-05 12:00\" on your own clock, or with its offset, as 2026-12-05T12:00+01:00")
        })
}

/// A moment as it may be typed: "2026-12-05 12:00".
pub(crate) fn typed(at: Timestamp, zone: &TimeZone) -> String {
    at.to_zoned_datetime(zone.clone())
        .strftime("%Y-%m-%d %H:%M")
        .to_string()
}

/// A time in the user's zone: "Thursday 5 March 2026, 15:20 CET".
pub(crate) fn local(at: Timestamp, zone: &TimeZone) -> String {
    let local = at.to_zoned_datetime(zone.clone());
    format!("{} {}", local.strftime("%A %-d %B %Y, %H:%M"), zone_of(&local))
}

/// A question about a sealing that lies so far from `now` that its year may be mistyped.
pub(crate) fn odd_year(sealed_at: Timestamp, now: Timestamp, zone: &TimeZone) -> Option<String> {
    let days = sealed_at.duration_since(now).as_hours() / 24;
    let off = match days {
        ..-1_826 => "more than five years ago",
        367.. => "more than a year ahead",
        _ => return None,
    };
    Some(format!(
        "`bottled_at` is {}, {off}: is the year right?",
        sealed_at.to_zoned_datetime(zone.clone()).strftime("%-d %B %Y")
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sealing_in_another_age_is_asked_about() {
        let at = |text: &str| text.parse::<Timestamp>().unwrap();
        let now = at("2026-03-02T07:00:00Z");
        for (sealed, said) in [
            (
                "1926-03-02T07:00:00Z",
                Some("2 March 1926, more than five years ago"),
            ),
            (
                "2036-03-02T07:00:00Z",
                Some("2 March 2036, more than a year ahead"),
            ),
            ("2025-03-02T07:00:00Z", None),
            ("2026-12-24T07:00:00Z", None),
        ] {
            let asked = odd_year(at(sealed), now, &TimeZone::UTC);
            assert_eq!(asked.is_some(), said.is_some(), "{sealed}");
            assert!(said.is_none_or(|said| asked.unwrap().contains(said)), "{sealed}");
        }
    }

    #[test]
    fn a_moment_without_a_zone_is_on_the_own_clock() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        let noon: Timestamp = "2026-12-05T11:00:00Z".parse().unwrap();
        for text in [
            "2026-12-05 12:00",
            "2026-12-05T12:00:00",
            "2026-12-05T11:00:00Z",
            " 2026-12-05T13:00+02:00 ",
        ] {
            assert_eq!(read(text, &zone), Ok(noon), "{text}");
        }
        assert_eq!(typed(noon, &zone), "2026-12-05 12:00");
        for bad in [
            "",
            "Saturday",
            "12:00",
            "2026-13-05 12:00",
            "2026-12-05 25:00",
            "5.12.2026",
        ] {
            assert!(read(bad, &zone).unwrap_err().contains("allowed"), "{bad}");
        }
    }
}
