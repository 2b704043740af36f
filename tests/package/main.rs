//! The Debian package: built from the table that `cargo deb` reads, installed into a folder, upgraded and removed. Nothing of the
//! machine itself is touched.

#![expect(clippy::unwrap_used, reason = "a test fails by panicking")]

mod built;
mod machine;
mod service;

use std::{fs, path::Path, process::Command};

use built::{Package, Root};
use machine::Machine;
use service::Service;

const NOTE: &str = "the sound of a good hiss";

/// What `systemd-analyze` says of the installed unit, with its exit code.
fn analyze(arguments: &[&str]) -> (bool, String) {
    let output = Command::new("systemd-analyze")
        .args(arguments)
        .env("SYSTEMD_LOG_LEVEL", "warning")
        .output()
        .expect("systemd-analyze runs: it comes with the package systemd");
    let text = [output.stdout, output.stderr].concat();
    (
        output.status.success(),
        String::from_utf8_lossy(&text).into_owned(),
    )
}

#[test]
fn a_package_is_installed_runs_and_keeps_data_and_configuration_over_upgrade_and_removal() {
    let root = Root::new();
    let first = Package::build("0.1.0", None);
    root.dpkg(&["-i", first.path()]);

    let program = root.path("usr/bin/fobwatch");
    let version = Command::new(&program).arg("--version").output().unwrap();
    assert!(String::from_utf8_lossy(&version.stdout).starts_with("fobwatch "));
    let config = root.path("etc/fobwatch/fobwatch.toml");
    let checked = Command::new(&program).arg("check").arg(&config).output().unwrap();
    assert!(
        checked.status.success(),
        "{}",
        String::from_utf8_lossy(&checked.stderr)
    );
    let users = fs::read_to_string(root.path("etc/passwd")).unwrap();
    assert!(users.lines().any(|user| user.starts_with("fobwatch:")), "{users}");
    let enabled = root.path("etc/systemd/system/multi-user.target.wants/fobwatch.service");
    assert!(enabled.symlink_metadata().is_ok(), "the service is not enabled");

    // It works with the unit's own command line, and says so to systemd.
    let service = Service::start(&root);
    fs::write(root.path("etc/fobwatch/batches/plum-1.toml"), batch()).unwrap();
    service.stop();
    let service = Service::start(&root);
    service.ask(&["note", "plum 1", "opened", "--bottles", "3", "--text", NOTE]);
    service.stop();

    // Upgrade: what the owner wrote stays, and so do the readings.
    let own = "\n[place]\naltitude_m = 430\n";
    let shipped = fs::read_to_string(&config).unwrap();
    fs::write(&config, format!("{shipped}{own}")).unwrap();
    let second = Package::build("0.2.0", Some("# Another word of the makers.\n"));
    let said = root.dpkg(&["--force-confold", "-i", second.path()]);
    assert_eq!(
        fs::read_to_string(&config).unwrap(),
        format!("{shipped}{own}"),
        "{said}"
    );
    let offered = fs::read_to_string(root.path("etc/fobwatch/fobwatch.toml.dpkg-dist")).unwrap();
    assert!(offered.starts_with("# Another word"), "{offered}");
    let service = Service::start(&root);
    assert_kept(&service);
    service.stop();

    // Removal, and even a purge, leave the readings.
    root.dpkg(&["-r", "fobwatch"]);
    assert!(!program.exists());
    assert_eq!(fs::read_to_string(&config).unwrap(), format!("{shipped}{own}"));
    let said = root.dpkg(&["-P", "fobwatch"]);
    assert!(!config.exists(), "a purge forgets the configuration");
    assert!(said.contains("The readings stay in /var/lib/fobwatch"), "{said}");
    root.dpkg(&["-i", second.path()]);
    let service = Service::start(&root);
    assert_kept(&service);
    service.stop();
}

/// The example, sealed just now: months of it would have to be reckoned first.
fn batch() -> String {
    let example = include_str!("../../config/example-batch.toml");
    let lines = example.lines().map(|line| {
        if line.starts_with("bottled_at") {
            format!("bottled_at = \"{}\"\n", jiff::Timestamp::now())
        } else {
            format!("{line}\n")
        }
    });
    lines.collect()
}

fn assert_kept(service: &Service) {
    let folder = tempfile::tempdir().unwrap();
    let to = folder.path().join("plum");
    let to = to.to_str().unwrap();
    service.ask(&["status"]);
    service.export("plum 1", to);
    let notes = fs::read_to_string(Path::new(to).join("notes.jsonl")).unwrap();
    assert_eq!(notes.matches(NOTE).count(), 1, "{notes}");
}

