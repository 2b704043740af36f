//! A running `fobwatch watch`.

use std::{
    fs::{self, File},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    time::Duration,
};

use serde_json::Value;

use crate::{free_port, program, wait_for};

/// The longest answer that is read: ten thousand batches fill some 20 MB.
const ANSWER: u64 = 1 << 28;

/// The daemon, ended (by SIGKILL) when dropped.
#[derive(Debug)]
pub struct Daemon {
    child: Child,
    port: u16,
    log: PathBuf,
}

impl Daemon {
    /// Starts `watch` with a configuration, a data folder and a folder of batch files, and waits for `/health`.
    ///
    /// # Panics
    /// It does not come up; its log is shown.
    #[must_use]
    pub fn start(config: &Path, data: &Path, batches: &Path) -> Self {
        Self::start_in(config, data, batches, &[])
    }

    /// Starts it, and ends it at once (by SIGKILL) after a time, wherever it is then.
    ///
    /// # Panics
    /// It cannot be started or ended.
    pub fn kill_while_starting(config: &Path, data: &Path, batches: &Path, after: Duration) {
        let mut child = Command::new(program("fobwatch"))
            .arg("watch")
            .arg("--config")
            .arg(config)
            .arg("--data")
            .arg(data)
            .arg("--batches")
            .arg(batches)
            .args(["--listen", &format!("127.0.0.1:{}", free_port())])
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("fobwatch starts");
        std::thread::sleep(after);
        child.kill().expect("SIGKILL is sent");
        child.wait().expect("it ends");
    }

    /// The same with variables of its environment.
    ///
    /// # Panics
    /// As [`Daemon::start`].
    #[must_use]
    pub fn start_in(config: &Path, data: &Path, batches: &Path, environment: &[(&str, &Path)]) -> Self {
        let port = free_port();
        fs::create_dir_all(data).expect("the data folder is made");
        let log = data.with_extension(format!("{port}.log"));
        let mut watch = Command::new(program("fobwatch"));
        watch
            .arg("watch")
            .arg("--config")
            .arg(config)
            .arg("--data")
            .arg(data)
            .arg("--batches")
            .arg(batches)
            .envs(environment.iter().copied());
        Self::go(watch, port, log)
    }

    /// The same, of a configuration with a certificate: its port speaks no plain HTTP, so what is waited for is its word.
    ///
    /// # Panics
    /// As [`Daemon::start`].
    #[must_use]
    pub fn start_secured(config: &Path, data: &Path, batches: &Path) -> Self {
        let port = free_port();
        fs::create_dir_all(data).expect("the data folder is made");
        let log = data.with_extension(format!("{port}.log"));
        let mut watch = Command::new(program("fobwatch"));
        watch.arg("watch").arg("--config").arg(config);
        watch.arg("--data").arg(data).arg("--batches").arg(batches);
        let served = format!("The page is at https://127.0.0.1:{port}/");
        Self::until(watch, port, log, |daemon| {
            daemon.log().contains(&served).then_some(())
        })
    }

    /// The same, on a disk that [`Daemon::fill_disk`] fills.
    ///
    /// # Panics
    /// It does not come up; its log is shown.
    #[must_use]
    pub fn start_to_be_filled(config: &Path, data: &Path, batches: &Path) -> Self {
        let port = free_port();
        fs::create_dir_all(data).expect("the data folder is made");
        let log = data.with_extension(format!("{port}.log"));
        let mut watch = Command::new("sh");
        // Past the limit a write is to fail as on a full disk, and not to end the program.
        watch
            .args(["-c", "trap '' XFSZ; exec \"$@\"", "sh"])
            .arg(program("fobwatch"))
            .arg("watch")
            .arg("--config")
            .arg(config)
            .arg("--data")
            .arg(data)
            .arg("--batches")
            .arg(batches);
        Self::go(watch, port, log)
    }

