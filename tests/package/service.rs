//! The installed daemon, started as its unit says; we listen in systemd's place (sd_notify(3)).

use std::{
    fs,
    os::unix::net::UnixDatagram,
    path::PathBuf,
    process::{Child, Command, Stdio},
    time::Duration,
};

use fobwatch_tests::free_port;

use crate::built::Root;

/// A bound on waiting; nothing is measured with it.
const PATIENCE: Duration = Duration::from_secs(120);

pub(crate) struct Service {
    child: Child,
    program: PathBuf,
    data: PathBuf,
    address: String,
    log: PathBuf,
}

impl Service {
    /// Starts it, and waits until it says that it is ready, and that it lives.
    pub(crate) fn start(root: &Root) -> Self {
        let unit = fs::read_to_string(root.path("usr/lib/systemd/system/fobwatch.service")).unwrap();
        let setting = |key: &str| {
            let line = unit
                .lines()
                .find_map(|line| line.strip_prefix(&format!("{key}=")));
            line.unwrap_or_else(|| panic!("the unit has no {key}"))
        };
        assert_eq!(setting("Type"), "notify");
        let within = |path: &str| root.path(path.trim_start_matches('/'));
        let mut words = setting("ExecStart")
            .split(' ')
            .map(|word| match word.strip_prefix('/') {
                Some(path) => within(path).into_os_string(),
                None => word.into(),
            });
        // What systemd makes before it starts the program.
        for part in setting("ConfigurationDirectory").split(' ') {
            fs::create_dir_all(within("etc").join(part)).unwrap();
        }
        let data = within("var/lib").join(setting("StateDirectory"));
        fs::create_dir_all(&data).unwrap();
        let socket = root.path("notify");
        let _ = fs::remove_file(&socket);
        let heard = UnixDatagram::bind(&socket).unwrap();
        heard.set_read_timeout(Some(PATIENCE)).unwrap();
        let (address, log) = (format!("127.0.0.1:{}", free_port()), root.path("log"));
        let program = PathBuf::from(words.next().unwrap());
        let child = Command::new(&program)
            .args(words)
            .env_clear()
            .env("STATE_DIRECTORY", &data)
            .env("NOTIFY_SOCKET", &socket)
            .env("WATCHDOG_USEC", "2000000")
            .env("FOBWATCH_LISTEN", &address)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(fs::File::create(&log).unwrap())
            .spawn()
            .unwrap();
        let service = Self {
            child,
            program,
            data,
            address,
            log,
        };
        for awaited in ["READY=1", "WATCHDOG=1"] {
            service.hears(&heard, awaited);
        }
        service
    }

    fn hears(&self, socket: &UnixDatagram, awaited: &str) {
        let mut buffer = [0; 1024];
        loop {
            let length = socket.recv(&mut buffer).unwrap_or_else(|why| {
                panic!(
                    "{awaited} never came: {why}\n{}",
                    fs::read_to_string(&self.log).unwrap()
                )
            });
            let said = String::from_utf8_lossy(&buffer[..length]);
            if said.lines().any(|line| line == awaited) {
                return;
            }
        }
    }

    /// Runs the installed program against it.
    pub(crate) fn ask(&self, arguments: &[&str]) {
        self.run(
            Command::new(&self.program)
                .args(arguments)
                .args(["--address", &self.address]),
        );
    }

    /// Writes a batch's folder, from the data that the service keeps.
    pub(crate) fn export(&self, batch: &str, to: &str) {
        let mut export = Command::new(&self.program);
        export
            .args(["export", "--batch", batch, "--to", to, "--data"])
            .arg(&self.data);
        self.run(&mut export);
    }

    fn run(&self, command: &mut Command) {
        let output = command.output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        let log = || fs::read_to_string(&self.log).unwrap_or_default();
        assert!(output.status.success(), "{command:?}: {said}\n{}", log());
    }

    /// Ends it as systemd does, and waits for it.
    pub(crate) fn stop(mut self) {
        let told = Command::new("kill")
            .args(["-TERM", &self.child.id().to_string()])
            .status();
        assert!(told.unwrap().success());
        let ended = self.child.wait().unwrap();
        assert!(
            ended.success(),
            "{ended}: {}",
            fs::read_to_string(&self.log).unwrap()
        );
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // It has ended, unless a check failed.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
