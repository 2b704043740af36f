//! Links with certificates that are made for the test, several brokers at once, and topics that name things.

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};

use super::*;

/// An authority, a server and a client that it vouches for, and a stranger's authority, as files.
struct Papers {
    folder: tempfile::TempDir,
}

fn authority(name: &str) -> CertifiedIssuer<'static, KeyPair> {
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.distinguished_name.push(rcgen::DnType::CommonName, name);
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap()
}

impl Papers {
    fn made() -> Self {
        let papers = Self {
            folder: tempfile::tempdir().unwrap(),
        };
        let own = authority("made for a test");
        papers.write("ca.pem", &own.pem());
        papers.write("stranger.pem", &authority("nobody we know").pem());
        for (who, names) in [
            ("server", vec!["localhost".to_owned(), "127.0.0.1".to_owned()]),
            ("client", vec!["fobwatch".to_owned()]),
        ] {
            let key = KeyPair::generate().unwrap();
            let params = CertificateParams::new(names).unwrap();
            let certificate = params.signed_by(&key, &own).unwrap();
            papers.write(&format!("{who}.pem"), &certificate.pem());
            papers.write(&format!("{who}.key"), &key.serialize_pem());
        }
        papers
    }

    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.folder.path().join(name), text).unwrap();
    }

    /// A broker with a plain listener for the test and one that asks for certificates; its second port.
    fn mosquitto(&self) -> (Mosquitto, u16) {
        let port = free_port();
        let folder = self.folder.path().display();
        self.write(
            "secured.conf",
            &format!(
                "listener {port} 127.0.0.1\ncafile {folder}/ca.pem\ncertfile {folder}/server.pem\nkeyfile {folder}/server.key\n\
                 require_certificate true\n"
            ),
        );
        (Mosquitto::start(self.folder.path()), port)
    }

    fn config(&self, protocol: &str, port: u16, more: &str) -> Result<Config, crate::config::BadConfig> {
        let path = self.folder.path().join("fobwatch.toml");
        let text = format!(
            "[[mqtt]]\nhost = \"127.0.0.1\"\nport = {port}\nprotocol = \"{protocol}\"\ntls = true\n{more}publish_prefix = \"fw\"\n\
             senml = [\"sensors/+/senml\"]\n"
        );
        std::fs::write(&path, text).unwrap();
        Config::load(Some(&path))
    }
}

const OURS: &str = "ca_file = \"ca.pem\"\ncertificate_file = \"client.pem\"\nkey_file = \"client.key\"\n";

