//! Which topics a subscription reaches. (The broker client's own function panics at a topic whose first letter is not of ASCII.)

/// Whether `filter`, a sound one, reaches messages of `topic`: MQTT 5.0, section 4.7.
pub(super) fn reaches(filter: &str, topic: &str) -> bool {
    // The server's own topics, which no wildcard at the beginning reaches: 4.7.2.
    if topic.starts_with('$') && filter.starts_with(['+', '#']) {
        return false;
    }
    let mut levels = topic.split('/');
    for wanted in filter.split('/') {
        if wanted == "#" {
            return true;
        }
        match levels.next() {
            Some(level) if wanted == "+" || wanted == level => {}
            _ => return false,
        }
    }
    levels.next().is_none()
}

#[cfg(test)]
mod tests {
    use super::reaches;

    /// The examples of MQTT 5.0, sections 4.7.1.2, 4.7.1.3 and 4.7.2.
    #[test]
    fn the_examples_of_the_standard_hold() {
        for (filter, topic, held) in [
            ("sport/tennis/player1/#", "sport/tennis/player1", true),
            ("sport/tennis/player1/#", "sport/tennis/player1/ranking", true),
            (
                "sport/tennis/player1/#",
                "sport/tennis/player1/score/wimbledon",
                true,
            ),
            ("sport/#", "sport", true),
            ("sport/tennis/+", "sport/tennis/player1", true),
            ("sport/tennis/+", "sport/tennis/player2", true),
            ("sport/tennis/+", "sport/tennis/player1/ranking", false),
            ("sport/+", "sport", false),
            ("sport/+", "sport/", true),
            ("+/+", "/finance", true),
            ("/+", "/finance", true),
            ("+", "/finance", false),
            ("#", "$SYS/uptime", false),
            ("+/monitor/Clients", "$SYS/monitor/Clients", false),
            ("$SYS/#", "$SYS/monitor/Clients", true),
            ("$SYS/monitor/+", "$SYS/monitor/Clients", true),
        ] {
            assert_eq!(reaches(filter, topic), held, "{filter} {topic}");
        }
    }

    #[test]
    fn letters_of_every_alphabet_are_letters() {
        for topic in ["Öl/pressure", "ׯ;", "\u{1f37e}/pressure"] {
            assert!(reaches("#", topic) && !reaches("house/+", topic), "{topic}");
        }
        assert!(reaches("+/pressure", "Öl/pressure") && reaches("Öl/+", "Öl/pressure"));
    }
}
