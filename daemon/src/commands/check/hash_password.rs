//! `fobwatch check --hash-password`

use std::io::{self, BufRead, IsTerminal, Read};

use rustix::termios::{LocalModes, OptionalActions, tcgetattr, tcsetattr};

use crate::{
    commands::{Ended, say},
    config::PasswordHash,
};

/// The most that is read of a line.
const MOST: u64 = 4_096;

/// Reads a password from standard input, unseen where it is typed, and tells the line that is kept of it.
pub(super) fn run() -> Result<(), Ended> {
    let failed = |error: io::Error| Ended::Failed(format!("the password cannot be read: {error}"));
    let password = if io::stdin().is_terminal() {
        eprint!("Password (it is not shown): ");
        unseen().map_err(failed)?
    } else {
        line().map_err(failed)?
    };
    let kept = PasswordHash::of(&password).map_err(Ended::Refused)?;
    say(kept.line())
}

fn line() -> io::Result<String> {
    let mut text = String::new();
    io::stdin().lock().take(MOST).read_line(&mut text)?;
    Ok(text.trim_end_matches(['\n', '\r']).to_owned())
}

fn unseen() -> io::Result<String> {
    let terminal = io::stdin();
    let before = tcgetattr(&terminal)?;
    let mut quiet = before.clone();
    quiet.local_modes.remove(LocalModes::ECHO);
    tcsetattr(&terminal, OptionalActions::Flush, &quiet)?;
    let typed = line();
    tcsetattr(&terminal, OptionalActions::Flush, &before)?;
    eprintln!();
    typed
}
