//! What a mail looks like, whatever names and sentences hold.

use super::*;
use crate::config::{Email, Security};

fn mailer() -> Mailer {
    Mailer::new(Email {
        name: "home".to_owned(),
        server: "localhost".to_owned(),
        port: 9,
        security: Security::Tls,
        ca: None,
        login: None,
        from: "fobwatch@home.example".to_owned(),
        to: vec!["anna@home.example".to_owned(), "bea@home.example".to_owned()],
        picks: Picks::all(),
    })
    .unwrap()
}

fn written(letter: &Letter) -> String {
    rustls::crypto::ring::default_provider().install_default().ok();
    let message = mailer().message(letter, None).unwrap();
    String::from_utf8(message.formatted()).unwrap()
}

#[test]
fn nothing_in_a_name_or_sentence_becomes_a_header_or_markup() {
    let hostile = AlertRecord {
        batch: BatchName::new("p\u{2028}lum: <b>1</b> =?utf-8?q?x?=").unwrap(),
        who: Some("Ada\r\nBcc: eve@away.example".to_owned()),
        message: "Move it.\r\n.\r\nRCPT TO:<eve@away.example>\r\n<script>alert(1)</script>".to_owned(),
        ..alert(0, Transition::Acknowledged, Priority::Medium)
    };
    let mail = written(&Letter::of(hostile));
    let (head, body) = mail.split_once("\r\n\r\n").unwrap();
    let names: Vec<&str> = head
        .lines()
        .filter(|line| !line.starts_with([' ', '\t']))
        .filter_map(|line| Some(line.split_once(':')?.0))
        .collect();
    for name in &names {
        let known = [
            "From",
            "To",
            "Subject",
            "Message-ID",
            "MIME-Version",
            "Date",
            "Content-Type",
        ];
        assert!(known.contains(name), "{name} in {head}");
    }
    assert!(!head.to_lowercase().contains("\nbcc:"), "{head}");
    let (_, page) = body.split_once("text/html").unwrap();
    assert!(
        page.contains("&lt;script&gt;") && !page.contains("<script>"),
        "{body}"
    );
}

#[test]
fn a_mail_names_who_has_seen_to_it_and_what_it_was() {
    let seen = AlertRecord {
        who: Some("Ada".to_owned()),
        ..alert(0, Transition::Acknowledged, Priority::Medium)
    };
    let mail = written(&Letter::of(seen));
    assert!(
        mail.contains("Subject: plum 1: move to fridge, seen to by Ada\r\n"),
        "{mail}"
    );
    assert!(
        mail.contains("Ada has seen to it: Move plum 1 to the fridge, 0."),
        "{mail}"
    );
    assert!(mail.contains("Bottles can burst"), "{mail}");
    assert!(mail.contains("Message-ID: <plum-1.move_to_fridge.acknowledged.1772700000000000@fobwatch>"));
}

#[test]
fn a_digest_says_each_with_its_time_and_a_danger_that_is_over_is_no_danger() {
    let zone = jiff::tz::TimeZone::get("Europe/Lisbon").unwrap();
    let all = vec![
        alert(0, Transition::Raised, Priority::Low),
        alert(60, Transition::Cleared, Priority::Low),
    ];
    let mail = written(&Letter::gathered(all, &zone).unwrap());
    assert!(mail.contains("Subject: 2 things to look at\r\n"), "{mail}");
    assert!(
        mail.contains("Thu 5 Mar 08:40 WET, plum 1: Move plum 1"),
        "{mail}"
    );
    assert!(
        mail.contains("Thu 5 Mar 08:41 WET, plum 1: Move plum 1"),
        "{mail}"
    );
    let over = AlertRecord {
        alert: AlertName::OverLimit,
        ..alert(0, Transition::Cleared, Priority::Critical)
    };
    let mail = written(&Letter::of(over));
    assert!(
        mail.contains("Subject: plum 1: over limit, over\r\n") && !mail.contains("Danger"),
        "{mail}"
    );
}