    /// From here on no file may grow beyond `bytes` (setrlimit(2), `RLIMIT_FSIZE`); `None`: there is room again.
    ///
    /// # Panics
    /// The limit cannot be set.
    pub fn fill_disk(&self, bytes: Option<u64>) {
        let limit = bytes.map_or_else(|| "unlimited".to_owned(), |bytes| bytes.to_string());
        let set = Command::new("prlimit")
            .args([
                "--pid",
                &self.child.id().to_string(),
                &format!("--fsize={limit}:"),
            ])
            .status();
        assert!(set.is_ok_and(|status| status.success()), "prlimit sets the limit");
    }

    /// Starts `watch --demo`, whose temporary folder is to lie in `temporary`; its log is kept at `log`.
    ///
    /// # Panics
    /// It does not come up; its log is shown.
    #[must_use]
    pub fn demo(temporary: &Path, log: &Path) -> Self {
        let mut watch = Command::new(program("fobwatch"));
        watch.args(["watch", "--demo"]).env("TMPDIR", temporary);
        Self::go(watch, free_port(), log.to_owned())
    }

    fn go(watch: Command, port: u16, log: PathBuf) -> Self {
        Self::until(watch, port, log, |daemon| daemon.get("/health").ok().map(drop))
    }

    fn until(mut watch: Command, port: u16, log: PathBuf, ready: impl Fn(&Self) -> Option<()>) -> Self {
        if watch.get_envs().all(|(name, _)| name != "RUST_LOG") {
            watch.env("RUST_LOG", "info");
        }
        let err = File::create(&log).expect("the log is made");
        let child = watch
            .args(["--listen", &format!("127.0.0.1:{port}")])
            // Codes for colours would stand between the words that tests look for.
            .env("NO_COLOR", "1")
            .stdin(Stdio::null())
            .stdout(err.try_clone().expect("the log is shared"))
            .stderr(err)
            .spawn()
            .expect("fobwatch starts");
        let mut daemon = Self { child, port, log };
        wait_for("the daemon to serve", Duration::from_secs(60), || {
            if let Ok(Some(status)) = daemon.child.try_wait() {
                panic!("fobwatch ended with {status}:\n{}", daemon.log());
            }
            ready(&daemon)
        });
        daemon
    }

    /// Its port on 127.0.0.1.
    #[must_use]
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The first sample of a metric at `/metrics`, as a whole number.
    #[must_use]
    pub fn metric(&self, name: &str) -> Option<u64> {
        let text = self.get("/metrics").ok()?;
        let line = text.lines().find(|line| line.starts_with(name))?;
        let value: f64 = line.rsplit(' ').next()?.parse().ok()?;
        format!("{value:.0}").parse().ok()
    }

    /// Its resident memory in MiB (proc(5), `VmRSS`).
    ///
    /// # Panics
    /// It has ended.
    #[must_use]
    pub fn resident_mib(&self) -> f64 {
        self.mib("VmRSS:")
    }

    /// The most that it has taken of it, MiB.
    ///
    /// # Panics
    /// It has ended.
    #[must_use]
    pub fn most_resident_mib(&self) -> f64 {
        self.mib("VmHWM:")
    }

