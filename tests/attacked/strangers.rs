//! Strangers, pages of strangers, guessers, and those who were let in for one thing alone.

use fobwatch_tests::{Broker, kept, publish, run, wait_for};
use rusqlite::{Connection, OpenFlags};

use crate::guarded::{Guarded, PASSWORD, PATIENCE, bearer, hashed};

#[test]
fn an_address_that_others_reach_is_not_served_without_log_in_and_secrecy() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let watch = |text: &str| {
        std::fs::write(path("kitchen.toml"), text).unwrap();
        let ended = run(
            "fobwatch",
            &[
                "watch",
                "--config",
                &path("kitchen.toml"),
                "--data",
                &path("data"),
                "--listen",
                "0.0.0.0:0",
            ],
        );
        assert_eq!(ended.status, Some(2), "{ended:#?}");
        ended.stderr
    };
    let why = watch("");
    assert!(
        why.contains("nobody has to log in") && why.contains("http.person"),
        "{why}"
    );
    std::fs::write(path("ada.hash"), hashed(PASSWORD)).unwrap();
    let ada = "[[http.person]]\nname = \"Ada\"\npassword_file = \"ada.hash\"\n";
    let why = watch(ada);
    assert!(
        why.contains("overheard") && why.contains("http.certificate_file"),
        "{why}"
    );
    // A password in the place of its hash is refused, and not shown.
    std::fs::write(path("ada.hash"), PASSWORD).unwrap();
    let why = watch(ada);
    assert!(
        why.contains("http.person[0].password_file") && !why.contains(PASSWORD),
        "{why}"
    );
}

#[test]
fn no_path_leads_anywhere_else() {
    let guarded = Guarded::start();
    let session = guarded.session();
    for path in [
        "/../../../../etc/passwd",
        "/%2e%2e/%2e%2e/%2e%2e/etc/passwd",
        "/style.css/../../../etc/passwd",
        "/..%2f..%2fetc%2fpasswd",
        "//etc/passwd",
        "/batches/..%2f..%2fdata/tell",
        "/batches/%00/tell",
        "/shared/..%2f..%2fdata%2flinks.json",
        "/shared/%2e%2e",
        "/calendar/../metrics",
        "/api/v1/batches/..%2f..%2f/forecast",
        "/command-line.token",
        "http://127.0.0.1/etc/passwd",
    ] {
        let answer = guarded.ask("GET", path, &session, "");
        assert!((400..500).contains(&answer.status), "{path}: {}", answer.text);
        assert!(!answer.text.contains("root:"), "{path}");
    }
}

