//! The broker of these tests, on ports that nothing else takes.

use std::{
    fs,
    net::{TcpListener, TcpStream},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    sync::atomic::{AtomicU16, Ordering},
    time::{Duration, Instant},
};

use super::PATIENCE;

/// Below what the system hands out by itself (Linux: from 32,768), or a client's own end could take a port between the moment
/// it is found free and the moment its server starts, or while that restarts.
const PORTS: std::ops::Range<u16> = 20_000..32_000;

/// A port of loopback where nobody listens; no other call of this process gets the same one.
pub(super) fn free_port() -> u16 {
    static TAKEN: AtomicU16 = AtomicU16::new(0);
    let places = PORTS.end - PORTS.start;
    // Other processes begin elsewhere.
    let first = u16::try_from(u64::from(std::process::id()) * 101 % u64::from(places)).unwrap();
    (0..places)
        .map(|_| TAKEN.fetch_add(1, Ordering::Relaxed) % places)
        .map(|nth| PORTS.start + (first + nth) % places)
        .find(|port| TcpListener::bind(("127.0.0.1", *port)).is_ok())
        .expect("loopback has a free port")
}

pub(super) struct Mosquitto {
    child: Child,
    pub(super) port: u16,
    folder: PathBuf,
}

impl Mosquitto {
    pub(super) fn start(folder: &Path) -> Self {
        Self::start_on(folder, free_port())
    }

    pub(super) fn start_on(folder: &Path, port: u16) -> Self {
        let config = folder.join("mosquitto.conf");
        let password = folder.join("passwd");
        let access = if password.exists() {
            format!("allow_anonymous false\npassword_file {}\n", password.display())
        } else {
            "allow_anonymous true\n".to_owned()
        };
        let text = format!(
            "{access}persistence true\npersistence_location {}/\nlistener {port} 127.0.0.1\nuser root\n\
             max_inflight_messages 0\nmax_queued_messages 0\n",
            folder.display()
        );
        let secured = fs::read_to_string(folder.join("secured.conf")).unwrap_or_default();
        let text = text + &secured;
        fs::write(&config, &text).unwrap();
        let log = folder.join("mosquitto.log");
        let child = Command::new(program("mosquitto"))
            .arg("-c")
            .arg(&config)
            .stdout(Stdio::null())
            .stderr(fs::File::create(&log).unwrap())
            .spawn()
            .unwrap_or_else(|error| panic!("mosquitto has to be installed for this test: {error}"));
        let mut broker = Self {
            child,
            port,
            folder: folder.to_owned(),
        };
        for line in text.lines() {
            if let Some(listener) = line.strip_prefix("listener ") {
                let port = listener.split(' ').next().unwrap().parse().unwrap();
                broker.until_it_listens(port, &log);
            }
        }
        broker
    }

    /// A broker that could not start would show as silence a minute later.
    fn until_it_listens(&mut self, port: u16, log: &Path) {
        let started = Instant::now();
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            let ended = self.child.try_wait().unwrap();
            assert!(
                ended.is_none() && started.elapsed() < PATIENCE,
                "mosquitto does not listen at {port}, {ended:?}: {}",
                fs::read_to_string(log).unwrap_or_default()
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Stops it in order, so that it keeps its sessions, and starts it again.
    pub(super) fn restart(mut self) -> Self {
        let id = self.child.id().to_string();
        assert!(
            Command::new("kill")
                .args(["-TERM", &id])
                .status()
                .unwrap()
                .success()
        );
        self.child.wait().unwrap();
        Self::start_on(&self.folder, self.port)
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.child.kill().ok();
        self.child.wait().ok();
    }
}

pub(super) fn program(name: &str) -> PathBuf {
    // Debian puts servers where an ordinary user's path does not lead.
    let place = Path::new("/usr/sbin").join(name);
    if place.exists() {
        place
    } else {
        PathBuf::from(name)
    }
}
