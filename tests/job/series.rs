//! watch -> a real time-series server, through the crate and behind a path: away for a while, it gets everything later, once.

use std::collections::{BTreeMap, BTreeSet};

use fobwatch_tests::{Daemon, SeriesServer, run, wait_for};

use crate::kitchen::{Kitchen, PATIENCE};

/// Longer than the server takes to show what it has taken.
const SOON: std::time::Duration = std::time::Duration::from_secs(60);

/// A configuration that tells `server` everything.
pub(crate) fn config(kitchen: &Kitchen, url: &str) -> std::path::PathBuf {
    let text = format!(
        "[clock]\nsource = \"readings\"\n\n[display]\ntime_zone = \"UTC\"\n\n[[series]]\nurl = \"{url}\"\norg = \"kitchen\"\nbucket = \"drinks\"\n"
    );
    kitchen.write("series.toml", &text)
}

/// Milliseconds of all points of a source's quantity, and how many of them there are.
fn times(server: &SeriesServer, name: &str, source: &str) -> Vec<i64> {
    let all = server.points(name);
    let own = all.iter().filter(|(metric, _)| metric["source"] == source);
    own.flat_map(|(_, points)| points.iter().map(|(at, _)| *at))
        .collect()
}

/// Milliseconds at which the simulator's pilot measured its pressure.
fn wanted(kitchen: &Kitchen) -> BTreeSet<i64> {
    let sent = kitchen.sent();
    let own = sent
        .iter()
        .filter(|(source, quantity, _)| source == "pilot" && quantity == "pressure");
    own.map(|(_, _, us)| us.div_euclid(1_000)).collect()
}

pub(crate) fn import(kitchen: &Kitchen, daemon: &Daemon) {
    let rows = kitchen.text_path("readings.csv");
    let imported = run(
        "fobwatch",
        &[
            "import",
            &rows,
            "--address",
            &format!("127.0.0.1:{}", daemon.port()),
        ],
    );
    assert_eq!(imported.status, Some(0), "{imported:#?}");
}

pub(crate) fn caught_up(kitchen: &Kitchen, server: &SeriesServer) {
    let wanted = wanted(kitchen);
    wait_for("the server to have every reading", PATIENCE, || {
        let there: BTreeSet<i64> = times(server, "fobwatch_reading_pressure_bar", "pilot")
            .into_iter()
            .collect();
        (there.len() >= wanted.len()).then_some(())
    });
    let there = times(server, "fobwatch_reading_pressure_bar", "pilot");
    assert_eq!(there.len(), wanted.len(), "each once");
    assert_eq!(there.into_iter().collect::<BTreeSet<_>>(), wanted);
}

