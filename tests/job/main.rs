//! The whole job, with real parts.
//!
//! What sensors do, and where it is shown over a real broker (mosquitto) or a real pseudo-terminal; `mqtt` and `serial` stand for the tests
//! beside the daemon's folders of these names.
//!
//! | mapping | shown in | | fault | shown in |
//! | --- | --- | --- | --- | --- |
//! | bare number | `mapped`, `mqtt/onlooking`, `own_sensors` | | half lines | `serial`, `over_serial` |
//! | JSON by pointer | `mapped` | | noise on the line | `serial`, `over_serial` |
//! | SenML over MQTT | `mapped`, `over_mqtt` | | wrong speed, told as such | `serial` |
//! | topics that name things | `mapped`, `mqtt/secured` | | unplugged and back | `serial`, `over_serial`, `soaked` |
//! | delimited text | `mapped`, `bad_messages`, `own_sensors` | | broker restarted | `mqtt/restarts`, `stopped`, `soaked` |
//! | SenML on a line | `mapped`, `over_serial` | | session lost | `soaked` (every fourth restart) |
//! | volts, ratiometric span | `mapped`, `bad_messages` | | retained and stale | `mapped`, `mqtt/onlooking` |
//! | volts, two points | `mapped` | | swapped, stuck, dying, drift, brown-out | `played_back` |
//! | volts, table | `mapped` | | nonsense of all kinds | `bad_messages`, `mqtt`, `serial` |
//! | float's inclination | `mapped` | | stranger's certificate, own and system's authorities | `mqtt/secured`, `secured` |
#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod bad_files;
mod bad_messages;
mod crowded;
mod delivered;
mod full_disk;
mod hub;
mod killed;
mod kitchen;
mod mapped;
mod outages;
mod over_mqtt;
mod over_serial;
mod own_sensors;
mod played_back;
mod refusing;
mod replayed;
mod same_bytes;
mod scenarios;
mod secrets;
mod secured;
mod series;
mod shares;
mod soaked;
mod stopped;
mod taken_over;
mod withdrawn;
