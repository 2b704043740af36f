//! The commands of the program as a person types them, with a daemon and without one.

mod archive;
mod compare;
mod corrected;
mod culture;
mod experiment;
mod history;
mod kitchen;
mod over_mqtt;
mod pages;
mod rescue;
mod taken_back;
mod usage;
mod with_daemon;
mod without_daemon;