#[test]
fn a_server_that_was_away_gets_everything_once_it_is_back() {
    let mut server = SeriesServer::stopped();
    let kitchen = Kitchen::new("lively_culture", 40.0);
    let data = kitchen.path("data");
    let file = config(&kitchen, &server.url());
    let daemon = Daemon::start(&file, &data, &kitchen.batches());
    import(&kitchen, &daemon);
    kitchen.wait_until_thought(&daemon);
    wait_for("the log to tell", PATIENCE, || {
        daemon
            .log()
            .contains("takes nothing; readings are kept and sent later")
            .then_some(())
    });
    assert!(
        daemon
            .get("/metrics")
            .unwrap()
            .contains("fobwatch_series_server_up{server=")
    );

    server.go();
    caught_up(&kitchen, &server);

    // Values with their units, forecasts with their quantiles in order, alerts as they stand.
    let celsius = server.points("fobwatch_reading_liquid_temperature_celsius");
    assert!(
        celsius[0].1.iter().all(|(_, value)| (5.0..40.0).contains(value)),
        "{celsius:?}"
    );
    let point = |quantile: &str| -> BTreeMap<i64, f64> {
        let all = server.points(&format!("fobwatch_forecast_co2_volumes_{quantile}"));
        assert_eq!(all[0].0["batch"], "lime and mint 4");
        assert_eq!(all[0].0["culture"], "jar two");
        all[0].1.iter().copied().collect()
    };
    // They are told after they are stored, which is after the engine has shown them.
    wait_for("a forecast for each half hour", PATIENCE, || {
        let there = server.points("fobwatch_forecast_co2_volumes_p95");
        (there.first()?.1.len() > 70).then_some(())
    });
    let (low, middle, high) = (point("p05"), point("p50"), point("p95"));
    assert!(
        middle
            .iter()
            .all(|(at, value)| low[at] <= *value && *value <= high[at])
    );
    let alerts = server.points("fobwatch_alert_standing");
    let raised = daemon.json("/api/v1/alerts")["alerts"].as_array().unwrap().len();
    assert!(alerts.len() >= raised, "{alerts:?}");

    // A restart of either tells nothing twice and loses nothing.
    assert_eq!(daemon.stop(), Some(0));
    server.stop();
    server.go();
    let daemon = Daemon::start(&file, &data, &kitchen.batches());
    caught_up(&kitchen, &server);
    let told = daemon.get("/metrics").unwrap();
    assert!(
        told.contains("fobwatch_series_server_up{server=") && told.ends_with("# EOF\n"),
        "{told}"
    );
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn a_server_behind_a_path_is_told_as_well() {
    let server = SeriesServer::start();
    let kitchen = Kitchen::new("lively_culture", 6.0);
    let file = config(&kitchen, &format!("{}/influx", server.url()));
    let daemon = Daemon::start(&file, &kitchen.path("data"), &kitchen.batches());
    import(&kitchen, &daemon);
    caught_up(&kitchen, &server);
    assert_eq!(daemon.stop(), Some(0));
}

/// Every query of the board, with all batches chosen.
fn queries() -> Vec<String> {
    let text = include_str!("../../dashboards/batches.json");
    let board: serde_json::Value = serde_json::from_str(text).expect("a board");
    assert_eq!(board["uid"], "fobwatch-batches");
    assert_eq!(board["templating"]["list"][0]["type"], "datasource");
    let panels = board["panels"].as_array().expect("panels");
    let targets = panels
        .iter()
        .filter_map(|panel| panel["targets"].as_array())
        .flatten();
    targets
        .map(|target| target["expr"].as_str().expect("a query").replace("$batch", ".*"))
        .collect()
}

#[test]
fn every_query_of_the_board_finds_something() {
    let server = SeriesServer::start();
    let kitchen = Kitchen::new("lively_culture", 40.0);
    let daemon = Daemon::start(
        &config(&kitchen, &server.url()),
        &kitchen.path("data"),
        &kitchen.batches(),
    );
    import(&kitchen, &daemon);
    kitchen.wait_until_thought(&daemon);
    caught_up(&kitchen, &server);
    wait_for("the last forecast there", PATIENCE, || {
        let all = server.points("fobwatch_forecast_co2_volumes_p50");
        let last = all.first()?.1.last()?.0;
        (last >= kitchen.last_heard().as_millisecond() - 3_600_000).then_some(())
    });
    let queries = queries();
    assert!(queries.len() > 12, "{queries:?}");
    for query in queries {
        // The server shows a point some time after it has taken it.
        let told = wait_for(&format!("{query} to find something"), SOON, || {
            let told = server.query(&query, kitchen.last_heard().as_second());
            (!told.is_empty()).then_some(told)
        });
        assert!(
            told.iter().all(|(_, value)| value.is_finite()),
            "{query}: {told:?}"
        );
    }
    assert_eq!(daemon.stop(), Some(0));
}

#[test]
fn the_metrics_are_read_by_another_program() {
    let server = SeriesServer::start();
    let kitchen = Kitchen::new("lively_culture", 20.0);
    let daemon = Daemon::start(
        &config(&kitchen, &server.url()),
        &kitchen.path("data"),
        &kitchen.batches(),
    );
    import(&kitchen, &daemon);
    kitchen.wait_until_thought(&daemon);
    let text = daemon.get("/metrics").expect("it answers");
    let samples: Vec<&str> = text.lines().filter(|line| !line.starts_with('#')).collect();
    assert!(samples.iter().any(|line| line.starts_with("fobwatch_co2_volumes{batch=\"lime-and-mint-4\",quantile=\"0.5\"} ")), "{text}");
    // All of the simulator's rows were imported, none of them refused; and each fit was timed.
    let sample = |name: &str| -> f64 {
        let line = samples.iter().find(|line| line.starts_with(name));
        let value = line.and_then(|line| line.rsplit(' ').next());
        value
            .unwrap_or_else(|| panic!("{name} in {text}"))
            .parse()
            .unwrap()
    };
    let new = sample("fobwatch_readings_total{input=\"api\",outcome=\"new\"}");
    let duplicate = sample("fobwatch_readings_total{input=\"api\",outcome=\"duplicate\"}");
    #[expect(clippy::cast_precision_loss, reason = "some thousands")]
    let sent = (kitchen.sent().len() as f64, kitchen.played.readings.len() as f64);
    assert!(
        (new - sent.0).abs() < 0.5 && (new + duplicate - sent.1).abs() < 0.5,
        "{new} {duplicate} {sent:?}"
    );
    assert!(sample("fobwatch_fit_duration_seconds_count") >= 40.0);
    assert!(sample("fobwatch_fit_duration_seconds_sum") > 0.0);
    // Imported under a label of its own, so that nothing else is counted.
    ureq::post(format!(
        "{}/api/v1/import/prometheus?extra_label=job=metrics",
        server.url()
    ))
    .send(&text)
    .expect("it takes them");
    wait_for("every sample to be there", PATIENCE, || {
        let names = server.query("count({job=\"metrics\"})", jiff::Timestamp::now().as_second() + 1);
        let count = names.first().map(|(_, count)| *count)?;
        #[expect(clippy::cast_precision_loss, reason = "some dozens")]
        let wanted = samples.len() as f64;
        assert!(!server.points("fobwatch_build_info").is_empty());
        ((count - wanted).abs() < 0.5).then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
}