    fn mib(&self, name: &str) -> f64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id())).expect("it runs");
        let kib = status.lines().find_map(|line| {
            let kib = line.strip_prefix(name)?.trim().strip_suffix("kB")?;
            kib.trim().parse::<f64>().ok()
        });
        kib.expect("a process has a size") / 1_024.0
    }

    /// Seconds of processor that it has taken, of user and system together (proc(5), `stat`; 100 ticks a second, as on every usual Linux).
    ///
    /// # Panics
    /// It has ended.
    #[must_use]
    pub fn cpu_s(&self) -> f64 {
        let stat = fs::read_to_string(format!("/proc/{}/stat", self.child.id())).expect("it runs");
        used_s(&stat)
    }

    /// The same of its threads whose names begin with `name`, as far as they have not ended.
    ///
    /// # Panics
    /// It has ended.
    #[must_use]
    pub fn cpu_s_of_threads(&self, name: &str) -> f64 {
        let threads = fs::read_dir(format!("/proc/{}/task", self.child.id())).expect("it runs");
        threads
            .filter_map(|thread| {
                let folder = thread.ok()?.path();
                // One may end while it is looked at.
                let own = fs::read_to_string(folder.join("comm")).ok()?;
                let stat = fs::read_to_string(folder.join("stat")).ok()?;
                own.starts_with(name).then(|| used_s(&stat))
            })
            .sum()
    }

    /// Bytes that it has sent to the disk (proc(5), `write_bytes` of `io`).
    ///
    /// # Panics
    /// It has ended.
    #[must_use]
    pub fn written_bytes(&self) -> u64 {
        let io = fs::read_to_string(format!("/proc/{}/io", self.child.id())).expect("it runs");
        let line = io.lines().find_map(|line| line.strip_prefix("write_bytes: "));
        line.and_then(|line| line.trim().parse().ok()).unwrap_or_default()
    }

    /// What it wrote to its log.
    #[must_use]
    pub fn log(&self) -> String {
        fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// A page or answer as text.
    ///
    /// # Errors
    /// No answer, or one outside 200 to 299.
    pub fn get(&self, path: &str) -> Result<String, ureq::Error> {
        ureq::get(format!("http://127.0.0.1:{}{path}", self.port))
            .call()?
            .body_mut()
            .with_config()
            .limit(ANSWER)
            .read_to_string()
    }

    /// An answer of the API as JSON.
    ///
    /// # Panics
    /// No answer, or none in JSON.
    #[must_use]
    pub fn json(&self, path: &str) -> Value {
        let text = self
            .get(path)
            .unwrap_or_else(|error| panic!("{path}: {error}\n{}", self.log()));
        serde_json::from_str(&text).unwrap_or_else(|error| panic!("{path}: {error} in {text}"))
    }

    /// Ends it at once, as a power cut would.
    ///
    /// # Panics
    /// It cannot be ended.
    pub fn kill(mut self) {
        self.child.kill().expect("SIGKILL is sent");
        self.child.wait().expect("it ends");
    }

    /// Asks it to read its configuration again (SIGHUP).
    ///
    /// # Panics
    /// It cannot be asked.
    pub fn reload(&self) {
        let pid = self.child.id().to_string();
        let told = Command::new("kill").args(["-HUP", &pid]).status();
        assert!(
            told.is_ok_and(|status| status.success()),
            "the daemon was told to read its configuration"
        );
    }

    /// Asks it to stop (SIGTERM) and tells its exit status.
    ///
    /// # Panics
    /// It does not stop within 30 s.
    #[must_use]
    pub fn stop(mut self) -> Option<i32> {
        let pid = self.child.id().to_string();
        let told = Command::new("kill").args(["-TERM", &pid]).status();
        assert!(
            told.is_ok_and(|status| status.success()),
            "the daemon was told to stop"
        );
        let child = &mut self.child;
        wait_for("a graceful stop", Duration::from_secs(30), || {
            child.try_wait().ok().flatten()
        })
        .code()
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if self.child.kill().is_ok() {
            self.child.wait().ok();
        }
    }
}

/// Seconds of processor, in user and system, that a `stat` of proc(5) tells.
fn used_s(stat: &str) -> f64 {
    let behind_name = stat.rsplit(')').next().unwrap_or_default();
    let ticks = |index: usize| {
        let field = behind_name.split_whitespace().nth(index);
        field
            .and_then(|field| field.parse::<f64>().ok())
            .unwrap_or_default()
    };
    (ticks(11) + ticks(12)) / 100.0
}

#[cfg(test)]
mod tests {
    use super::used_s;

    #[test]
    fn the_name_of_a_thread_may_hold_what_stands_around_it() {
        let stat = "4711 (batches-1) x) S 1 2 3 0 -1 4194560 9 0 0 0 250 50 7 7 20 0 1 0 12345 1 2";
        assert!((used_s(stat) - 3.0).abs() < 1e-9);
        assert!(used_s("nothing of the kind").abs() < 1e-9);
    }
}
