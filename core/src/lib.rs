//! Physics, fit, forecast and alert rules of a sealed, live drink.
//!
//! Pure: no clock, no I/O, no async, no global state. Readings, notes and time go in; estimates, forecasts and alert
//! transitions come out; the same inputs and seed give the same bytes.
//!
//! The data's way: [`reading`] and [`note`] -> [`engine`] -> [`fit`] (on [`physics`]) -> [`forecast`] -> [`alert`].

mod abreast;

pub mod alert;
pub mod batch;
pub mod compare;
pub mod culture;
pub mod document;
pub mod engine;
pub mod experiment;
pub mod fit;
pub mod forecast;
pub mod note;
pub mod physics;
pub mod plain;
pub mod plan;
pub mod quantity;
pub mod reading;
pub mod recipe;
pub mod table;
