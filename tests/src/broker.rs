//! A real broker: Debian's mosquitto with a user and a password.

use std::{
    fs,
    net::TcpStream,
    path::Path,
    process::{Child, Command, Stdio},
    time::Duration,
};

use tempfile::TempDir;

use crate::{free_port, program::end_in_order, wait_for};

/// A broker on loopback, ended when dropped.
#[derive(Debug)]
pub struct Broker {
    child: Option<Child>,
    folder: TempDir,
    port: u16,
}

impl Broker {
    /// The user that may do everything.
    pub const USER: &str = "kitchen";
    /// Its password.
    pub const PASSWORD: &str = "quite secret";

    /// Starts mosquitto with persistence, so that sessions outlive a restart.
    ///
    /// # Panics
    /// Debian's packages mosquitto is absent, or it does not start.
    #[must_use]
    pub fn start() -> Self {
        Self::start_with("")
    }

    /// The same with further lines of its settings, such as another listener.
    ///
    /// # Panics
    /// As [`Broker::start`].
    #[must_use]
    pub fn start_with(more: &str) -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let port = free_port();
        let passwords = folder.path().join("passwd");
        let done = Command::new("mosquitto_passwd")
            .args(["-c", "-b"])
            .arg(&passwords)
            .args([Self::USER, Self::PASSWORD])
            .output()
            .expect("mosquitto_passwd of Debian's package mosquitto is installed (tests/all does it)");
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        let user = if is_root() { "user root\n" } else { "" };
        let settings = format!(
            "{user}persistence true\npersistence_location {}/\nallow_anonymous false\npassword_file {}\n\
             listener {port} 127.0.0.1\nmax_queued_messages 0\nset_tcp_nodelay true\n{more}",
            folder.path().display(),
            passwords.display()
        );
        fs::write(folder.path().join("broker.conf"), settings).expect("the broker's settings are written");
        let mut broker = Self {
            child: None,
            folder,
            port,
        };
        broker.go();
        broker
    }

    /// Its port on 127.0.0.1.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// A file that holds the password, as the configuration wants it.
    ///
    /// # Panics
    /// It cannot be written.
    #[must_use]
    pub fn password_file(&self) -> String {
        let path = self.folder.path().join("secret");
        fs::write(&path, Self::PASSWORD).expect("the password file is written");
        path.display().to_string()
    }

    /// Stops it and starts it again on the same port.
    pub fn restart(&mut self) {
        self.stop();
        self.go();
    }

    /// The same, but it has forgotten every session and every message.
    ///
    /// # Panics
    /// What it kept cannot be removed.
    pub fn restart_empty(&mut self) {
        self.stop();
        fs::remove_file(self.folder.path().join("mosquitto.db")).expect("it had written what it kept");
        self.go();
    }

    fn go(&mut self) {
        let binary = if Path::new("/usr/sbin/mosquitto").exists() {
            "/usr/sbin/mosquitto"
        } else {
            "mosquitto"
        };
        let child = Command::new(binary)
            .arg("-c")
            .arg(self.folder.path().join("broker.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("mosquitto of Debian's package mosquitto is installed (tests/all does it)");
        self.child = Some(child);
        let port = self.port;
        wait_for("the broker's port", Duration::from_secs(20), || {
            TcpStream::connect(("127.0.0.1", port)).ok()
        });
    }

    fn stop(&mut self) {
        if let Some(child) = self.child.take() {
            // It writes its sessions to disk.
            end_in_order(child);
        }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            // The folder goes with it: nothing is worth saving, and a failure here must not hide the test's own.
            if child.kill().is_ok() {
                child.wait().ok();
            }
        }
    }
}

fn is_root() -> bool {
    Command::new("id")
        .arg("-u")
        .output()
        .is_ok_and(|id| id.stdout.trim_ascii() == b"0")
}
