//! The programs of the workspace as a user starts them.

use std::{
    net::TcpListener,
    path::PathBuf,
    process::{Child, Command, Output},
    sync::atomic::{AtomicU16, Ordering},
};

/// What a program printed, and how it ended.
#[derive(Debug)]
pub struct Finished {
    /// Exit status; `None` when a signal ended it.
    pub status: Option<i32>,
    /// Standard output.
    pub stdout: String,
    /// Standard error.
    pub stderr: String,
}

/// The built program `name` (`fobwatch`, `fobwatch-simulator`).
///
/// # Panics
/// It was not built: `tests/all` builds it, or `cargo build --workspace --bins`.
#[must_use]
pub fn program(name: &str) -> PathBuf {
    let mut folder = std::env::current_exe().expect("a test knows its own path");
    folder.pop();
    if folder.ends_with("deps") {
        folder.pop();
    }
    let path = folder.join(name);
    assert!(
        path.exists(),
        "{} was not built: cargo build --workspace --bins",
        path.display()
    );
    path
}

/// Runs `name` with `arguments` to its end.
///
/// # Panics
/// It could not be started.
#[must_use]
pub fn run<S: AsRef<std::ffi::OsStr>>(name: &str, arguments: &[S]) -> Finished {
    let Output {
        status,
        stdout,
        stderr,
    } = Command::new(program(name))
        .args(arguments)
        .output()
        .expect("the program starts");
    Finished {
        status: status.code(),
        stdout: String::from_utf8_lossy(&stdout).into_owned(),
        stderr: String::from_utf8_lossy(&stderr).into_owned(),
    }
}

/// Below what the system hands out by itself (Linux: from 32,768), or a client's own end could take a port between the moment
/// it is found free and the moment its server starts, or while that restarts.
const PORTS: std::ops::Range<u16> = 20_000..32_000;

/// A port of loopback where nobody listens; no other call of this process gets the same one.
///
/// # Panics
/// None of those that are looked at is free.
#[must_use]
pub fn free_port() -> u16 {
    static TAKEN: AtomicU16 = AtomicU16::new(0);
    let places = PORTS.end - PORTS.start;
    // Other processes begin elsewhere.
    let first = u16::try_from(u64::from(std::process::id()) * 101 % u64::from(places)).unwrap_or(0);
    (0..places)
        .map(|_| TAKEN.fetch_add(1, Ordering::Relaxed) % places)
        .map(|nth| PORTS.start + (first + nth) % places)
        .find(|port| TcpListener::bind(("127.0.0.1", *port)).is_ok())
        .expect("loopback has a free port")
}

/// Tells a server to end (SIGTERM), so that it can write what it holds to disk, and waits for it.
pub(crate) fn end_in_order(mut child: Child) {
    let told = Command::new("kill")
        .args(["-TERM", &child.id().to_string()])
        .status();
    assert!(told.is_ok_and(|status| status.success()), "it is told to end");
    child.wait().expect("it ends");
}
