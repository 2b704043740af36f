//! Expected moves as a calendar to subscribe to (RFC 5545, with RFC 7986 for how often to ask).
//!
//! One event a batch under one identity: it moves as the forecast narrows, and is withdrawn once the bottles are in the fridge or a move is
//! no longer safe.

use jiff::{SignedDuration, Timestamp};

use super::{Context, Shown, caution, need};

/// How long the event is drawn: it is a moment, but nobody sees one of no length.
const LONG: SignedDuration = SignedDuration::from_mins(30);
/// Octets in a line, its end aside (RFC 5545, 3.1).
const MOST: usize = 75;

/// The calendar of these batches.
pub(super) fn of(batches: &[Shown], context: &Context) -> String {
    let mut lines = Lines::default();
    lines.put("BEGIN", "VCALENDAR");
    lines.put("VERSION", "2.0");
    lines.put("PRODID", "-//fobwatch//moves to the fridge//EN");
    lines.put("METHOD", "PUBLISH");
    lines.put("REFRESH-INTERVAL;VALUE=DURATION", "PT30M");
    lines.text(
        "NAME",
        if context.demo {
            "Demo: moves to the fridge"
        } else {
            "Moves to the fridge"
        },
    );
    for shown in batches {
        event(shown, context, &mut lines);
    }
    lines.put("END", "VCALENDAR");
    lines.out
}

/// Nothing while no move is or was expected.
fn event(shown: &Shown, context: &Context, lines: &mut Lines) {
    let Some(forecast) = shown.forecast() else {
        return;
    };
    let best = forecast.move_at.and_then(|when| when.p50);
    // A batch in the fridge has no move any more: its event is told as withdrawn at the time of sealing, which no program shows.
    let gone = shown.is_chilled() || shown.is_danger() || shown.is_none_left();
    let start = match best {
        Some(best) => best,
        None if gone => forecast.at,
        None => return,
    };
    let name = shown.batch.name.as_str();
    let demo = if context.demo { "Demo: " } else { "" };
    lines.put("BEGIN", "VEVENT");
    lines.put(
        "UID",
        &format!(
            "{}.{}@fobwatch",
            shown.batch.name.slug(),
            shown.batch.bottled_at.as_second()
        ),
    );
    lines.put("DTSTAMP", &utc(forecast.at));
    lines.put("LAST-MODIFIED", &utc(forecast.at));
    // Rises with every forecast: a later one replaces an earlier one.
    let age = forecast
        .at
        .duration_since(shown.batch.bottled_at)
        .as_mins()
        .max(0);
    lines.put("SEQUENCE", &(2 * age + i64::from(gone)).to_string());
    lines.put("DTSTART", &utc(start));
    lines.put("DTEND", &utc(start.saturating_add(LONG).unwrap_or(start)));
    lines.put("STATUS", if gone { "CANCELLED" } else { "CONFIRMED" });
    lines.put("TRANSP", "TRANSPARENT");
    let told = if shown.is_danger() {
        lines.text("SUMMARY", &format!("{demo}Withdrawn: do not move {name}"));
        format!("Danger. {}", caution::KEEP_OUT)
    } else if shown.is_none_left() {
        lines.text("SUMMARY", &format!("{demo}No bottle of {name} is left to move"));
        "They were opened, broke or were given away.".to_owned()
    } else if gone {
        lines.text("SUMMARY", &format!("{demo}{name} is in the fridge"));
        "The fridge slows the culture; it does not stop it.".to_owned()
    } else {
        lines.text("SUMMARY", &format!("{demo}Move {name} to the fridge"));
        let hours = forecast
            .move_at
            .and_then(|when| context.clock().between(&when))
            .map(|between| format!(" Nine times in ten it is due {between}."))
            .unwrap_or_default();
        format!(
            "{}{hours} {} This is an estimate and moves as more is known; fobwatch's own alert is what counts.",
            need::stand(shown, forecast),
            caution::CARRYING
        )
    };
    lines.text("DESCRIPTION", &told);
    if !gone {
        // A calendar that was taken along once may be old: it sends whoever it wakes here, and not to the bottles.
        lines.put("BEGIN", "VALARM");
        lines.put("ACTION", "DISPLAY");
        lines.text(
            "DESCRIPTION",
            &format!("{demo}{name} may be due for the fridge: look at fobwatch first"),
        );
        lines.put("TRIGGER", "-PT15M");
        lines.put("END", "VALARM");
    }
    lines.put("END", "VEVENT");
}

