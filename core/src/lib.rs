//! Physics, fit, forecast and alert rules of a sealed, live drink. Pure: no clock, no I/O, no async.
