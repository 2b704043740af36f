//! Readings from serial lines.
