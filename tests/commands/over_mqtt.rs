//! Alerts are seen to over a broker, where the configuration lets it.

use fobwatch_tests::{Broker, Subscriber, publish};
use serde_json::{Value, json};

use crate::kitchen::{Kitchen, PATIENCE, lively};

#[test]
fn an_alert_is_acknowledged_over_a_broker_and_nonsense_is_answered() {
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
