//! A daemon at which people have to log in, and bytes on the wire to it.

use std::{
    fs,
    io::{Read, Write},
    net::TcpStream,
    path::PathBuf,
    process::{Command, Stdio},
    sync::Arc,
    time::Duration,
};

use fobwatch_tests::{Daemon, program, wait_for};
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};
use tempfile::TempDir;

pub(crate) const PATIENCE: Duration = Duration::from_secs(60);
pub(crate) const PASSWORD: &str = "four lively swing tops";

pub(crate) struct Guarded {
    pub(crate) daemon: Daemon,
    folder: TempDir,
    /// Where its page comes from, as browsers see it.
    scheme: &'static str,
    /// With which authority its certificate is looked through; `None`: it speaks plain HTTP.
    trusted: Option<Arc<ClientConfig>>,
}

/// An answer as it came.
pub(crate) struct Answer {
    pub(crate) status: u16,
    pub(crate) text: String,
}

impl Answer {
    /// The value of a header.
    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        let head = self.text.split("\r\n\r\n").next()?;
        head.lines().find_map(|line| {
            let (key, value) = line.split_once(':')?;
            key.eq_ignore_ascii_case(name).then(|| value.trim())
        })
    }
}

fn converse(mut stream: impl Read + Write, request: &[u8]) -> Vec<u8> {
    // The daemon may refuse before it has read everything.
    stream.write_all(request).ok();
    let mut answer = Vec::new();
    let mut chunk = [0; 4_096];
    while let Ok(count @ 1..) = stream.read(&mut chunk) {
        answer.extend_from_slice(&chunk[..count]);
    }
    answer
}

fn batch(name: &str, source: &str) -> String {
    format!(
        "name = \"{name}\"\nbottled_at = \"2026-03-02T07:00:00Z\"\n[drink]\nsucrose_g_per_l = 60.0\n[bottle]\nmaterial = \"pet\"\n\
         capacity_ml = 500\nfill_ml = 475\ncount = 8\npressure_limit_bar = 1.5\n[target]\nco2_volumes = 2.8\nfridge_c = 4.0\n\
         [sensors]\npressure = \"{source}\"\n"
    )
}

