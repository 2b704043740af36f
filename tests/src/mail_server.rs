//! A real mail server: Debian's aiosmtpd, with TLS from the first byte, which keeps what it gets as files.

use std::{
    fs,
    net::TcpStream,
    path::PathBuf,
    process::{Child, Command, Stdio},
    time::Duration,
};

use tempfile::TempDir;

use crate::{free_port, wait_for};

/// A server on loopback, ended when dropped.
#[derive(Debug)]
pub struct MailServer {
    child: Option<Child>,
    folder: TempDir,
    port: u16,
}

impl MailServer {
    /// A server that is away, but has its address and certificate already.
    ///
    /// # Panics
    /// There is no temporary folder, or no certificate can be made.
    #[must_use]
    pub fn stopped() -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).expect("a certificate");
        fs::write(folder.path().join("server.pem"), made.cert.pem()).expect("it is written");
        fs::write(folder.path().join("server.key"), made.signing_key.serialize_pem()).expect("it is written");
        Self {
            child: None,
            folder,
            port: free_port(),
        }
    }

    /// Comes.
    ///
    /// # Panics
    /// Debian's package python3-aiosmtpd is absent, or it does not start.
    pub fn go(&mut self) {
        let child = Command::new("aiosmtpd")
            .args(["-n", "-c", "aiosmtpd.handlers.Mailbox"])
            .args(["-l", &format!("localhost:{}", self.port)])
            .arg("--smtpscert")
            .arg(self.certificate())
            .arg("--smtpskey")
            .arg(self.folder.path().join("server.key"))
            .arg(self.folder.path().join("mail"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("aiosmtpd of Debian's package python3-aiosmtpd is installed (tests/all does it)");
        self.child = Some(child);
        wait_for("the mail server", Duration::from_secs(30), || {
            TcpStream::connect(("localhost", self.port)).ok()
        });
    }

    /// Its certificate, which is its own authority.
    #[must_use]
    pub fn certificate(&self) -> PathBuf {
        self.folder.path().join("server.pem")
    }

    /// Its port at localhost.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// What it got, as it came.
    #[must_use]
    pub fn mails(&self) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.folder.path().join("mail/new")) else {
            return Vec::new();
        };
        let texts = entries.flatten().filter_map(|entry| fs::read(entry.path()).ok());
        texts
            .map(|text| String::from_utf8_lossy(&text).into_owned())
            .collect()
    }
}

impl Drop for MailServer {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().ok();
            child.wait().ok();
        }
    }
}
