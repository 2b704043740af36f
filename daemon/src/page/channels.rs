//! What a person should know of the channels that carry alerts: which fail, what waits, what was given up.

use fobwatch_core::alert::sentence;
use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use maud::{Markup, html};

use super::Context;
use crate::store::Backlog;

/// Something that was given up is told for so long.
const TOLD_FOR: SignedDuration = SignedDuration::from_hours(7 * 24);

/// One sentence or two for each channel that does not do as it should; none for the others. `known`: the names of those that the
/// configuration has.
#[must_use]
pub fn sentences(backlog: &[Backlog], known: &[String], now: Timestamp, zone: &TimeZone) -> Vec<String> {
    backlog
        .iter()
        .flat_map(|of| {
            let is_known = known.contains(&of.destination);
            [failing(of, is_known, zone), given_up(of, now, zone)]
        })
        .flatten()
        .collect()
}

/// "webhook:phone" is the webhook "phone".
fn called(destination: &str) -> String {
    match destination.split_once(':') {
        Some(("webhook", name)) => format!("The webhook \u{201c}{name}\u{201d}"),
        Some(("email", name)) => format!("The mail \u{201c}{name}\u{201d}"),
        Some(("mqtt", name)) => {
            // Its client id stands behind host and port.
            let name = name.rsplit_once(':').map_or(name, |(broker, _client)| broker);
            format!("The broker {name}")
        }
        _ => destination.to_owned(),
    }
}

fn failing(of: &Backlog, is_known: bool, zone: &TimeZone) -> Option<String> {
    let who = called(&of.destination);
    if !is_known && of.waiting > 0 {
        return Some(format!(
            "{who} is no longer in the configuration, and {} for it; after three days they are given up.",
            waiting(of.waiting)
        ));
    }
    let complaint = of.complaint.as_ref().filter(|_| of.failing > 0)?;
    let since = of
        .failing_since
        .map(|since| format!(" since {}", sentence::local(since, zone)))
        .unwrap_or_default();
    Some(format!(
        "{who} does not take alerts{since}: {complaint}. {}, and it is tried again; look here and listen elsewhere meanwhile.",
        capital(&waiting(of.waiting))
    ))
}

fn given_up(of: &Backlog, now: Timestamp, zone: &TimeZone) -> Option<String> {
    let last = of.given_up_at?;
    if now.duration_since(last) > TOLD_FOR {
        return None;
    }
    let who = called(&of.destination);
    let count = match of.given_up {
        1 => "one alert was".to_owned(),
        some => format!("{some} alerts were"),
    };
    Some(format!(
        "{who}: {count} given up so far, the last on {}; the log names them.",
        sentence::local(last, zone)
    ))
}

fn waiting(count: u32) -> String {
    match count {
        1 => "one alert waits".to_owned(),
        some => format!("{some} alerts wait"),
    }
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars
        .next()
        .map(|first| first.to_uppercase().chain(chars).collect())
        .unwrap_or_default()
}

/// The sentences on the page.
pub(super) fn told(context: &Context) -> Markup {
    html! {
        @for sentence in &context.servers {
            p class="press" role="note" { (sentence) }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn backlog(destination: &str) -> Backlog {
        Backlog {
            destination: destination.to_owned(),
            waiting: 0,
            failing: 0,
            failing_since: None,
            complaint: None,
            given_up: 0,
            given_up_at: None,
        }
    }

    #[test]
    fn who_fails_what_waits_and_what_was_given_up_is_said() {
        let known = [
            "email:home".to_owned(),
            "webhook:phone".to_owned(),
            "mqtt:127.0.0.1:1883:fobwatch".to_owned(),
        ];
        let (now, zone) = (at("2026-03-05T12:00:00Z"), TimeZone::UTC);
        let say = |of: Backlog| sentences(&[of], &known, now, &zone);
        // Nothing is wrong, or something only waits for its time.
        assert!(say(backlog("email:home")).is_empty());
        let waits = Backlog {
            waiting: 3,
            ..backlog("email:home")
        };
        assert!(say(waits).is_empty());
        let failing = Backlog {
            waiting: 3,
            failing: 1,
            failing_since: Some(at("2026-03-05T08:00:00Z")),
            complaint: Some("it answers 500".to_owned()),
            ..backlog("mqtt:127.0.0.1:1883:fobwatch")
        };
        assert_eq!(
            say(failing),
            [
                "The broker 127.0.0.1:1883 does not take alerts since Thu 5 Mar 08:00 UTC: it answers 500. 3 alerts wait, and it \
                 is tried again; look here and listen elsewhere meanwhile."
            ]
        );
        let mut gone = Backlog {
            waiting: 1,
            given_up: 1,
            given_up_at: Some(at("2026-03-01T12:00:00Z")),
            ..backlog("webhook:old")
        };
        assert_eq!(
            say(gone.clone()),
            [
                "The webhook \u{201c}old\u{201d} is no longer in the configuration, and one alert waits for it; after three days they \
                 are given up.",
                "The webhook \u{201c}old\u{201d}: one alert was given up so far, the last on Sun 1 Mar 12:00 UTC; the log names them."
            ]
        );
        gone.waiting = 0;
        gone.given_up_at = Some(at("2026-02-01T12:00:00Z"));
        assert!(say(gone).is_empty());
    }
}
