//! Expected moves as a calendar to subscribe to (RFC 5545, with RFC 7986 for how often to ask).
//!
//! One event a batch under one identity: it moves as the forecast narrows, and is withdrawn once the bottles are in the fridge or a move is
//! no longer safe. Of very many it holds those that are due first, and says how many more there are.

use jiff::{SignedDuration, Timestamp};

use super::{Context, Passed, Shown, caution, need};

/// So many events; a calendar asks for all of them again and again.
const MOST_EVENTS: usize = 200;

/// How long the event is drawn: it is a moment, but nobody sees one of no length.
const LONG: SignedDuration = SignedDuration::from_mins(30);
/// Octets in a line, its end aside (RFC 5545, 3.1).
const MOST: usize = 75;

/// The places in the list of those whose moves are due first, and behind them of those that are in the fridge since a short time; and how many more
/// there are.
pub(super) fn chosen(all: &[Passed]) -> (Vec<usize>, usize) {
    let glances = || all.iter().map(|passed| &passed.glance).enumerate();
    let mut coming: Vec<_> = glances()
        .filter(|(_, glance)| !glance.chilled)
        .filter_map(|(place, glance)| Some((glance.move_at?, place)))
        .collect();
    coming.sort_unstable();
    let mut gone: Vec<_> = glances()
        .filter(|(_, glance)| glance.chilled)
        .filter_map(|(place, glance)| Some((glance.reckoned_at?, place)))
        .collect();
    gone.sort_unstable_by(|a, b| b.cmp(a));
    let mut places: Vec<usize> = coming.into_iter().chain(gone).map(|(_, place)| place).collect();
    let others = places.len().saturating_sub(MOST_EVENTS);
    places.truncate(MOST_EVENTS);
    (places, others)
}

/// The calendar of these batches; `others` are not among them.
pub(super) fn of(batches: &[Shown], others: usize, context: &Context) -> String {
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
    if others > 0 {
        the_others(batches, others, context, &mut lines);
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

/// Stands where the last of the coming moves does: from there on it is no longer whole.
fn the_others(batches: &[Shown], others: usize, context: &Context, lines: &mut Lines) {
    let moves = batches.iter().filter(|shown| !shown.is_chilled());
    let last = moves.filter_map(|shown| shown.forecast()?.move_at?.p50).max();
    let start = last.unwrap_or(context.now).max(context.now);
    let demo = if context.demo { "Demo: " } else { "" };
    lines.put("BEGIN", "VEVENT");
    lines.put("UID", "others@fobwatch");
    lines.put("DTSTAMP", &utc(context.now));
    lines.put("SEQUENCE", &(context.now.as_second() / 60).max(0).to_string());
    lines.put("DTSTART", &utc(start));
    lines.put("DTEND", &utc(start.saturating_add(LONG).unwrap_or(start)));
    lines.put("STATUS", "CONFIRMED");
    lines.put("TRANSP", "TRANSPARENT");
    let (batches, are) = if others == 1 {
        ("batch", "is")
    } else {
        ("batches", "are")
    };
    lines.text(
        "SUMMARY",
        &format!("{demo}{others} more {batches} {are} not in this calendar"),
    );
    lines.text(
        "DESCRIPTION",
        &format!(
            "It holds the {MOST_EVENTS} that are due first. The page of fobwatch and `fobwatch status --all` tell of every batch."
        ),
    );
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
        let text = of(&[shown.clone()], 0, &context());
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
        let before = events(&of(std::slice::from_ref(&shown), 0, &context())).remove(0);
        let mut later = shown.clone();
        let forecast = later.view.forecast.as_mut().unwrap();
        forecast.at += SignedDuration::from_mins(30);
        forecast.move_at.as_mut().unwrap().p50 = Some(forecast.at + SignedDuration::from_hours(9));
        let after = events(&of(&[later.clone()], 0, &context())).remove(0);
        assert_eq!(after.get_uid(), before.get_uid());
        assert!(sequence(&after) > sequence(&before));
        assert_ne!(after.property_value("DTSTART"), before.property_value("DTSTART"));

        let mut danger = later;
        danger.view.alerts = vec![alert(AlertName::OverLimit, 1, "Danger.")];
        let text = of(&[danger], 0, &context());
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

    #[test]
    fn of_very_many_it_holds_those_that_are_due_first_and_says_how_many_more_there_are() {
        let base = Passed::from(&hibiscus());
        let move_at = base.glance.move_at.unwrap();
        let many = i64::try_from(MOST_EVENTS).unwrap();
        // The later in the list, the sooner due; each third is in the fridge, and one has nothing to tell.
        let mut all: Vec<Passed> = (0..many + 50)
            .map(|number| {
                let mut passed = base.clone();
                passed.glance.move_at = Some(move_at - SignedDuration::from_mins(number));
                passed.glance.chilled = number % 3 == 0;
                passed.glance.reckoned_at = Some(move_at - SignedDuration::from_hours(number));
                passed
            })
            .collect();
        all[1].glance.move_at = None;
        let (places, others) = chosen(&all);
        assert_eq!((places.len(), others), (MOST_EVENTS, 49));
        let coming = places.iter().take_while(|place| *place % 3 != 0).count();
        assert_eq!(
            coming,
            all.iter().filter(|passed| !passed.glance.chilled).count() - 1
        );
        assert!(places[..coming].is_sorted_by(|a, b| a > b) && places[coming..].is_sorted());
        assert_eq!(chosen(&all[..90]).1, 0);

        let shown = hibiscus();
        let text = of(std::slice::from_ref(&shown), 49, &context());
        let found = events(&text);
        assert_eq!(found.len(), 2);
        let summary = found[1].get_summary().unwrap();
        assert!(
            summary.contains("49 more batches are not in this calendar"),
            "{summary}"
        );
        let best = shown.forecast().unwrap().move_at.unwrap().p50.unwrap();
        assert_eq!(
            found[1].property_value("DTSTART"),
            Some(utc(best.max(context().now)).as_str())
        );
        assert!(text.split("\r\n").all(|line| line.len() <= MOST), "{text}");
        assert!(of(&[shown], 1, &context()).contains("1 more batch is not"));
    }
}
