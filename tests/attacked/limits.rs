//! Too much, too large, too slow.

use std::io::{Read, Write};

use crate::guarded::{Guarded, bearer};

#[test]
fn what_is_too_large_is_refused() {
    let guarded = Guarded::start();
    let notes = "/api/v1/batches/plum-1/notes";
    let body = "x".repeat(66_000);
    let answer = guarded.ask("POST", notes, &bearer("write"), &body);
    assert_eq!(answer.status, 413, "{}", answer.text);
    // The same without saying how long it is.
    let mut chunked = format!(
        "POST {notes} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n{}Transfer-Encoding: chunked\r\n\r\n",
        bearer("write")
    );
    for _ in 0..100 {
        chunked.push_str(&format!("400\r\n{}\r\n", "x".repeat(0x400)));
    }
    chunked.push_str("0\r\n\r\n");
    // Or the line is cut while we still send, and the answer is lost with it.
    let answer = guarded.send(chunked.as_bytes()).status;
    assert!([413, 0].contains(&answer), "{answer}");
    let head = format!("X-Long: {}\r\n", "x".repeat(20_000));
    assert_eq!(guarded.ask("GET", "/login", &head, "").status, 431);
    let many: String = (0..1_000).map(|number| format!("X-{number}: x\r\n")).collect();
    assert_eq!(guarded.ask("GET", "/login", &many, "").status, 431);
    let long = format!("/{}", "x".repeat(20_000));
    let answer = guarded.ask("GET", &long, "", "").status;
    assert!([414, 431].contains(&answer), "{answer}");
    // Two lengths, as smugglers use them, are none.
    let two = "POST /login HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\nContent-Length: 30\r\n\r\nabc";
    assert_eq!(guarded.send(two.as_bytes()).status, 400);
    assert_eq!(guarded.ask("GET", "/health", "", "").status, 200);
}

#[test]
fn who_is_too_slow_is_cut_off_and_a_page_that_listens_is_not() {
    let guarded = Guarded::start();
    let mut listening = guarded.connect();
    let ask = format!("GET /api/v1/events HTTP/1.1\r\nHost: x\r\n{}\r\n", bearer("read"));
    listening.write_all(ask.as_bytes()).unwrap();
    let mut begun = [0; 1_024];
    let count = listening.read(&mut begun).unwrap();
    assert!(String::from_utf8_lossy(&begun[..count]).starts_with("HTTP/1.1 200"));

    let mut slow: Vec<_> = (0..100)
        .map(|_| {
            let mut stream = guarded.connect();
            stream
                .write_all(b"GET /login HTTP/1.1\r\nHost: x\r\nX-Slow")
                .unwrap();
            stream
        })
        .collect();
    // Meanwhile everybody else is served.
    assert_eq!(guarded.ask("GET", "/health", "", "").status, 200);
    for stream in &mut slow {
        let mut rest = Vec::new();
        // Cut off, in order or not: it ends before our own patience does.
        match stream.read_to_end(&mut rest) {
            Ok(_) => {}
            Err(error) => assert_eq!(error.kind(), std::io::ErrorKind::ConnectionReset, "{error}"),
        }
        assert!(!String::from_utf8_lossy(&rest).contains("200 OK"));
    }
    guarded.over_the_limit();
    let mut heard = String::new();
    while !heard.contains("news") {
        let count = listening.read(&mut begun).unwrap();
        assert_ne!(count, 0, "the page that listens was cut off; {heard}");
        heard.push_str(&String::from_utf8_lossy(&begun[..count]));
    }
}
