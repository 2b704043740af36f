//! A serial line: a pseudo-terminal whose far end the daemon opens as its port.

use std::{fs::File, io::Write};

use rustix::{
    fs::{Mode, OFlags},
    pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt},
    termios::{OptionalActions, tcgetattr, tcsetattr},
};

/// Our end of a serial line. The plug is pulled when it is dropped.
#[derive(Debug)]
pub struct Terminal {
    near: File,
    path: String,
}

impl Terminal {
    /// A line without echo that changes no byte.
    ///
    /// # Panics
    /// The system gives no pseudo-terminal.
    #[must_use]
    pub fn open() -> Self {
        let near = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY).expect("a pseudo-terminal");
        grantpt(&near).expect("it is ours");
        unlockpt(&near).expect("it can be opened");
        let name = ptsname(&near, Vec::new()).expect("it has a name");
        let far = rustix::fs::open(&name, OFlags::RDWR | OFlags::NOCTTY, Mode::empty()).expect("it opens");
        let mut settings = tcgetattr(&far).expect("it has settings");
        settings.make_raw();
        tcsetattr(&far, OptionalActions::Now, &settings).expect("it takes settings");
        Self {
            near: File::from(near),
            path: name.to_string_lossy().into_owned(),
        }
    }

    /// What the daemon opens.
    #[must_use]
    pub fn path(&self) -> &str {
        &self.path
    }

    /// Sends bytes. They are lost if nobody has opened the port yet: it discards what waits.
    ///
    /// # Panics
    /// The line is dead.
    pub fn send(&mut self, bytes: &[u8]) {
        self.near.write_all(bytes).expect("the line takes bytes");
    }
}