fn utc(at: Timestamp) -> String {
    at.strftime("%Y%m%dT%H%M%SZ").to_string()
}

#[derive(Default)]
struct Lines {
    out: String,
}

impl Lines {
    /// A value that is no free text.
    fn put(&mut self, name: &str, value: &str) {
        self.folded(&format!("{name}:{value}"));
    }

    /// A free text: what separates is escaped, other control characters are left out.
    fn text(&mut self, name: &str, text: &str) {
        let mut escaped = String::with_capacity(text.len());
        for c in text.chars() {
            match c {
                '\\' | ';' | ',' => escaped.extend(['\\', c]),
                '\n' => escaped.push_str("\\n"),
                c if c.is_control() => {}
                c => escaped.push(c),
            }
        }
        self.put(name, &escaped);
    }

    /// No line is longer than the standard has it; what goes on begins with a blank. No character is cut.
    fn folded(&mut self, line: &str) {
        let mut room = MOST;
        for c in line.chars() {
            if c.len_utf8() > room {
                self.out.push_str("\r\n ");
                room = MOST - 1;
            }
            self.out.push(c);
            room -= c.len_utf8();
        }
        self.out.push_str("\r\n");
    }
}

#[cfg(test)]
mod tests {
    use fobwatch_core::{alert::AlertName, batch::BatchName};
    use icalendar::{Calendar, CalendarComponent, Component};

    use super::{
        super::fixture::{alert, context, hibiscus},
        *,
    };

    /// Read by another program's parser.
    fn events(text: &str) -> Vec<icalendar::Event> {
        let calendar: Calendar = text.parse().unwrap();
        let events = calendar
            .components
            .into_iter()
            .filter_map(|component| match component {
                CalendarComponent::Event(event) => Some(event),
                _ => None,
            });
        events.collect()
    }

    fn sequence(event: &icalendar::Event) -> i64 {
        event.property_value("SEQUENCE").unwrap().parse().unwrap()
    }

    #[test]
    fn a_move_is_one_event_that_another_program_reads() {
        let mut shown = hibiscus();
        shown.batch.name =
            BatchName::new("one, two; \\ three \u{1f943}\u{1f943}\u{1f943} and a name that goes on and on")
                .unwrap();
        let text = of(&[shown.clone()], &context());
        assert!(text.split("\r\n").all(|line| line.len() <= MOST), "{text}");
        let found = events(&text);
        assert_eq!(found.len(), 1);
        let summary = found[0].get_summary().unwrap();
        assert!(summary.contains("Move one, two; \\ three \u{1f943}"), "{summary}");
        assert_eq!(found[0].property_value("STATUS"), Some("CONFIRMED"));
        let best = shown.forecast().unwrap().move_at.unwrap().p50.unwrap();
        assert_eq!(found[0].property_value("DTSTART"), Some(utc(best).as_str()));
        assert!(text.contains("TRIGGER:-PT15M\r\n") && text.contains("ACTION:DISPLAY\r\n"));
        assert!(
            found[0]
                .get_description()
                .unwrap()
                .contains("Carrying is when bottles burst")
        );
    }

    #[test]
    fn it_moves_with_the_forecast_and_is_withdrawn_in_danger() {
        let shown = hibiscus();
        let before = events(&of(std::slice::from_ref(&shown), &context())).remove(0);
        let mut later = shown.clone();
        let forecast = later.view.forecast.as_mut().unwrap();
        forecast.at += SignedDuration::from_mins(30);
        forecast.move_at.as_mut().unwrap().p50 = Some(forecast.at + SignedDuration::from_hours(9));
        let after = events(&of(&[later.clone()], &context())).remove(0);
        assert_eq!(after.get_uid(), before.get_uid());
        assert!(sequence(&after) > sequence(&before));
        assert_ne!(after.property_value("DTSTART"), before.property_value("DTSTART"));

        let mut danger = later;
        danger.view.alerts = vec![alert(AlertName::OverLimit, 1, "Danger.")];
        let text = of(&[danger], &context());
        assert!(!text.contains("VALARM"), "{text}");
        let withdrawn = events(&text).remove(0);
        assert_eq!(withdrawn.get_uid(), before.get_uid());
        assert_eq!(withdrawn.property_value("STATUS"), Some("CANCELLED"));
        assert!(sequence(&withdrawn) > sequence(&after));
        let told = withdrawn.get_description().unwrap();
        assert!(
            told.contains("Keep people and animals out") && !told.contains("move the crate"),
            "{told}"
        );
    }
}
