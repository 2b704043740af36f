//! Long lists come in parts.

use std::sync::Arc;

use axum::{
    body::Body,
    http::{Request, StatusCode},
};
use serde_json::{Value, json};
use tower::ServiceExt;

use super::{super::router, Daemon};
use crate::watch::tests::batch_text;

/// Asks for page after page; the slugs, and how many answers it took.
async fn walk(daemon: &Daemon, first: &str) -> (Vec<String>, usize) {
    let (mut slugs, mut pages) = (Vec::new(), 0);
    let mut next = Some(first.to_owned());
    while let Some(address) = next {
        let (status, answer) = daemon.get(&address).await;
        assert_eq!(status, StatusCode::OK, "{answer}");
        assert_eq!(answer["total"], 5);
        let batches = answer["batches"].as_array().unwrap();
        slugs.extend(
            batches
                .iter()
                .map(|batch| batch["slug"].as_str().unwrap().to_owned()),
        );
        next = answer["next"].as_str().map(str::to_owned);
        pages += 1;
    }
    (slugs, pages)
}

#[tokio::test(flavor = "multi_thread")]
async fn long_lists_come_page_by_page_and_hold_each_batch_once() {
    let daemon = Daemon::start().await;
    for name in [
        "plum 1",
        "plum 2",
        "jar two",
        "lime and mint 4",
        "pear and thyme 2",
    ] {
        assert_eq!(
            daemon.post("/api/v1/batches", batch_text(name)).await.0,
            StatusCode::CREATED
        );
    }
    let all = [
        "jar-two",
        "lime-and-mint-4",
        "pear-and-thyme-2",
        "plum-1",
        "plum-2",
    ];
    let whole = "/api/v1/batches";
    assert_eq!(walk(&daemon, whole).await, (all.map(str::to_owned).to_vec(), 1));
    for (address, pages) in [
        ("/api/v1/batches?limit=2", 3),
        ("/api/v1/status?order=name&limit=2", 3),
        ("/api/v1/status?order=name&limit=5", 1),
    ] {
        assert_eq!(
            walk(&daemon, address).await,
            (all.map(str::to_owned).to_vec(), pages),
            "{address}"
        );
    }
    let request = Request::get("/api/v1/batches?limit=4").header("host", "localhost:8740");
    let answer = router(Arc::clone(&daemon.house))
        .oneshot(request.body(Body::empty()).unwrap())
        .await
        .unwrap();
    assert_eq!(
        answer.headers()["link"],
        "</api/v1/batches?limit=4&after=plum-1>; rel=\"next\""
    );

    // Alerts, those of one batch together.
    for live in daemon.house.all() {
        live.reaches(*daemon.house.latest.borrow()).await;
    }
    let (_, alerts) = daemon.get("/api/v1/alerts").await;
    let every = alerts["alerts"].as_array().unwrap();
    assert!(every.len() >= 5 && alerts["total"] == every.len(), "{alerts}");
    assert!(alerts["next"].is_null());
    let (mut told, mut pages) = (Vec::new(), 0);
    let mut next = Some("/api/v1/alerts?limit=1".to_owned());
    while let Some(address) = next {
        let (_, page) = daemon.get(&address).await;
        assert_eq!(page["total"], alerts["total"]);
        let own = page["alerts"].as_array().unwrap().clone();
        assert!(own.iter().all(|alert| alert["slug"] == own[0]["slug"]), "{page}");
        told.extend(own);
        next = page["next"].as_str().map(str::to_owned);
        pages += 1;
    }
    assert_eq!((&told, pages), (every, 5));
    let (_, own) = daemon.get("/api/v1/alerts?batch=plum-2").await;
    let of_plum: Vec<&Value> = every.iter().filter(|alert| alert["slug"] == "plum-2").collect();
    assert_eq!(
        own["alerts"].as_array().unwrap().iter().collect::<Vec<_>>(),
        of_plum
    );

    // What comes first may be asked for, and no page behind it: the order changes.
    let (_, answer) = daemon.get("/api/v1/status?limit=2").await;
    assert_eq!(
        (answer["batches"].as_array().unwrap().len(), &answer["total"]),
        (2, &json!(5))
    );
    assert!(answer["next"].is_null());
    let (_, answer) = daemon.get("/api/v1/status?batch=plum-2").await;
    assert_eq!(
        (&answer["batches"][0]["slug"], &answer["total"]),
        (&json!("plum-2"), &json!(1))
    );
    for (address, status, named) in [
        ("/api/v1/batches?limit=0", 422, "`limit` is `0`"),
        ("/api/v1/batches?limit=1001", 422, "from 1 to 1000"),
        ("/api/v1/batches?limit=2&limit=3", 422, "each once"),
        ("/api/v1/batches?batch=plum-9", 404, "plum-9"),
        ("/api/v1/batches?order=urgency", 422, "`order` is `urgency`"),
        ("/api/v1/alerts?limit=none", 422, "`limit` is `none`"),
        ("/api/v1/alerts?batch=plum-9", 404, "plum-9"),
        ("/api/v1/status?after=plum-1", 422, "order=name"),
        ("/api/v1/status?order=size", 422, "urgency, name"),
        ("/api/v1/status?what=else", 422, "allowed"),
        ("/?page=0", 422, "`page` is `0`"),
        ("/?page=two", 422, "`page` is `two`"),
    ] {
        let (found, answer) = daemon.get(address).await;
        assert_eq!(found.as_u16(), status, "{address}: {answer}");
        assert!(
            answer["error"].as_str().unwrap().contains(named),
            "{address}: {answer}"
        );
    }

    // By name, on a page that does without script.
    let (status, page) = daemon.get("/?named=PLUM").await;
    let page = page.as_str().unwrap();
    assert_eq!(status, StatusCode::OK);
    assert!(
        page.contains("only of two batches with") && page.contains("id=\"batch-plum-2\""),
        "{page}"
    );
    assert!(!page.contains("id=\"batch-jar-two\""));
    let (_, none) = daemon.get("/?named=quince&page=7").await;
    assert!(
        none.as_str().unwrap().contains("only of no batches with"),
        "{none}"
    );
    daemon.end().await;
}
