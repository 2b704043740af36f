//! Alerts on their way out.