#[test]
fn the_unit_is_one_that_systemd_takes_and_shuts_the_daemon_in() {
    let root = Root::new();
    root.dpkg(&["-i", Package::build("0.1.0", None).path()]);
    let unit = root.path("usr/lib/systemd/system/fobwatch.service");
    let unit = unit.to_str().unwrap();
    let (_, said) = analyze(&["verify", "--man=no", unit]);
    let wrong = said.lines().filter(|line| line.contains("fobwatch.service"));
    // It looks for the program on this machine, where it is not installed.
    let wrong: Vec<&str> = wrong
        .filter(|line| !line.contains("/usr/bin/fobwatch is not executable"))
        .collect();
    assert!(wrong.is_empty(), "{said}");
    // Of 10; what is left is the network, serial ports and the machine's own files to read.
    let (fine, said) = analyze(&["security", "--offline=true", "--threshold=20", unit]);
    assert!(fine, "{said}");
}

/// The same under a systemd that runs. `FOBWATCH_MACHINE` names a folder with a small Debian, as
/// `debootstrap --variant=minbase --include=systemd-sysv,dbus bookworm FOLDER` makes it.
#[test]
#[ignore = "asks for root, systemd-nspawn and a Debian in a folder"]
fn a_booted_machine_runs_the_package_minds_its_watchdog_and_keeps_data_over_upgrade_and_purge() {
    let folder = std::env::var("FOBWATCH_MACHINE").expect("FOBWATCH_MACHINE names a folder with a Debian");
    let packages = tempfile::tempdir().unwrap();
    for (version, word) in [
        ("0.1.0", None),
        ("0.2.0", Some("# Another word of the makers.\n")),
    ] {
        let package = Package::build(version, word);
        fs::copy(package.path(), packages.path().join(version)).unwrap();
    }
    let machine = Machine::boot(&folder, packages.path());
    machine.does(&["dpkg", "-i", "/packages/0.1.0"]);
    machine.works("0");
    assert_eq!(machine.shows("User"), "fobwatch");
    let enabled = machine.does(&["systemctl", "is-enabled", "fobwatch"]);
    assert_eq!(enabled.trim(), "enabled");
    machine.does(&["systemd-analyze", "security", "--threshold=20", "fobwatch"]);

    machine.writes("/etc/fobwatch/batches/plum-1.toml", &batch());
    machine.does(&["systemctl", "restart", "fobwatch"]);
    machine.does(&[
        "fobwatch",
        "note",
        "plum 1",
        "opened",
        "--bottles",
        "3",
        "--text",
        NOTE,
    ]);
    machine.does(&["systemctl", "reload", "fobwatch"]);

    // A process that stands still is one whose loops do: systemd ends it and starts another.
    let settings = "/etc/systemd/system/fobwatch.service.d";
    machine.does(&["mkdir", settings]);
    machine.writes(
        &format!("{settings}/watchdog.conf"),
        "[Service]\nWatchdogSec=10\n",
    );
    machine.does(&["systemctl", "daemon-reload"]);
    machine.does(&["systemctl", "restart", "fobwatch"]);
    let stuck = machine.works("0");
    assert_eq!(machine.shows("NRestarts"), "0");
    machine.does(&["kill", "-STOP", &stuck]);
    machine.works(&stuck);
    assert_eq!(machine.shows("NRestarts"), "1");
    assert!(machine.log().contains("Watchdog timeout"), "{}", machine.log());

    // An upgrade starts it anew and leaves the owner's words alone.
    let shipped = machine.does(&["cat", "/etc/fobwatch/fobwatch.toml"]);
    let own = format!("{shipped}\n[place]\naltitude_m = 430\n");
    machine.writes("/etc/fobwatch/fobwatch.toml", &own);
    let before = machine.works("0");
    machine.does(&["dpkg", "--force-confold", "-i", "/packages/0.2.0"]);
    machine.works(&before);
    assert_eq!(machine.does(&["cat", "/etc/fobwatch/fobwatch.toml"]), own);

    // A removal ends it; what it kept is there after a purge.
    machine.does(&["dpkg", "-r", "fobwatch"]);
    let (running, _) = machine.tries(&["systemctl", "is-active", "fobwatch"]);
    assert!(!running, "{}", machine.log());
    machine.does(&["dpkg", "-P", "fobwatch"]);
    machine.does(&["dpkg", "-i", "/packages/0.2.0"]);
    machine.works("0");
    machine.does(&[
        "fobwatch",
        "export",
        "--batch",
        "plum 1",
        "--data",
        "/var/lib/fobwatch",
        "--to",
        "/root/plum",
    ]);
    let notes = machine.does(&["cat", "/root/plum/notes.jsonl"]);
    assert_eq!(notes.matches(NOTE).count(), 1, "{notes}");
}