/// The line that the program itself makes of a password that it reads from its standard input.
pub(crate) fn hashed(password: &str) -> String {
    let mut made = Command::new(program("fobwatch"))
        .args(["check", "--hash-password"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("the kitchen is set up");
    writeln!(made.stdin.take().expect("the kitchen is set up"), "{password}").expect("the kitchen is set up");
    let made = made.wait_with_output().expect("the kitchen is set up");
    assert!(made.status.success());
    String::from_utf8(made.stdout).expect("the kitchen is set up")
}

impl Guarded {
    pub(crate) fn start() -> Self {
        Self::start_with("")
    }

    /// `more`: what else stands in the configuration.
    pub(crate) fn start_with(more: &str) -> Self {
        let (config, folder) = Self::kitchen(more);
        let path = |name: &str| folder.path().join(name);
        let daemon = Daemon::start(&config, &path("data"), &path("batches"));
        Self {
            daemon,
            folder,
            scheme: if more.contains("behind_proxy") {
                "https"
            } else {
                "http"
            },
            trusted: None,
        }
    }

    /// With a certificate of its own; `more` stands under `[http]`.
    pub(crate) fn start_secured(more: &str) -> Self {
        let (config, folder) = Self::kitchen(&format!(
            "[http]\ncertificate_file = \"own.pem\"\nkey_file = \"own.key\"\n{more}"
        ));
        let path = |name: &str| folder.path().join(name);
        let mut params = CertificateParams::new(Vec::new()).expect("an authority");
        params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        let key = KeyPair::generate().expect("a key");
        let authority = CertifiedIssuer::self_signed(params, key).expect("an authority");
        let key = KeyPair::generate().expect("a key");
        let own = CertificateParams::new(vec!["127.0.0.1".to_owned()])
            .and_then(|params| params.signed_by(&key, &authority))
            .expect("a certificate");
        fs::write(path("own.pem"), own.pem()).expect("the kitchen is set up");
        fs::write(path("own.key"), key.serialize_pem()).expect("the kitchen is set up");
        let mut roots = RootCertStore::empty();
        roots.add(authority.der().clone()).expect("an authority");
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let trusted = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .expect("versions of TLS")
            .with_root_certificates(roots)
            .with_no_client_auth();
        let daemon = Daemon::start_secured(&config, &path("data"), &path("batches"));
        Self {
            daemon,
            folder,
            scheme: "https",
            trusted: Some(Arc::new(trusted)),
        }
    }

    fn kitchen(more: &str) -> (PathBuf, TempDir) {
        let folder = tempfile::tempdir().expect("the kitchen is set up");
        let write = |name: &str, text: &str| {
            fs::write(folder.path().join(name), text).expect("the kitchen is set up")
        };
        fs::create_dir(folder.path().join("batches")).expect("the kitchen is set up");
        write("batches/plum.toml", &batch("plum 1", "pilot"));
        write("batches/hibiscus.toml", &batch("hibiscus 12", "other pilot"));
        write("ada.hash", &hashed(PASSWORD));
        for name in ["read", "write", "readings"] {
            write(name, &format!("the token that may {name}\n"));
        }
        let tokens: String = ["read", "write", "readings"]
            .iter()
            .map(|name| {
                format!("[[http.token]]\nname = \"{name}\"\ntoken_file = \"{name}\"\nmay = \"{name}\"\n")
            })
            .collect();
        write(
            "guarded.toml",
            &format!(
                "[clock]\nsource = \"readings\"\n[display]\ntime_zone = \"UTC\"\n[[http.person]]\nname = \"Ada\"\n\
                 password_file = \"ada.hash\"\n{tokens}{more}"
            ),
        );
        (folder.path().join("guarded.toml"), folder)
    }

    pub(crate) fn data(&self) -> PathBuf {
        self.folder.path().join("data")
    }

    pub(crate) fn connect(&self) -> TcpStream {
        let stream = TcpStream::connect(("127.0.0.1", self.daemon.port())).expect("the kitchen is set up");
        stream
            .set_read_timeout(Some(PATIENCE))
            .expect("the kitchen is set up");
        stream
    }

    /// Sends a request as it stands, and reads until the daemon closes.
    pub(crate) fn send(&self, request: &[u8]) -> Answer {
        let answer = match &self.trusted {
            None => converse(self.connect(), request),
            Some(trusted) => {
                let name = "127.0.0.1".try_into().expect("a name");
                let link = ClientConnection::new(Arc::clone(trusted), name).expect("a client");
                converse(StreamOwned::new(link, self.connect()), request)
            }
        };
        let text = String::from_utf8_lossy(&answer).into_owned();
        let status = text.split(' ').nth(1).and_then(|status| status.parse().ok());
        Answer {
            status: status.unwrap_or(0),
            text,
        }
    }

    /// `headers`: lines that end with CRLF.
    pub(crate) fn ask(&self, method: &str, path: &str, headers: &str, body: &str) -> Answer {
        let host = self.daemon.port();
        self.send(
            format!(
                "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{host}\r\nConnection: close\r\nContent-Length: {}\r\n{headers}\r\n{body}",
                body.len()
            )
            .as_bytes(),
        )
    }

    pub(crate) fn log_in(&self, name: &str, password: &str) -> Answer {
        let headers = format!(
            "Content-Type: application/x-www-form-urlencoded\r\n{}",
            self.ours()
        );
        let body = format!("name={name}&password={}", password.replace(' ', "+"));
        self.ask("POST", "/login", &headers, &body)
    }

    /// What a browser says of a form of the page itself.
    pub(crate) fn ours(&self) -> String {
        format!(
            "Origin: {}://127.0.0.1:{}\r\nSec-Fetch-Site: same-origin\r\n",
            self.scheme,
            self.daemon.port()
        )
    }

    /// The header that carries a new session of Ada's.
    pub(crate) fn session(&self) -> String {
        let entered = self.log_in("Ada", PASSWORD);
        assert_eq!(entered.status, 303, "{}", entered.text);
        let cookie = entered.header("set-cookie").expect("the kitchen is set up");
        assert!(cookie.contains("; HttpOnly; SameSite=Lax"), "{cookie}");
        format!(
            "Cookie: {}\r\n",
            cookie.split(';').next().expect("the kitchen is set up")
        )
    }

    /// The gauge of "plum 1" reads more than its limit.
    pub(crate) fn over_the_limit(&self) {
        let rows = "time,source,quantity,value,unit\n2026-03-02T08:00:00Z,pilot,pressure,1.6,bar\n\
                    2026-03-02T08:05:00Z,pilot,pressure,1.6,bar\n";
        let headers = format!("Content-Type: text/csv\r\n{}", bearer("readings"));
        let posted = self.ask("POST", "/api/v1/readings", &headers, rows);
        assert_eq!(posted.status, 200, "{}", posted.text);
        wait_for("over_limit", PATIENCE, || {
            let alerts = self.ask("GET", "/api/v1/alerts", &bearer("read"), "");
            let stands = alerts
                .text
                .contains("\"alert\":\"over_limit\",\"batch\":\"plum 1\"");
            stands.then_some(())
        });
    }
}

pub(crate) fn bearer(name: &str) -> String {
    format!("Authorization: Bearer the token that may {name}\r\n")
}
