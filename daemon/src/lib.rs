//! The fobwatch daemon: inputs, store, outputs, web page. No formulas; `fobwatch-core` decides, this obeys.
//!
//! The data's way: [`serial`] and [`mqtt`] -> [`decode`] -> [`incoming`] -> [`store`] -> acknowledge -> engine
//! ([`watch`]) -> alert and outbox in one transaction -> [`deliver`], [`http`].

mod basic_string;
mod calls;
mod claim;
pub mod commands;
pub mod config;
mod corrected;
mod craft;
pub mod decode;
pub mod deliver;
pub mod demo;
mod discover;
#[cfg(any(test, feature = "faults"))]
pub mod faults;
mod gate;
#[cfg(any(test, fuzzing))]
pub mod hostile;
pub mod http;
mod hub;
pub mod incoming;
mod kept_up;
mod label;
mod legal;
mod moment;
pub mod mqtt;
mod noted;
pub mod page;
mod planning;
mod proof;
mod rescue;
#[cfg(test)]
mod rooms;
pub mod running;
pub mod serial;
mod series;
pub mod store;
pub mod watch;
mod wish;
mod wording;
