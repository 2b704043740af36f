//! Names as long as they may be, without a space: in umlauts, from right to left, in pictures and wide letters.

use std::fs;

use fobwatch_tests::{Window, run, wait_for};
use serde_json::Value;

use crate::{
    kitchen::{Kitchen, PATIENCE},
    visit::Visit,
};

fn long() -> [String; 4] {
    [
        "Überraschungsholunderblütenzitronenverbenenmischgetränkefläschchenkühlung".to_owned(),
        "שמפניהשלסמבוקעםלימוןונענעשנרקחהבבקבוקיםגדוליםבמרתףשלסבתאבחורףהקר".to_owned(),
        format!("{}a", "🫙🍋🌿🍑".repeat(19)),
        "W".repeat(80),
    ]
}

/// A batch under each, its culture, its sources and where its limit stands likewise; one reading of each source.
fn fill(kitchen: &Kitchen) {
    let daemon = &kitchen.daemon;
    let place = format!("127.0.0.1:{}", daemon.port());
    let now = daemon.json("/api/v1/status");
    let now = now.get("at").and_then(Value::as_str).expect("it has a clock");
    let now: jiff::Timestamp = now.parse().expect("a time");
    let folder = tempfile::tempdir().expect("a temporary folder");
    let done = |arguments: &[&str]| {
        let finished = run("fobwatch", &[arguments, &["--address", &place]].concat());
        assert_eq!(finished.status, Some(0), "{finished:#?}");
    };
    let mut rows = "time,source,quantity,value,unit\n".to_owned();
    for (number, name) in long().iter().enumerate() {
        let file = folder.path().join(format!("{number}.toml"));
        let text = format!(
            "name = \"{name}\"\nculture = \"{name}\"\nbottled_at = \"{}\"\n[drink]\nsucrose_g_per_l = 60.0\n[bottle]\nmaterial = \"pet\"\n\
             capacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = 9.0\nlimit_source = \"{name}\"\n\
             [target]\nco2_volumes = 2.8\nfridge_c = 4.0\n[sensors]\npressure = \"{name}\"\nliquid_temperature = \"{name}\"\n",
            now - jiff::SignedDuration::from_mins(40)
        );
        fs::write(&file, text).expect("a file is written");
        done(&["batch", "add", &file.display().to_string()]);
        done(&["culture", name, "fed", "--grams", "20", "--text", name]);
        done(&["note", name, "other", "--text", name]);
        let at = now - jiff::SignedDuration::from_mins(5);
        rows.push_str(&format!(
            "{at},{name},pressure,0.02,bar\n{at},{name},liquid_temperature,20.5,degC\n"
        ));
    }
    let file = folder.path().join("rows.csv");
    fs::write(&file, rows).expect("a file is written");
    done(&["import", &file.display().to_string()]);
    wait_for("the readings on the page", PATIENCE, || {
        let page = daemon.get("/").ok()?;
        long()
            .iter()
            // Its culture on the shelf, and two of its sensors.
            .all(|name| page.matches(&format!("<small>{name}</small>")).count() >= 3)
            .then_some(())
    });
}

#[test]
fn long_names_run_off_no_page() {
    let kitchen = Kitchen::open();
    fill(&kitchen);
    // What fits a phone fits a desk but for what a desk draws wider.
    let desk = Visit::of(&kitchen.daemon, Window::DESK);
    desk.goes_to("/");
    desk.is_as_wide_as_the_window();
    desk.keeps("long-desk");
    drop(desk);
    let visit = Visit::of(&kitchen.daemon, Window::PHONE);
    visit.goes_to("/");
    visit.is_as_wide_as_the_window();
    visit.is_accessible();
    visit.is_large_enough_for_a_thumb();
    visit.keeps("long-phone");
    let of_batches = visit.browser.run(
        "return [...document.querySelectorAll('section.batch a')].map((link) => link.getAttribute('href'))\
         .filter((address) => address.startsWith('/batches/') && !/hibiscus|lime/.test(address))",
    );
    let of_batches: Vec<String> = serde_json::from_value(of_batches).expect("addresses");
    assert!(of_batches.len() >= 12, "{of_batches:?}");
    // The widest letters on every page, the others on one each.
    let wide = |address: &&String| address.contains("wwww") || address.ends_with("/tell");
    let others = ["/compare", "/cultures", "/account", "/batches/new", "/plan"];
    for page in of_batches.iter().filter(wide).map(String::as_str).chain(others) {
        visit.goes_to(page);
        visit.waits_for("//h1", "");
        visit.is_as_wide_as_the_window();
    }
}
