//! The fobwatch daemon: inputs, store, outputs, web page. No formulas; `fobwatch-core` decides, this obeys.
//!
//! The data's way: [`serial`] and [`mqtt`] -> [`decode`] -> [`incoming`] -> [`store`] -> acknowledge -> engine
//! ([`watch`]) -> alert and outbox in one transaction -> [`deliver`], [`http`].

pub mod commands;
pub mod config;
pub mod decode;
pub mod deliver;
pub mod demo;
mod discover;
pub mod http;
pub mod incoming;
mod label;
pub mod mqtt;
pub mod page;
mod proof;
pub mod serial;
mod series;
pub mod store;
pub mod watch;
