//! An address that is posted to, as a push service would be.

use std::{
    io::{Read, Write},
    net::{TcpListener, TcpStream},
    sync::Arc,
    thread,
};

/// What was posted, or asked with a GET.
#[derive(Clone, Debug)]
pub struct Posted {
    head: String,
    /// The body.
    pub body: String,
}

/// What an address does about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Answer {
    /// 204
    Taken,
    /// 500
    Refused,
    /// It says nothing and lets go.
    Silence,
}

impl Posted {
    /// A field of the head.
    #[must_use]
    pub fn header(&self, name: &str) -> Option<&str> {
        self.head.lines().find_map(|line| {
            let (named, value) = line.split_once(": ")?;
            named.eq_ignore_ascii_case(name).then_some(value)
        })
    }
}

/// Listens on a port of loopback until the program ends; each request is answered as `decide` says, on a thread of its own.
///
/// # Panics
/// Loopback has no free port.
pub fn take_posts(decide: impl Fn(&Posted) -> Answer + Send + Sync + 'static) -> u16 {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback has a free port");
    let port = listener
        .local_addr()
        .expect("a bound socket has an address")
        .port();
    let decide = Arc::new(decide);
    thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let decide = Arc::clone(&decide);
            thread::spawn(move || {
                let Some(posted) = read(&mut stream) else { return };
                let answer = match decide(&posted) {
                    Answer::Taken => "204 No Content",
                    Answer::Refused => "500 Internal Server Error",
                    Answer::Silence => return,
                };
                let answer = format!("HTTP/1.1 {answer}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
                // Whoever asked may have gone away.
                stream.write_all(answer.as_bytes()).ok();
            });
        }
    });
    port
}

/// `None`: it went away before it had said all.
fn read(stream: &mut TcpStream) -> Option<Posted> {
    let (mut text, mut part) = (Vec::new(), [0; 4_096]);
    loop {
        let count = stream.read(&mut part).ok().filter(|count| *count > 0)?;
        text.extend_from_slice(part.get(..count)?);
        let so_far = String::from_utf8_lossy(&text);
        let Some((head, body)) = so_far.split_once("\r\n\r\n") else {
            continue;
        };
        let posted = Posted {
            head: head.to_owned(),
            body: body.to_owned(),
        };
        // A GET has no length.
        let length = posted
            .header("Content-Length")
            .and_then(|length| length.parse().ok());
        if body.len() >= length.unwrap_or(0) {
            return Some(posted);
        }
    }
}
