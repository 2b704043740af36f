//! `fobwatch watch --demo` as a visitor sees it: page, API, terminal, and nothing left behind.

use std::{fs, time::Duration};

use fobwatch_tests::{Daemon, run, wait_for};
use serde_json::Value;

/// A bound on waiting: the minute that is promised. It takes some ten seconds.
const PATIENCE: Duration = Duration::from_secs(60);

#[test]
fn a_visitor_sees_three_batches_and_is_told_to_move_one() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let temporary = folder.path().join("tmp");
    fs::create_dir(&temporary).expect("the folder of the demo is made");
    let demo = Daemon::demo(&temporary, &folder.path().join("demo.log"));

    assert!(demo.get("/health").is_ok_and(|health| health.contains("Demo")));
    let page = wait_for("a page with three batches", PATIENCE, || {
        let page = demo.get("/").ok()?;
        (page.matches("<section class=\"batch\"").count() == 3).then_some(page)
    });
    assert!(page.contains("<title>Demo: ") && page.contains("<strong>Demo.</strong>"));
    assert!(page.contains("Demo time: "));
    assert_eq!(fs::read_dir(&temporary).expect("it is listed").count(), 1);

    let alert = wait_for("an alert to move bottles", PATIENCE, || {
        let answer = demo.json("/api/v1/alerts");
        assert_eq!(answer.get("demo"), Some(&Value::Bool(true)));
        let alerts = answer.get("alerts")?.as_array()?.clone();
        alerts
            .into_iter()
            .find(|alert| alert.get("alert").is_some_and(|name| name == "move_to_fridge"))
    });
    let text = |key| alert.get(key).and_then(Value::as_str).unwrap_or_default();
    assert!(text("message").starts_with("Demo: Move "), "{alert}");
    let line = wait_for("the alert on the terminal", PATIENCE, || {
        let log = demo.log();
        log.lines()
            .find(|line| line.contains("alert=move_to_fridge"))
            .map(str::to_owned)
    });
    assert!(
        line.contains(&format!(" WARN Move {} to the fridge now", text("batch"))),
        "{line}"
    );

    // The demo's clock runs ahead of the wall's: what is noted now is noted by it, and told by it.
    let address = format!("127.0.0.1:{}", demo.port());
    let culture = |words: &[&str]| {
        let told = run(
            "fobwatch",
            &[&["culture"], words, &["--address", &address]].concat(),
        );
        assert_eq!(told.status, Some(0), "{}", told.stderr);
        told.stdout
    };
    culture(&["jar nine", "fed", "--grams", "20"]);
    let told = culture(&["jar nine"]);
    assert!(
        !told.contains("ahead of the clock") && told.contains("20"),
        "{told}"
    );

    let log = demo.log();
    assert!(log.lines().all(|line| line.starts_with("Demo ")), "{log}");
    assert_eq!(demo.stop(), Some(0), "{log}");
    assert_eq!(fs::read_dir(&temporary).expect("it is listed").count(), 0);
}

#[test]
fn a_demo_takes_no_bottles_of_ones_own() {
    for option in ["--config", "--data", "--batches"] {
        let refused = run("fobwatch", &["watch", "--demo", option, "x"]);
        assert_eq!(refused.status, Some(2), "{option}: {}", refused.stderr);
        assert!(refused.stderr.contains("--demo"), "{}", refused.stderr);
    }
}
