//! Made-up batches with their own physics, seen through believable sensors.
//!
//! The simulator is the independent truth: it shares no code and no fermentation model with the engine that is
//! judged on it.
//!
//! # The living part
//! A yeast and a heterolactic bacterium. The yeast wakes through two stages of fixed mean length, grows by
//! Monod on sugar and on the little nitrogen of such drinks (Ratkowsky et al. 1983 for temperature), ferments by
//! competitive uptake of glucose and fructose (Schoolfield et al. 1981 for temperature) and slowly gives up; its
//! invertase splits sucrose outside the cell. The bacterium builds its enzymes, grows by Haldane with logistic
//! crowding (Rosso et al. 1993 for temperature), and gives one CO2 and one ethanol per hexose, or mannitol and
//! acetate where fructose takes the electrons. Alcohol, acid and CO2 pressure hold both back (growth stops near
//! 7 bar, fermentation near 30: Jackson, Wine Science). Oxygen of the trapped air is breathed. Carbon balances.
//!
//! # The bottle
//! Solubility of CO2 by Weiss 1974 (or, where a scenario says so, Carroll et al. 1991) on a fugacity basis, with
//! Weiss's virial coefficients and a Poynting term, lowered by sugar (8 to 14 % at 100 g/L in the literature)
//! and by 1.2 % per percent of alcohol. Vapour by Buck 1981, water density by Kell 1975, nitrogen and oxygen by
//! Sander 2015. Exchange between drink and headspace takes time. Dissolved CO2 swells the drink; glass and PET
//! grow with heat and pressure; PET lets some CO2 through. Heat passes through a wall of its own heat capacity.
//!
//! # Use
//! ```
//! use fobwatch_simulator::{Scenario, Simulation};
//!
//! let scenario = Scenario::shipped("plain").expect("a shipped name");
//! let played = Simulation::run(&scenario, 7);
//! let reached = played.truth.target_at().expect("the plain batch gets there");
//! assert!(reached > scenario.bottled_at);
//! assert!(played.readings.len() > 3000);
//! ```
//! [`LiveBatch`] plays the same bit by bit and lets a person step in. The same scenario and seed give the same
//! bytes on the same machine: no clock, no system randomness.

mod batch_file;
mod bottle;
mod brew;
mod culture;
mod fault;
mod gas;
mod live;
mod noise;
mod place;
mod play;
mod published;
mod quantity;
mod random;
mod rows;
pub mod scenario;
mod sensor;
mod truth;
mod world;

pub use batch_file::batch_toml;
pub use bottle::{Cap, Material};
pub use gas::Solubility;
pub use live::{Emitted, LiveBatch, Note};
pub use noise::LineNoise;
pub use play::{Played, Simulation};
pub use published::Published;
pub use quantity::{Quantity, Unit};
pub use rows::{CSV_HEADER, notes_jsonl, readings_csv, truth_csv};
pub use scenario::{BadEntry, BadScenario, Deed, Scenario};
pub use truth::{Forgotten, Moment, Truth, Vigour};
