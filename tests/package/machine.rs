//! A machine of its own that systemd has booted: a container over a folder that `debootstrap` made, which stays as it was.

use std::{
    fs,
    io::Write,
    path::Path,
    process::{Child, Command, Stdio},
    time::Duration,
};

use fobwatch_tests::wait_for;

/// A bound on waiting; nothing is measured with it.
const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) struct Machine {
    container: Child,
    /// Its first process, as this machine numbers it.
    leader: String,
}

impl Machine {
    /// Boots `folder`, with the packages of `packages` under `/packages` and without any network but its own loopback.
    pub(crate) fn boot(folder: &str, packages: &Path) -> Self {
        let container = Command::new("systemd-nspawn")
            .args(["--quiet", "--boot", "--volatile=overlay", "--private-network"])
            .args([
                "--register=no",
                "--keep-unit",
                "--console=pipe",
                "--directory",
                folder,
            ])
            .arg(format!("--bind-ro={}:/packages", packages.display()))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .spawn()
            .expect("systemd-nspawn runs: it comes with the package systemd-container");
        let mut machine = Self {
            container,
            leader: String::new(),
        };
        // Its first child only makes the one that stays.
        let children = format!("/proc/{0}/task/{0}/children", machine.container.id());
        wait_for("systemd in the container", PATIENCE, || {
            let children = fs::read_to_string(&children).ok()?;
            machine.leader = children.split_whitespace().next()?.to_owned();
            let (_, state) = machine.tries(&["systemctl", "is-system-running"]);
            (state.trim() == "running").then_some(())
        });
        machine
    }

    fn command(&self, words: &[&str]) -> Command {
        let mut command = Command::new("nsenter");
        command
            .args(["--target", &self.leader, "--all", "--"])
            .args(words)
            .env_clear()
            .env("HOME", "/root")
            .env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin")
            .env("DEBIAN_FRONTEND", "noninteractive");
        command
    }

    /// Runs a command on it; whether it succeeded, and all that it said.
    pub(crate) fn tries(&self, words: &[&str]) -> (bool, String) {
        let output = self.command(words).output().unwrap();
        let said = [output.stdout, output.stderr].concat();
        (
            output.status.success(),
            String::from_utf8_lossy(&said).into_owned(),
        )
    }

    /// Runs a command on it that has to succeed.
    pub(crate) fn does(&self, words: &[&str]) -> String {
        let (fine, said) = self.tries(words);
        assert!(fine, "{words:?}: {said}\n{}", self.log());
        said
    }

    pub(crate) fn writes(&self, path: &str, text: &str) {
        let mut tee = self
            .command(&["tee", path])
            .stdin(Stdio::piped())
            .stdout(Stdio::null())
            .spawn()
            .unwrap();
        tee.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
        assert!(tee.wait().unwrap().success(), "{path} cannot be written");
    }

    /// What systemd knows of the service.
    pub(crate) fn shows(&self, property: &str) -> String {
        let said = self.does(&["systemctl", "show", "--value", "--property", property, "fobwatch"]);
        said.trim().to_owned()
    }

    /// Waits until the service has told systemd that it works, and tells its process.
    pub(crate) fn works(&self, not: &str) -> String {
        wait_for("the service to be ready", PATIENCE, || {
            let process = self.shows("MainPID");
            (self.shows("SubState") == "running" && process != not && process != "0").then_some(process)
        })
    }

    pub(crate) fn log(&self) -> String {
        self.tries(&[
            "journalctl",
            "--boot",
            "--no-pager",
            "--unit",
            "fobwatch",
            "--lines",
            "50",
        ])
        .1
    }
}

impl Drop for Machine {
    fn drop(&mut self) {
        // It hands the wish on to its systemd, with which goes all that runs on it.
        let _ = Command::new("kill")
            .args(["-TERM", &self.container.id().to_string()])
            .status();
        let _ = self.container.wait();
    }
}
