//! Alerts are seen to over a broker, where the configuration lets it.

use fobwatch_tests::{Broker, Subscriber, publish};
use serde_json::{Value, json};

use crate::kitchen::{Kitchen, PATIENCE, lively};

/// A broker, and a kitchen whose daemon takes commands over it.
fn taking_commands() -> (Broker, Kitchen) {
    let broker = Broker::start();
    let kitchen = Kitchen::new();
    kitchen.write(
        "kitchen.toml",
        &format!(
            "[display]\ntime_zone = \"UTC\"\n\n[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nusername = \"{}\"\npassword_file = \"{}\"\n\
             publish_prefix = \"fobwatch\"\ncommands = \"taken\"\n",
            broker.port(),
            Broker::USER,
            broker.password_file()
        ),
    );
    (broker, kitchen)
}

#[test]
fn an_alert_is_acknowledged_over_a_broker_and_nonsense_is_answered() {
    let (broker, kitchen) = taking_commands();
    let _daemon = kitchen.watch();
    let replies = Subscriber::to(&broker, "fobwatch/reply", "phone");
    let first = kitchen.write("hibiscus-12.toml", &lively("hibiscus 12"));
    kitchen.done(&["batch", "add", &first]);
    kitchen.wait_for_state("limit_near", "unacknowledged");

    let send = |command: Value| publish(&broker, "fobwatch/command", false, vec![command.to_string()]);
    let reply = |id: &str| -> Value {
        let (_, payload, _) = replies.expect(id, PATIENCE, |(_, payload, _)| payload.contains(id));
        serde_json::from_str(&payload).expect("JSON")
    };
    send(
        json!({ "id": "one", "batch": "hibiscus 12", "alert": "limit_near", "deed": "acknowledge", "who": "Ada" }),
    );
    let done = reply("one");
    assert_eq!(done["alert"], "limit_near", "{done}");
    kitchen.wait_for_state("limit_near", "acknowledged");

    send(
        json!({ "id": "two", "batch": "plum 9", "alert": "limit_near", "deed": "acknowledge", "who": "Ada" }),
    );
    let refused = reply("two");
    assert!(
        refused["error"]
            .as_str()
            .is_some_and(|why| why.contains("hibiscus-12")),
        "{refused}"
    );
    publish(&broker, "fobwatch/command", false, vec!["{not json".to_owned()]);
    let refused = reply("cannot be read");
    assert!(
        refused["error"]
            .as_str()
            .is_some_and(|why| why.contains("allowed")),
        "{refused}"
    );
}

/// What a command topic is answered, by what is sent to it.
struct Phone<'a> {
    broker: &'a Broker,
    replies: Subscriber,
}

impl Phone<'_> {
    fn says(&self, payload: String) {
        publish(self.broker, "fobwatch/command", false, vec![payload]);
    }

    /// The next answer with `part` in it.
    fn hears(&self, part: &str) -> Value {
        let (_, payload, _) = self
            .replies
            .expect(part, PATIENCE, |(_, payload, _)| payload.contains(part));
        serde_json::from_str(&payload).expect("JSON")
    }
}

#[test]
fn hostile_and_odd_commands_are_answered_and_harm_nothing() {
    let (broker, kitchen) = taking_commands();
    // Kept by the broker from before: nobody knows how old it is.
    let command = |id: &str, alert: &str, deed: &str, more: Value| {
        let mut command =
            json!({ "id": id, "batch": "hibiscus 12", "alert": alert, "deed": deed, "who": "Ada" });
        command
            .as_object_mut()
            .unwrap()
            .extend(more.as_object().unwrap().clone());
        command.to_string()
    };
    let kept = command("kept", "limit_near", "acknowledge", json!({}));
    publish(&broker, "fobwatch/command", true, vec![kept]);
    let phone = Phone {
        broker: &broker,
        replies: Subscriber::to(&broker, "fobwatch/reply", "phone"),
    };
    let told = Subscriber::to(&broker, "fobwatch/hibiscus-12/alert/#", "other phone");
    let _daemon = kitchen.watch();
    assert!(
        phone.hears("retained")["error"]
            .as_str()
            .is_some_and(|why| why.contains("not carried out"))
    );
    let first = kitchen.write("hibiscus-12.toml", &lively("hibiscus 12"));
    kitchen.done(&["batch", "add", &first]);
    kitchen.wait_for_state("limit_near", "unacknowledged");

    let refused = |payload: String, answer: &str, why: &str| {
        phone.says(payload);
        let heard = phone.hears(answer);
        assert!(
            heard["error"].as_str().is_some_and(|said| said.contains(why)),
            "{why}: {heard}"
        );
    };
    // Much too long, no text, another shape, another type.
    refused("x".repeat(60_000), "bytes long", "up to 16384");
    refused("\u{0}\u{1}".to_owned(), "cannot be read", "allowed");
    refused("[]".to_owned(), "cannot be read", "allowed");
    refused(format!("{}1", "[".repeat(10_000)), "cannot be read", "allowed");
    refused(
        command("odd", "limit_near", "acknowledge", json!({ "also": 1 })),
        "also",
        "unknown field",
    );
    // Nobody is named, or with a line of its own.
    for (id, who) in [
        ("nobody", "  "),
        ("lines", "Ada\nBea"),
        ("long", "Ada ".repeat(40).as_str()),
    ] {
        refused(
            command(id, "limit_near", "acknowledge", json!({ "who": who })),
            id,
            "`who`",
        );
    }
    // What may not be done, and what does not stand.
    refused(
        command("out", "limit_near", "take_out", json!({ "reason": "away" })),
        "out",
        "cannot be taken out of service",
    );
    refused(
        command("why", "limit_near", "shelve", json!({ "for_s": 60 })),
        "why",
        "`reason`",
    );
    refused(
        command(
            "ever",
            "limit_near",
            "shelve",
            json!({ "for_s": 99_999_999, "reason": "away" }),
        ),
        "ever",
        "30 days",
    );
    refused(
        command("none", "stalled", "acknowledge", json!({})),
        "none",
        "does not stand",
    );
    refused(
        command("name", "danger", "acknowledge", json!({})),
        "name",
        "is not known",
    );
    // Sent long ago, or by a clock that is wrong.
    for (id, at) in [("old", "2020-01-01T00:00:00Z"), ("ahead", "2100-01-01T00:00:00Z")] {
        refused(
            command(id, "limit_near", "acknowledge", json!({ "at": at })),
            id,
            "ten minutes",
        );
    }
    kitchen.wait_for_state("limit_near", "unacknowledged");

    // Sent twice, done once: both are answered alike, and whoever listens is told once who it was.
    let twice = command(
        "twice",
        "limit_near",
        "acknowledge",
        json!({ "at": jiff::Timestamp::now().to_string() }),
    );
    publish(&broker, "fobwatch/command", false, vec![twice.clone(), twice]);
    let (first, second) = (phone.hears("twice"), phone.hears("twice"));
    assert_eq!(first, second);
    assert_eq!(first["alert"], "limit_near", "{first}");
    kitchen.wait_for_state("limit_near", "acknowledged");
    let (_, seen, _) = told.expect("who has seen to it", PATIENCE, |(_, payload, _)| {
        payload.contains("acknowledged")
    });
    let seen: Value = serde_json::from_str(&seen).expect("JSON");
    assert_eq!(seen["who"], "Ada", "{seen}");
}
