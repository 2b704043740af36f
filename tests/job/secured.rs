//! A link that trusts whom the system trusts, with a password that systemd hands over: mosquitto with a certificate of an
//! authority that only the system's lookup knows.

use fobwatch_tests::{Broker, Daemon, free_port, wait_for};
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};

use crate::kitchen::{Kitchen, PATIENCE, until_online};

#[test]
fn the_systems_authorities_vouch_for_a_broker_and_systemd_hands_the_password_over() {
    let kitchen = Kitchen::new("plain", 1.0);
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority = CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let names = vec!["localhost".to_owned(), "127.0.0.1".to_owned()];
    let server = CertificateParams::new(names)
        .unwrap()
        .signed_by(&key, &authority)
        .unwrap();
    let system = kitchen.write("system.pem", &authority.pem());
    let certificate = kitchen.write("server.pem", &server.pem());
    let secret = kitchen.write("server.key", &key.serialize_pem());
    let port = free_port();
    let broker = Broker::start_with(&format!(
        "listener {port} 127.0.0.1\ncertfile {}\nkeyfile {}\n",
        certificate.display(),
        secret.display()
    ));
    let credentials = kitchen.path("credentials");
    std::fs::create_dir(&credentials).unwrap();
    std::fs::write(credentials.join("broker"), Broker::PASSWORD).unwrap();
    let config = kitchen.write(
        "secured.toml",
        &format!(
            "[[mqtt]]\nhost = \"127.0.0.1\"\nport = {port}\ntls = true\nusername = \"{}\"\npassword_file = \"credential:broker\"\n\
             publish_prefix = \"fobwatch\"\n",
            Broker::USER
        ),
    );
    let environment = [
        ("SSL_CERT_FILE", system.as_path()),
        ("CREDENTIALS_DIRECTORY", credentials.as_path()),
    ];
    let daemon = Daemon::start_in(&config, &kitchen.path("data"), &kitchen.batches(), &environment);
    until_online(&broker);
    assert_eq!(daemon.stop(), Some(0));

    // Where the system does not know the authority the broker is a stranger, and that is told.
    let other = CertifiedIssuer::self_signed(
        CertificateParams::new(vec!["elsewhere".to_owned()]).unwrap(),
        KeyPair::generate().unwrap(),
    )
    .unwrap();
    let stranger = kitchen.write("other.pem", &other.pem());
    let environment = [
        ("SSL_CERT_FILE", stranger.as_path()),
        ("CREDENTIALS_DIRECTORY", credentials.as_path()),
    ];
    let daemon = Daemon::start_in(&config, &kitchen.path("other"), &kitchen.batches(), &environment);
    wait_for("a word about the certificate", PATIENCE, || {
        let log = daemon.log();
        log.lines()
            .any(|line| line.contains("certificate") && !line.contains("online"))
            .then_some(())
    });
    assert_eq!(daemon.stop(), Some(0));
}
