//! Attacks on the real daemon, as somebody would try them who has found its address.

mod guarded;
mod limits;
mod secured;
mod strangers;