async fn until_interrupted(bench: &Bench) -> (String, String) {
    within(async {
        loop {
            let state = bench.link.meter.state();
            // Until the broker has started there is nobody at its port.
            let reason = state.interruptions.keys().find(|reason| **reason != "network");
            if let (Some(reason), Some(why)) = (reason, state.complaint) {
                return ((*reason).to_owned(), why);
            }
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    })
    .await
}

#[tokio::test(flavor = "multi_thread")]
async fn certificates_of_our_own_authority_secure_the_link_of_either_version() {
    let papers = Papers::made();
    let (mosquitto, port) = papers.mosquitto();
    for protocol in ["3.1.1", "5"] {
        let mut config = papers.config(protocol, port, OURS).unwrap();
        let mut bench = listen(config.mqtt.remove(0));
        hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
        publish(mosquitto.port, "sensors/shelf/senml", &senml(1.25), false).await;
        let mut heard = bench.next().await;
        assert!((bar(&heard) - 1.25).abs() < 1e-9);
        heard.stored();
        bench.end().await;
        hear(mosquitto.port, "fw/status", |payload| payload == OFFLINE).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stranger_among_the_certificates_is_told_as_such() {
    let papers = Papers::made();
    let (_mosquitto, port) = papers.mosquitto();
    for protocol in ["3.1.1", "5"] {
        for wrong in [
            "ca_file = \"stranger.pem\"\ncertificate_file = \"client.pem\"\nkey_file = \"client.key\"\n",
            // The broker asks for our certificate and gets none.
            "ca_file = \"ca.pem\"\n",
        ] {
            let mut config = papers.config(protocol, port, wrong).unwrap();
            let bench = listen(config.mqtt.remove(0));
            let (reason, why) = until_interrupted(&bench).await;
            assert_eq!(reason, "tls", "{protocol}, {wrong}: {why}");
            assert!(why.contains("certificate"), "{why}");
            bench.end().await;
        }
    }
}

#[test]
fn every_file_that_cannot_be_used_is_told_at_once_and_none_is_shown() {
    let papers = Papers::made();
    papers.write("empty.pem", "secret words, no certificate\n");
    let told = papers
        .config(
            "5",
            8_883,
            "ca_file = \"empty.pem\"\ncertificate_file = \"absent.pem\"\nkey_file = \"ca.pem\"\nusername = \"me\"\n\
             password_file = \"credential:none\"\n",
        )
        .unwrap_err();
    assert!(told.is_refused());
    let told = told.to_string();
    for expected in [
        "`mqtt[0].password_file` is credential:none: ",
        "empty.pem: holds no certificate in PEM form; allowed: ",
        "absent.pem: ",
        "ca.pem: holds no private key in PEM form; allowed: ",
    ] {
        assert!(told.contains(expected), "{told}\n{expected}");
    }
    for key in ["ca_file", "certificate_file", "key_file"] {
        assert!(told.contains(&format!("`mqtt[0].{key}` is ")), "{told}\n{key}");
    }
    assert!(!told.contains("secret words"), "{told}");
}

/// Brokers share nothing: one that is down, or floods, keeps no other from being heard.
#[tokio::test(flavor = "multi_thread")]
async fn one_broker_is_down_and_the_other_is_heard_and_its_topics_name_source_and_quantity() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let nobody = free_port();
    let text = format!(
        "[[mqtt]]\nhost = \"127.0.0.1\"\nport = {nobody}\nsenml = [\"a\"]\n\
         [[mqtt]]\nhost = \"127.0.0.1\"\nport = {}\nprotocol = \"5\"\npublish_prefix = \"fw\"\n\
         [[mqtt.number]]\ntopic = \"house/{{source}}/{{quantity}}\"\n\
         [[mqtt.number]]\ntopic = \"shed/{{quantity}}/{{source}}/now\"\n\
         [[mqtt.number.quantities]]\nname = \"p\"\nquantity = \"pressure\"\nunit = \"mbar\"\n\
         [[mqtt.number.quantities]]\nname = \"temp\"\nquantity = \"liquid_temperature\"\nunit = \"degF\"\n\
         [[mqtt.json]]\ntopic = \"rooms/{{source}}/air\"\n\
         [[mqtt.json.values]]\npointer = \"/t/0\"\nquantity = \"room_temperature\"\nunit = \"degC\"\n",
        mosquitto.port
    );
    let config = Config::from_toml(&text, "test").unwrap();
    let (sender, inbox) = incoming::channel();
    let stop = CancellationToken::new();
    let mut links: Vec<_> = config
        .mqtt
        .into_iter()
        .map(|broker| start(broker, Arc::default(), sender.clone(), stop.clone()))
        .collect();
    let second = links.remove(1);
    let mut bench = Bench {
        link: second,
        inbox,
        stop,
    };
    hear(mosquitto.port, "fw/status", |payload| payload == ONLINE).await;
    for (topic, payload, expected) in [
        (
            "house/pilot/pressure",
            "1.5",
            ("pilot", Quantity::Pressure, 150_000.0),
        ),
        (
            "shed/p/jar two/now",
            "1500",
            ("jar two", Quantity::Pressure, 150_000.0),
        ),
        (
            "shed/temp/jar two/now",
            "68",
            ("jar two", Quantity::LiquidTemperature, 293.15),
        ),
        (
            "rooms/kitchen/air",
            "{\"t\":[20,1]}",
            ("kitchen", Quantity::RoomTemperature, 293.15),
        ),
    ] {
        publish(mosquitto.port, "house/pilot/humidity", "55", false).await;
        publish(mosquitto.port, topic, payload, false).await;
        let mut heard = bench.next().await;
        let reading = &heard.readings[0];
        let got = (reading.source.as_str(), reading.measured.quantity());
        assert_eq!(got, (expected.0, expected.1), "{topic}");
        assert!(
            (reading.measured.stored_value() - expected.2).abs() < 1e-6,
            "{topic}: {reading:?}"
        );
        heard.stored();
    }
    assert_eq!(bench.link.meter.state().refused, [("unknown_quantity", 4)].into());
    assert_eq!(links[0].meter.state().up, Some(false));
    bench.end().await;
}
