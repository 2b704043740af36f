//! The way to the page: secured by our own certificate, or by a proxy whose word is taken, and no other's.

use crate::guarded::{Answer, Guarded, PASSWORD, bearer};

/// A wrong token that says it comes `from` there.
fn guess(guarded: &Guarded, number: u32, from: &str) -> Answer {
    let forwarded = format!("X-Forwarded-For: {from}\r\nX-Forwarded-Proto: https\r\n");
    let token = format!("Authorization: Bearer the token that is no. {number}\r\n");
    guarded.ask("GET", "/api/v1/status", &format!("{token}{forwarded}"), "")
}

/// Statuses of wrong tokens, each of which says that it comes from another address. Waits double with each miss, so one of them is met
/// if they are counted together, however slow the machine.
fn guesses(guarded: &Guarded) -> Vec<u16> {
    (0..40)
        .map(|number| guess(guarded, number, &format!("198.51.100.{number}")).status)
        .collect()
}

fn flags(guarded: &Guarded) -> String {
    let entered = guarded.log_in("Ada", PASSWORD);
    assert_eq!(entered.status, 303, "{}", entered.text);
    entered.header("set-cookie").expect("a cookie").to_owned()
}

fn is_sealed(cookie: &str) {
    for part in [
        "__Host-fobwatch=",
        "; Path=/",
        "; HttpOnly",
        "; SameSite=Lax",
        "; Secure",
    ] {
        assert!(cookie.contains(part), "{part} in {cookie}");
    }
    assert!(!cookie.contains("Domain"), "{cookie}");
}

#[test]
fn our_own_certificate_seals_cookies_and_nobody_elses_word_is_taken() {
    let guarded = Guarded::start_secured("strict_transport_days = 30\n");
    let cookie = flags(&guarded);
    is_sealed(&cookie);
    let session = format!("Cookie: {}\r\n", cookie.split(';').next().unwrap());
    let page = guarded.ask("GET", "/", &session, "");
    assert_eq!(page.status, 200, "{}", page.text);
    // RFC 6797: for a time, and of this host alone.
    assert_eq!(page.header("strict-transport-security"), Some("max-age=2592000"));
    // A page of the same host over plain HTTP is another origin.
    let plain = guarded.ours().replace("https://", "http://");
    let forged = guarded.ask("POST", "/logout", &format!("{session}{plain}"), "");
    assert_eq!(forged.status, 403, "{}", forged.text);
    // In the clear nothing is answered at all.
    let mut stream = guarded.connect();
    std::io::Write::write_all(&mut stream, b"GET /health HTTP/1.1\r\nHost: localhost\r\n\r\n").unwrap();
    let mut answer = Vec::new();
    std::io::Read::read_to_end(&mut stream, &mut answer).ok();
    assert!(
        !answer.starts_with(b"HTTP"),
        "{}",
        String::from_utf8_lossy(&answer)
    );
    // A sensor that is known stays let in beside somebody who guesses; a right token that is new here waits with the wrong ones.
    let rows = "time,source,quantity,value,unit\n2026-03-02T08:00:00Z,pilot,pressure,0.1,bar\n";
    let post = |name: &str| {
        let headers = format!("Content-Type: text/csv\r\n{}", bearer(name));
        guarded.ask("POST", "/api/v1/readings", &headers, rows)
    };
    assert_eq!(post("readings").status, 200);
    let refused = guesses(&guarded);
    assert!(refused[..20].iter().all(|status| *status == 401), "{refused:?}");
    assert!(refused.contains(&429), "{refused:?}");
    assert_eq!(post("readings").status, 200);
    let mut waits = None;
    for number in 0..20 {
        let wrong = guess(&guarded, number, "198.51.100.1");
        let right = guarded.ask("GET", "/api/v1/status", &bearer("write"), "");
        if right.status == 429 {
            waits = right
                .header("retry-after")
                .map(|wait| wait.parse::<u64>().unwrap());
            assert!(right.text.contains("too many tokens"), "{}", right.text);
            break;
        }
        assert_ne!(wrong.status, 200, "{}", wrong.text);
    }
    assert!(waits.is_none_or(|wait| wait >= 1), "{waits:?}");
}

#[test]
fn a_named_proxy_tells_who_asks_and_how_he_came() {
    let guarded = Guarded::start_with("[http]\nbehind_proxy = true\nstrict_transport_days = 30\n");
    is_sealed(&flags(&guarded));
    // Each has an address of his own, as the proxy says, and none is made to wait for another.
    let refused = guesses(&guarded);
    assert!(refused.iter().all(|status| *status == 401), "{refused:?}");
    // What stands before the proxy's own word was written by whoever asks.
    let mut refused = Vec::new();
    for number in 0..40 {
        refused.push(guess(&guarded, number, &format!("203.0.113.{number}, 192.0.2.9")).status);
    }
    assert!(refused.contains(&429), "{refused:?}");
    let strict = |proto: &str| {
        let answer = guarded.ask("GET", "/login", &format!("X-Forwarded-Proto: {proto}\r\n"), "");
        answer.header("strict-transport-security").map(str::to_owned)
    };
    assert_eq!(strict("https"), Some("max-age=2592000".to_owned()));
    assert_eq!(strict("http"), None);
}

#[test]
fn what_another_than_the_named_proxy_says_counts_for_nothing() {
    let guarded = Guarded::start_with(
        "[http]\nbehind_proxy = true\nproxies = [\"192.0.2.7\"]\nstrict_transport_days = 30\n",
    );
    is_sealed(&flags(&guarded));
    let refused = guesses(&guarded);
    assert!(refused.contains(&429), "{refused:?}");
    let answer = guarded.ask("GET", "/login", "X-Forwarded-Proto: https\r\n", "");
    assert_eq!(
        (answer.status, answer.header("strict-transport-security")),
        (200, None)
    );
    // And without a word in the configuration no browser is bound to anything.
    let guarded = Guarded::start_secured("");
    let answer = guarded.ask("GET", "/login", "", "");
    assert_eq!(
        (answer.status, answer.header("strict-transport-security")),
        (200, None)
    );
}
