//! The engine on events made by hand, with fits answered by hand.

mod any_life;
mod any_readings;
mod any_sequence;
mod astray;
mod away;
mod findings;
pub(super) mod fixture;
mod given_away;
mod hostile;
mod memory;
mod moves;
mod pressure;
mod silence;
mod time;