#[test]
fn pages_of_strangers_change_nothing_and_who_acknowledged_is_who_logged_in() {
    let guarded = Guarded::start();
    guarded.over_the_limit();
    let session = guarded.session();
    let deed = "/api/v1/batches/plum-1/alerts/over_limit";
    let wish = "{\"deed\":\"acknowledge\",\"who\":\"Mallory\"}";
    for theirs in [
        "",
        "Sec-Fetch-Site: cross-site\r\n",
        "Origin: https://evil.example\r\n",
        "Origin: null\r\nContent-Type: text/plain\r\n",
        "Sec-Fetch-Site: same-site\r\nOrigin: http://127.0.0.1:1\r\n",
    ] {
        let headers = format!("{session}{theirs}");
        for (path, body) in [
            (deed, wish),
            ("/logout", ""),
            ("/batches/plum-1/alerts/over_limit/seen", ""),
        ] {
            let answer = guarded.ask("POST", path, &headers, body);
            assert_eq!(answer.status, 403, "{path} {theirs}: {}", answer.text);
        }
    }
    let answer = guarded.ask("POST", deed, &format!("{session}{}", guarded.ours()), wish);
    assert_eq!(answer.status, 200, "{}", answer.text);
    let path = guarded.data().join("fobwatch.sqlite");
    let store = Connection::open_with_flags(path, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    // It is stored when it is answered, and its alert changes once the engine comes to it.
    let acknowledged: String = wait_for("the acknowledgement", PATIENCE, || {
        let query = "SELECT body FROM alert WHERE state = 'acknowledged'";
        store.query_row(query, [], |row| row.get(0)).ok()
    });
    assert!(
        acknowledged.contains("Ada") && !acknowledged.contains("Mallory"),
        "{acknowledged}"
    );
    // Nothing may run on the page but what is ours, and nobody may put a frame around it.
    let page = guarded.ask("GET", "/", &session, "");
    let policy = page.header("content-security-policy").unwrap();
    for part in [
        "default-src 'none'",
        "script-src 'self'",
        "frame-ancestors 'none'",
        "form-action 'self'",
    ] {
        assert!(policy.contains(part), "{policy}");
    }
    assert_eq!(page.header("x-content-type-options"), Some("nosniff"));
    assert_eq!(page.header("referrer-policy"), Some("same-origin"));
}

#[test]
fn a_guesser_waits_and_does_not_learn_which_names_there_are() {
    let guarded = Guarded::start();
    let strip = |text: &str| text.split("\r\n\r\n").nth(1).map(str::to_owned);
    let (known, unknown) = (guarded.log_in("Ada", "wrong"), guarded.log_in("Eve", "wrong"));
    assert_eq!((known.status, unknown.status), (401, 401));
    assert_eq!(strip(&known.text), strip(&unknown.text));
    // Waits double with each miss, so one of them is met, however slow the machine.
    let waits = (0..20).any(|_| {
        let answer = guarded.log_in("Ada", "wrong");
        answer.status == 429 && answer.header("retry-after").is_some()
    });
    assert!(waits);
    assert!(
        !guarded.daemon.log().contains("wrong,"),
        "what was given is not logged"
    );
}

#[test]
fn a_token_opens_its_own_door_and_the_command_line_has_one() {
    let guarded = Guarded::start();
    for (name, reads, writes) in [
        ("read", 200, 403),
        ("write", 200, 201),
        ("readings", 403, 403),
        ("nothing", 401, 403),
    ] {
        for path in [
            "/",
            "/metrics",
            "/calendar.ics",
            "/api/v1/status",
            "/api/v1/openapi.json",
        ] {
            assert_eq!(
                guarded.ask("GET", path, &bearer(name), "").status,
                reads,
                "{name} {path}"
            );
        }
        let note = guarded.ask(
            "POST",
            "/api/v1/batches/plum-1/notes",
            &bearer(name),
            "{\"kind\":\"tasted\"}",
        );
        assert_eq!(note.status, writes, "{name}: {}", note.text);
    }
    // Whoever owns the data folder comes in; others need a token.
    let data = guarded.data().display().to_string();
    let told = run("fobwatch", &["status", "--data", &data]);
    assert_eq!(told.status, Some(0), "{told:#?}");
    assert!(told.stdout.contains("plum 1"), "{}", told.stdout);
    let address = format!("127.0.0.1:{}", guarded.daemon.port());
    let told = run("fobwatch", &["status", "--address", &address]);
    assert_eq!(told.status, Some(1), "{told:#?}");
    assert!(told.stderr.contains("--token-file"), "{}", told.stderr);
    let token = guarded.data().with_file_name("read").display().to_string();
    let told = run(
        "fobwatch",
        &["status", "--address", &address, "--token-file", &token],
    );
    assert_eq!(told.status, Some(0), "{told:#?}");
}

#[test]
fn a_link_shows_its_batch_and_no_other_until_it_is_revoked() {
    let guarded = Guarded::start();
    let data = guarded.data().display().to_string();
    let made = run("fobwatch", &["link", "new", "plum 1", "--data", &data]);
    assert_eq!(made.status, Some(0), "{made:#?}");
    let path = made.stdout.trim();
    let secret = path.strip_prefix("/shared/").unwrap();
    let shown = guarded.ask("GET", path, "", "");
    assert_eq!(shown.status, 200, "{}", shown.text);
    assert!(
        shown.text.contains("plum 1") && !shown.text.contains("hibiscus"),
        "{}",
        shown.text
    );
    // Scripts of ours that tell nothing of a batch, and nothing inline.
    let own = ["page", "chart"].map(|name| format!("<script src=\"/{name}.js\" defer></script>"));
    let bare = own
        .iter()
        .fold(shown.text.clone(), |text, own| text.replace(own, ""));
    for none in ["<form", "<button", "<script", "/tell"] {
        assert!(!bare.contains(none), "{none}");
    }
    for elsewhere in [
        "/",
        "/api/v1/status",
        "/api/v1/batches/plum-1/forecast",
        "/api/v1/events",
        "/metrics",
    ] {
        for with in [
            format!("Authorization: Bearer {secret}\r\n"),
            format!("Cookie: fobwatch={secret}\r\n"),
            format!("Referer: http://127.0.0.1{path}\r\n"),
        ] {
            assert_eq!(
                guarded.ask("GET", elsewhere, &with, "").status,
                401,
                "{elsewhere} {with}"
            );
        }
    }
    for beyond in [
        format!("/calendar/{secret}.ics"),
        format!("{path}/../../api/v1/status"),
        format!("{path}x"),
        path[..path.len() - 1].to_owned(),
        path.to_uppercase().replace("/SHARED", "/shared"),
    ] {
        let status = guarded.ask("GET", &beyond, "", "").status;
        assert!([401, 404].contains(&status), "{beyond}: {status}");
    }
    let posted = guarded.ask("POST", path, "Sec-Fetch-Site: same-origin\r\n", "");
    assert_eq!(posted.status, 405);
    let kept = std::fs::read_to_string(guarded.data().join("links.json")).unwrap();
    assert!(!kept.contains(secret) && !guarded.daemon.log().contains(secret));

    let calendar = run("fobwatch", &["link", "new", "--calendar", "--data", &data]);
    let calendar = guarded.ask("GET", calendar.stdout.trim(), "", "");
    assert!(calendar.text.contains("BEGIN:VCALENDAR"), "{}", calendar.text);
    let listed = run("fobwatch", &["link", "list", "--data", &data]);
    assert!(
        listed.stdout.contains("1: plum-1") && !listed.stdout.contains(secret),
        "{}",
        listed.stdout
    );
    assert_eq!(
        run("fobwatch", &["link", "revoke", "1", "--data", &data]).status,
        Some(0)
    );
    assert_eq!(guarded.ask("GET", path, "", "").status, 404);
}

#[test]
fn names_from_a_broker_do_nothing_on_the_page() {
    let broker = Broker::start();
    let guarded = Guarded::start_with(&format!(
        "[[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nusername = \"{}\"\npassword_file = \"{}\"\npublish_prefix = \"fobwatch\"\nsenml = [\"attack/senml\"]\n\
         [[mqtt.number]]\ntopic = \"house/{{source}}/{{quantity}}\"\n",
        broker.port(),
        Broker::USER,
        broker.password_file()
    ));
    let name = "<img src=x onerror=alert(1)>";
    let senml = |name: &str, time: u32| {
        format!("[{{\"n\":\"{name}/pressure\",\"u\":\"Pa\",\"v\":110000,\"t\":{time}}}]")
    };
    wait_for("the broker's link", PATIENCE, || {
        (kept(&broker, "fobwatch/status").get("fobwatch/status")? == "online").then_some(())
    });
    publish(
        &broker,
        "attack/senml",
        false,
        vec![
            senml(name, 1_772_440_000),
            senml("\\u001b[2J\\u0007\\r\\nforged: line", 1_772_440_001),
            senml("\\\"},injected{a=\\\"", 1_772_440_002),
            senml("sound", 1_772_440_003),
        ],
    );
    publish(
        &broker,
        "house/<script>alert(1)<script>/pressure",
        false,
        vec!["1.1".to_owned()],
    );
    wait_for("the sound one", PATIENCE, || {
        let metrics = guarded.ask("GET", "/metrics", &bearer("read"), "").text;
        let stored = metrics
            .lines()
            .any(|line| !line.starts_with('#') && line.contains("readings") && !line.ends_with(" 0"));
        stored.then_some(())
    });
    for path in [
        "/",
        "/metrics",
        "/api/v1/status",
        "/api/v1/batches",
        "/calendar.ics",
    ] {
        let answer = guarded.ask("GET", path, &bearer("read"), "");
        assert_eq!(answer.status, 200);
        for bad in ["<img", "<script>", "\u{1b}", "\u{7}", "\nforged"] {
            assert!(!answer.text.contains(bad), "{path}: {bad:?} in {}", answer.text);
        }
    }
    let log = guarded.daemon.log();
    assert!(!log.contains('\u{1b}') && !log.contains("\nforged"), "{log}");
}
