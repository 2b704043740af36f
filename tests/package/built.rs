//! A package of the program that is built here, and a folder that stands for a machine.

use std::{
    fs,
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
    process::Command,
};

use fobwatch_tests::program;
use serde_json::Value;
use tempfile::TempDir;

pub(crate) struct Package {
    folder: TempDir,
    file: PathBuf,
}

/// The table `[package.metadata.deb]`, the package's description, and the folder that its paths count from.
fn table() -> (Value, String, PathBuf) {
    let cargo = std::env::var("CARGO").unwrap_or_else(|_| "cargo".to_owned());
    let output = Command::new(cargo)
        .args(["metadata", "--no-deps", "--offline", "--format-version", "1"])
        .output()
        .unwrap();
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    let daemon = packages
        .iter()
        .find(|package| package["name"] == "fobwatch")
        .unwrap();
    let manifest = Path::new(text(&daemon["manifest_path"]));
    (
        daemon["metadata"]["deb"].clone(),
        text(&daemon["description"]).to_owned(),
        manifest.parent().unwrap().to_owned(),
    )
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_else(|| panic!("{value} is no text"))
}

fn run(command: &mut Command) -> String {
    let output = command
        .output()
        .unwrap_or_else(|why| panic!("{command:?}: {why}"));
    let said = [output.stdout, output.stderr].concat();
    let said = String::from_utf8_lossy(&said).into_owned();
    assert!(output.status.success(), "{command:?}: {said}");
    said
}

impl Package {
    /// Version `version`; `word` stands at the beginning of the configuration that it ships.
    pub(crate) fn build(version: &str, word: Option<&str>) -> Self {
        let (table, description, base) = table();
        let folder = TempDir::new().unwrap();
        let stage = folder.path().join("stage");
        for asset in table["assets"].as_array().unwrap() {
            let [from, to, mode] = [0, 1, 2].map(|part| text(&asset[part]));
            let built = from.strip_prefix("target/release/");
            let from = built.map_or_else(|| base.join(from), program);
            let to = if to.ends_with('/') {
                stage.join(to).join(from.file_name().unwrap())
            } else {
                stage.join(to)
            };
            fs::create_dir_all(to.parent().unwrap()).unwrap();
            fs::copy(&from, &to).unwrap_or_else(|why| panic!("{}: {why}", from.display()));
            if built.is_some() {
                run(Command::new("strip").arg(&to));
            }
            let mode = u32::from_str_radix(mode, 8).unwrap();
            fs::set_permissions(&to, fs::Permissions::from_mode(mode)).unwrap();
        }
        if let Some(word) = word {
            let config = stage.join("etc/fobwatch/fobwatch.toml");
            let shipped = fs::read_to_string(&config).unwrap();
            fs::write(config, format!("{word}{shipped}")).unwrap();
        }
        let control = stage.join("DEBIAN");
        fs::create_dir(&control).unwrap();
        let architecture = run(Command::new("dpkg").arg("--print-architecture"));
        let depends = text(&table["depends"]).replace("$auto, ", "");
        let long: Vec<String> = text(&table["extended-description"])
            .trim()
            .lines()
            .map(|line| format!(" {line}\n"))
            .collect();
        let fields = format!(
            "Package: fobwatch\nVersion: {version}\nArchitecture: {}\nMaintainer: {}\nSection: {}\nPriority: {}\nDepends: {depends}\n\
             Description: {description}\n{}",
            architecture.trim(),
            text(&table["maintainer"]),
            text(&table["section"]),
            text(&table["priority"]),
            long.concat(),
        );
        fs::write(control.join("control"), fields).unwrap();
        let kept = table["conf-files"].as_array().unwrap();
        let kept: Vec<String> = kept.iter().map(|file| format!("{}\n", text(file))).collect();
        fs::write(control.join("conffiles"), kept.concat()).unwrap();
        let scripts = base.join(text(&table["maintainer-scripts"]));
        for name in ["postinst", "prerm", "postrm"] {
            let script = control.join(name);
            fs::copy(scripts.join(name), &script).unwrap();
            fs::set_permissions(&script, fs::Permissions::from_mode(0o755)).unwrap();
        }
        let file = folder.path().join("fobwatch.deb");
        run(Command::new("dpkg-deb")
            .args(["-Zgzip", "-z1", "--build"])
            .arg(&stage)
            .arg(&file));
        fs::remove_dir_all(stage).unwrap();
        Self { folder, file }
    }

    pub(crate) fn path(&self) -> &str {
        assert!(self.folder.path().is_dir());
        self.file.to_str().unwrap()
    }
}

/// A machine without anything.
pub(crate) struct Root(TempDir);

impl Root {
    pub(crate) fn new() -> Self {
        let folder = TempDir::new().unwrap();
        for part in [
            "var/lib/dpkg/info",
            "var/lib/dpkg/updates",
            "var/lib/dpkg/triggers",
            "etc",
        ] {
            fs::create_dir_all(folder.path().join(part)).unwrap();
        }
        fs::write(folder.path().join("var/lib/dpkg/status"), "").unwrap();
        Self(folder)
    }

    pub(crate) fn path(&self, part: &str) -> PathBuf {
        self.0.path().join(part)
    }

    /// Runs dpkg on it. What the package needs is not there, and its scripts run on this machine, told which folder is meant.
    pub(crate) fn dpkg(&self, arguments: &[&str]) -> String {
        let mut dpkg = Command::new("dpkg");
        dpkg.arg(format!("--root={}", self.0.path().display()))
            .args(["--force-script-chrootless", "--force-not-root", "--force-depends"])
            .arg(format!("--log={}", self.path("dpkg.log").display()))
            .args(arguments)
            .env("DEBIAN_FRONTEND", "noninteractive");
        run(&mut dpkg)
    }
}
