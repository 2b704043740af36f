//! Plain sentences for people.
