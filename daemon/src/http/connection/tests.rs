//! HTTPS with a certificate that is renewed, and what comes in the clear.

use std::fs;

use rcgen::{CertifiedKey, generate_simple_self_signed};
use rustls::{
    ClientConfig, RootCertStore,
    pki_types::{CertificateDer, ServerName},
};
use tokio::{
    io::{AsyncReadExt, AsyncWriteExt},
    net::TcpStream,
};
use tokio_rustls::TlsConnector;

use super::*;
use crate::{
    config::{Config, PasswordHash},
    http::router,
    store::Store,
    watch::tests::house,
};

const TEXT: &str = "[http]\ncertificate_file = \"own.pem\"\nkey_file = \"own.key\"\n[[http.person]]\nname = \"Ada\"\n\
                    password_file = \"ada.hash\"\n";

/// Lays a new certificate into the folder, and answers with it.
fn renew(folder: &std::path::Path) -> CertificateDer<'static> {
    let names = vec!["bottles.example".to_owned()];
    let CertifiedKey { cert, signing_key } = generate_simple_self_signed(names).unwrap();
    fs::write(folder.join("own.pem"), cert.pem()).unwrap();
    fs::write(folder.join("own.key"), signing_key.serialize_pem()).unwrap();
    cert.der().clone()
}

async fn secured(port: u16, trusted: &CertificateDer<'static>) -> io::Result<String> {
    let mut roots = RootCertStore::empty();
    roots.add(trusted.clone()).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let client = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let stream = TcpStream::connect(("127.0.0.1", port)).await?;
    let name = ServerName::try_from("bottles.example").unwrap();
    let mut stream = TlsConnector::from(Arc::new(client)).connect(name, stream).await?;
    stream
        .write_all(b"GET /login HTTP/1.1\r\nHost: bottles.example\r\nConnection: close\r\n\r\n")
        .await?;
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await?;
    Ok(String::from_utf8_lossy(&answer).into_owned())
}

#[tokio::test(flavor = "multi_thread")]
async fn a_renewed_certificate_is_shown_without_a_new_start() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("kitchen.toml");
    fs::write(&path, TEXT).unwrap();
    let hash = PasswordHash::of("four lively swing tops").unwrap();
    fs::write(folder.path().join("ada.hash"), hash.line()).unwrap();
    let first = renew(folder.path());
    let store = Store::open(&folder.path().join("data")).unwrap();
    let (house, _requests) = house(&store).await;
    house.gate.change(&Config::load(Some(&path)).unwrap().access);
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let stop = CancellationToken::new();
    let served = tokio::spawn(serve(
        Arc::clone(&house),
        listener,
        Way::Front,
        router(Arc::clone(&house)),
        stop.clone(),
    ));
    assert!(secured(port, &first).await.unwrap().starts_with("HTTP/1.1 200"));

    let second = renew(folder.path());
    assert!(secured(port, &second).await.is_err(), "not read yet");
    house.gate.change(&Config::load(Some(&path)).unwrap().access);
    assert!(secured(port, &second).await.unwrap().starts_with("HTTP/1.1 200"));
    assert!(secured(port, &first).await.is_err());

    // In the clear nothing is answered, and nothing is hurt.
    let mut clear = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
    clear
        .write_all(b"GET /login HTTP/1.1\r\nHost: x\r\n\r\n")
        .await
        .unwrap();
    let mut answer = Vec::new();
    clear.read_to_end(&mut answer).await.ok();
    assert!(!answer.starts_with(b"HTTP"), "{answer:?}");
    assert!(secured(port, &second).await.is_ok());

    // A key that does not fit its certificate is refused before it is used.
    fs::write(folder.path().join("own.key"), "no key").unwrap();
    let why = Config::load(Some(&path)).unwrap_err().to_string();
    assert!(
        why.contains("`http.key_file`") && why.contains("private key"),
        "{why}"
    );
    stop.cancel();
    served.await.unwrap();
}
