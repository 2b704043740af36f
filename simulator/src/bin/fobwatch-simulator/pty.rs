//! A play over a pseudo-terminal, as a board on a serial line would send it.

use crate::Failure;
use crate::pace::Pace;
use fobwatch_simulator::{CSV_HEADER, LineNoise};
use rustix::fs::{Mode, OFlags};
use rustix::pty::OpenptFlags;
use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};
use std::fs::File;
use std::io::Write;
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::time::Duration;

/// What a line holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum Format {
    /// A SenML pack of one record.
    Senml,
    /// time,source,quantity,value,unit; the header first.
    Csv,
}

/// How the lines look.
pub(crate) struct Line {
    pub(crate) format: Format,
    /// Seed of the junk between the lines.
    pub(crate) noise: Option<u64>,
    pub(crate) stay: bool,
    pub(crate) hold: bool,
    pub(crate) link: Option<PathBuf>,
}

/// Both ends. The far end is held open too, so that a reader may come and go without hanging up.
struct Terminal {
    near: File,
    far: OwnedFd,
    path: String,
}

fn open() -> rustix::io::Result<Terminal> {
    let near = rustix::pty::openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    rustix::pty::grantpt(&near)?;
    rustix::pty::unlockpt(&near)?;
    let name = rustix::pty::ptsname(&near, Vec::new())?;
    let far = rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY, Mode::empty())?;
    // Raw: no echo, no change of line ends.
    let mut settings = tcgetattr(&far)?;
    settings.make_raw();
    tcsetattr(&far, OptionalActions::Now, &settings)?;
    Ok(Terminal {
        near: File::from(near),
        far,
        path: name.to_string_lossy().into_owned(),
    })
}

pub(crate) fn write(pace: &Pace, line: &Line) -> Result<(), Failure> {
    let failed = |what: &str, error: &dyn std::fmt::Display| Failure::World(format!("{what}: {error}"));
    let mut terminal = open().map_err(|error| failed("no pseudo-terminal", &error))?;
    if let Some(link) = &line.link {
        std::os::unix::fs::symlink(&terminal.path, link)
            .map_err(|error| failed(&link.display().to_string(), &error))?;
    }
    let mut out = std::io::stdout();
    writeln!(out, "{}", terminal.path)
        .and_then(|()| out.flush())
        .map_err(|error| failed("standard output", &error))?;
    if line.hold {
        // What is written before a reader has opened the port is thrown away by its opening.
        std::io::stdin()
            .read_line(&mut String::new())
            .map_err(|error| failed("standard input", &error))?;
    }
    let result = play(pace, &mut terminal, line);
    if let Some(link) = &line.link {
        std::fs::remove_file(link).map_err(|error| failed(&link.display().to_string(), &error))?;
    }
    result.map_err(|error| failed(&terminal.path, &error))
}

fn play(pace: &Pace, terminal: &mut Terminal, line: &Line) -> std::io::Result<()> {
    let mut noise = line.noise.map(LineNoise::new);
    if line.format == Format::Csv {
        writeln!(terminal.near, "{CSV_HEADER}")?;
    }
    for (index, reading) in pace.readings.iter().enumerate() {
        std::thread::sleep(pace.wait(reading));
        let text = match line.format {
            Format::Senml => &reading.senml,
            Format::Csv => &reading.csv,
        };
        let mut bytes = noise.as_mut().map(|noise| noise.before(text)).unwrap_or_default();
        bytes.extend(text.bytes());
        bytes.push(b'\n');
        // Waits while the reader is behind, as a line with flow control does.
        terminal.near.write_all(&bytes)?;
        pace.tell(index + 1);
    }
    eprintln!("All {} readings are written.", pace.readings.len());
    // Closing the terminal would throw away what the reader has not taken yet. The kernel keeps a second buffer
    // that it does not tell about, so emptiness has to last.
    let mut empty_for = 0;
    while empty_for < 25 {
        let waiting = rustix::io::ioctl_fionread(&terminal.far)? > 0;
        empty_for = if waiting { 0 } else { empty_for + 1 };
        std::thread::sleep(Duration::from_millis(20));
    }
    if line.stay {
        loop {
            std::thread::park();
        }
    }
    Ok(())
}
