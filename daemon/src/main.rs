//! The fobwatch command.

fn main() {}
