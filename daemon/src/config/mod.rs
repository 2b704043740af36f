//! What the user configured, read from TOML and checked.
