//! The OpenAPI document beside the server: the same addresses, methods and answers.

use std::collections::{BTreeMap, BTreeSet};

use axum::{
    body::Body,
    http::{Method, Request, header::ALLOW},
};
use serde_json::{Value, json};
use tower::ServiceExt;

use super::{Daemon, batch_text, router};

/// Addresses for people and their browsers, which no program is meant to ask.
fn is_of_the_page(address: &str) -> bool {
    !address.starts_with("/api/") && !matches!(address, "/health" | "/metrics" | "/calendar.ics")
}

fn routes() -> BTreeSet<String> {
    let source = include_str!("../mod.rs").split(".route(").skip(1);
    let listed = source.filter_map(|rest| rest.trim_start().strip_prefix('"')?.split('"').next());
    let merged = [
        super::super::readings::ADDRESS,
        "/api/v1/import",
        "/api/v1/batches/{slug}",
        "/api/v1/batches/{slug}/rescue",
    ];
    let all = listed.chain(merged).map(str::to_owned);
    all.filter(|address| !is_of_the_page(address)).collect()
}

async fn document(daemon: &Daemon) -> Value {
    daemon.get("/api/v1/openapi.json").await.1
}

#[tokio::test(flavor = "multi_thread")]
async fn every_address_is_described_and_no_other() {
    let daemon = Daemon::start().await;
    let document = document(&daemon).await;
    let described = document["paths"].as_object().unwrap();
    assert!(routes().len() > 10);
    assert_eq!(described.keys().cloned().collect::<BTreeSet<_>>(), routes());
    for (address, methods) in described {
        let address = address
            .replace("{slug}", "plum-1")
            .replace("{alert}", "over_limit");
        let request = Request::builder().method(Method::TRACE).uri(&address);
        let request = request.header("host", "localhost:8740").body(Body::empty());
        let answer = router(daemon.house.clone()).oneshot(request.unwrap()).await;
        let answer = answer.unwrap();
        let allowed = answer.headers().get(ALLOW).unwrap().to_str().unwrap();
        let allowed: BTreeSet<String> = allowed
            .split(',')
            .map(|method| method.trim().to_ascii_lowercase())
            // Whoever answers GET answers HEAD: RFC 9110, section 9.3.2.
            .filter(|method| method != "head")
            .collect();
        let methods: BTreeSet<String> = methods.as_object().unwrap().keys().cloned().collect();
        assert_eq!(methods, allowed, "{address}");
    }
    daemon.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn answers_are_as_described() {
    let daemon = Daemon::start().await;
    let document = document(&daemon).await;
    let wish = json!({ "deed": "acknowledge", "who": "Ada" });
    let one = "/api/v1/batches/{slug}";
    let forecast = "/api/v1/batches/{slug}/forecast";
    let notes = "/api/v1/batches/{slug}/notes";
    let alert = "/api/v1/batches/{slug}/alerts/{alert}";
    let deeds: Vec<(&str, &str, String)> = vec![
        ("post", "/api/v1/batches", batch_text("plum 1")),
        ("post", "/api/v1/batches", batch_text("plum 1")),
        ("post", "/api/v1/batches", "name = 3".to_owned()),
        ("get", "/api/v1/batches", String::new()),
        ("get", "/api/v1/alerts", String::new()),
        ("get", "/api/v1/status", String::new()),
        ("get", forecast, String::new()),
        ("get", "/api/v1/batches/{slug}/rescue", String::new()),
        (
            "put",
            one,
            batch_text("plum 1").replace("fill_ml = 475", "fill_ml = 470"),
        ),
        ("put", one, batch_text("plum 2")),
        ("patch", one, json!({ "bottle.count": 9 }).to_string()),
        ("patch", one, json!({ "bottle.fill_ml": [9] }).to_string()),
        ("post", notes, json!({ "kind": "vented" }).to_string()),
        ("post", notes, json!({ "kind": "sung_to" }).to_string()),
        ("post", alert, wish.to_string()),
        ("post", alert, "{}".to_owned()),
        (
            "post",
            "/api/v1/diary",
            json!({ "culture": "jar two", "deed": "fed", "grams": 20 }).to_string(),
        ),
        (
            "post",
            "/api/v1/diary",
            json!({ "culture": "jar two", "deed": "sung_to" }).to_string(),
        ),
        ("get", "/api/v1/diary", String::new()),
        ("get", "/api/v1/cultures", String::new()),
        ("post", "/api/v1/import", String::from("time,source\n1,2\n")),
        ("post", "/api/v1/batches/{slug}/end", String::new()),
        ("post", "/api/v1/batches/{slug}/end", String::new()),
    ];
    let mut seen: BTreeMap<u16, u32> = BTreeMap::new();
    for (method, described, body) in deeds {
        let address = described
            .replace("{slug}", "plum-1")
            .replace("{alert}", "over_limit");
        if method == "get"
            && let Some(live) = daemon.house.batch("plum-1")
        {
            live.reaches(*daemon.house.latest.borrow()).await;
        }
        let (status, answer) = match method {
            "get" => daemon.get(&address).await,
            _ => daemon.ask(method, &address, body).await,
        };
        let responses = &document["paths"][described][method]["responses"];
        let response = &responses[status.as_str()];
        assert!(
            !response.is_null(),
            "{method} {address}: {status} is not described; {answer}"
        );
        let schema = &response["content"]["application/json"]["schema"];
        if let Err(why) = fits(&answer, schema, &document) {
            panic!("{method} {address}: {status}: {why}\n{answer:#}");
        }
        *seen.entry(status.as_u16()).or_default() += 1;
    }
    assert_eq!(
        seen.keys().copied().collect::<Vec<_>>(),
        [200, 201, 404, 409, 422]
    );
    // The check itself can fail.
    let schema = json!({ "$ref": "#/components/schemas/Error" });
    assert!(fits(&json!({ "error": 3 }), &schema, &document).is_err());
    assert!(fits(&json!({}), &schema, &document).is_err());
    daemon.end().await;
}

/// As far as the document uses JSON Schema (2020-12): `$ref`, `oneOf`, `type`, `enum`, `required`, `properties`, `items`.
fn fits(value: &Value, schema: &Value, document: &Value) -> Result<(), String> {
    if let Some(name) = schema["$ref"].as_str() {
        let target = document.pointer(name.trim_start_matches('#'));
        return fits(value, target.ok_or(format!("{name} is missing"))?, document);
    }
    if let Some(choices) = schema["oneOf"].as_array() {
        let wrong: Vec<String> = choices
            .iter()
            .filter_map(|choice| fits(value, choice, document).err())
            .collect();
        let right = choices.len() - wrong.len();
        return if right == 1 { Ok(()) } else { Err(wrong.join("; ")) };
    }
    let kind = match value {
        Value::Null => "null",
        Value::Bool(_) => "boolean",
        Value::Number(number) if number.is_i64() || number.is_u64() => "integer",
        Value::Number(_) => "number",
        Value::String(_) => "string",
        Value::Array(_) => "array",
        Value::Object(_) => "object",
    };
    let allowed: Vec<&str> = match &schema["type"] {
        Value::String(one) => vec![one],
        Value::Array(some) => some.iter().filter_map(Value::as_str).collect(),
        other => return Err(format!("the schema has the type {other}")),
    };
    let is_number = kind == "integer" && allowed.contains(&"number");
    if !allowed.contains(&kind) && !is_number {
        return Err(format!("{value} is no {}", allowed.join(" or ")));
    }
    if let Some(words) = schema["enum"].as_array().filter(|words| !words.contains(value)) {
        return Err(format!("{value} is none of {words:?}"));
    }
    for key in schema["required"].as_array().into_iter().flatten() {
        if value.is_object() && value.get(key.as_str().unwrap_or_default()).is_none() {
            return Err(format!("{key} is missing"));
        }
    }
    for (key, schema) in schema["properties"].as_object().into_iter().flatten() {
        if let Some(value) = value.get(key) {
            fits(value, schema, document).map_err(|why| format!("{key}: {why}"))?;
        }
    }
    for entry in value.as_array().into_iter().flatten() {
        fits(entry, &schema["items"], document)?;
    }
    Ok(())
}
