//! The fobwatch command.

use std::process::ExitCode;

fn main() -> ExitCode {
    fobwatch::commands::run()
}
