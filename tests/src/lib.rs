//! Checks of the whole job; what they share stands here: a broker, a running daemon, a subscriber, a terminal.
//!
//! Everything listens on loopback, on ports that were free a moment before, and ends when its owner is dropped.

mod broker;
mod browser;
mod daemon;
mod disk;
mod hook;
mod killed;
mod mail_server;
pub mod packed;
mod pages;
mod program;
mod publisher;
mod series_server;
mod several;
mod soak;
mod subscriber;
mod taken_over;
mod terminal;

pub use broker::Broker;
pub use browser::{Browser, ENTER, Element, TAB, Window};
pub use daemon::Daemon;
pub use disk::{Disk, Key, key};
pub use hook::{Answer, Posted, take_posts};
pub use killed::{Killed, Left, kill_often};
pub use mail_server::MailServer;
pub use pages::{Opened, keep_open};
pub use program::{Finished, free_port, program, run};
pub use publisher::{publish, publish_through};
pub use series_server::SeriesServer;
pub use several::{in_order, several};
pub use soak::{Soaked, soak};
pub use subscriber::{Message, Subscriber, kept};
pub use taken_over::{TakenOver, take_over};
pub use terminal::Terminal;

use std::time::{Duration, Instant};

/// Asks `ready` again and again until it answers, or fails the test with `what` after `patience`.
///
/// # Panics
/// `patience` is over.
pub fn wait_for<T>(what: &str, patience: Duration, mut ready: impl FnMut() -> Option<T>) -> T {
    let started = Instant::now();
    loop {
        if let Some(found) = ready() {
            return found;
        }
        assert!(
            started.elapsed() < patience,
            "waited {} s in vain for {what}",
            patience.as_secs()
        );
        std::thread::sleep(Duration::from_millis(50));
    }
}
