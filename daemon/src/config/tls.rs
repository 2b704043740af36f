//! The secured link to a broker: whom we trust, and who we are.

use std::{
    fmt,
    hash::{DefaultHasher, Hash, Hasher},
    path::Path,
    sync::Arc,
};

use fobwatch_core::document::Section;
use rustls::{
    ClientConfig, RootCertStore, ServerConfig,
    crypto::ring,
    pki_types::{CertificateDer, PrivateKeyDer, pem::PemObject},
};

use super::{bad_file::BadFile, secret::Place};

const KEYS: [&str; 3] = ["ca_file", "certificate_file", "key_file"];

/// How a link to a broker is secured.
#[derive(Clone)]
pub struct Tls {
    /// Whose certificates are trusted; `None`: the authorities that the system trusts.
    pub authority: Option<Place>,
    /// Our own certificate and its key, where the broker asks for one.
    pub identity: Option<(Place, Place)>,
    config: Option<Arc<ClientConfig>>,
    /// Tells whether the files still hold what they held.
    held: u64,
}

impl PartialEq for Tls {
    fn eq(&self, other: &Self) -> bool {
        (&self.authority, &self.identity, self.held) == (&other.authority, &other.identity, other.held)
    }
}

impl fmt::Debug for Tls {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Tls")
            .field("authority", &self.authority)
            .field("identity", &self.identity)
            .finish_non_exhaustive()
    }
}

pub(super) fn read(section: &mut Section<'_, '_>) -> Option<Tls> {
    let secured = section.truth("tls").unwrap_or(false);
    if !secured {
        for key in KEYS {
            section.refuse_entry(key, "only with `tls = true`");
        }
        return None;
    }
    let [authority, certificate, key] = KEYS.map(|key| section.text(key, super::secret::PLACE, Place::named));
    if certificate.is_some() {
        section.require("key_file", "the key of `certificate_file`");
    }
    if key.is_some() {
        section.require("certificate_file", "the certificate of `key_file`");
    }
    Some(Tls {
        authority,
        identity: certificate.zip(key),
        config: None,
        held: 0,
    })
}

impl Tls {
    /// What the link is made with. Before [`Tls::load`]: nobody is trusted.
    pub(crate) fn config(&self) -> Arc<ClientConfig> {
        self.config.clone().unwrap_or_else(|| {
            let trusted = RootCertStore::empty();
            let provider = Arc::new(ring::default_provider());
            match ClientConfig::builder_with_provider(provider).with_safe_default_protocol_versions() {
                Ok(builder) => Arc::new(builder.with_root_certificates(trusted).with_no_client_auth()),
                Err(_) => Arc::new(
                    ClientConfig::builder()
                        .with_root_certificates(trusted)
                        .with_no_client_auth(),
                ),
            }
        })
    }

    /// Reads the files that it names; every problem goes to `bad`.
    pub(super) fn load(&mut self, folder: &Path, bad: &mut Vec<BadFile>) {
        let mut hasher = DefaultHasher::new();
        let identity = self
            .identity
            .iter()
            .flat_map(|(certificate, key)| [certificate, key]);
        for place in self.authority.iter().chain(identity) {
            place.read(folder).ok().hash(&mut hasher);
        }
        self.held = hasher.finish();
        let mut trusted = RootCertStore::empty();
        match &self.authority {
            None => {
                let found = rustls_native_certs::load_native_certs();
                let (taken, _unreadable) = trusted.add_parsable_certificates(found.certs);
                if taken == 0 {
                    bad.push(BadFile::new(
                        "ca_file",
                        "absent",
                        "the system trusts no authority; name the certificate of the one that signed the broker's",
                    ));
                }
            }
            Some(place) => match certificates(place, folder) {
                Err(why) => bad.push(BadFile::new("ca_file", place.shown(folder), &why)),
                Ok(authorities) => {
                    for authority in authorities {
                        if let Err(error) = trusted.add(authority) {
                            bad.push(BadFile::new("ca_file", place.shown(folder), &error.to_string()));
                        }
                    }
                }
            },
        }
        let identity = match &self.identity {
            None => None,
            Some((certificate, key)) => {
                let chain = certificates(certificate, folder).map_err(|why| {
                    bad.push(BadFile::new("certificate_file", certificate.shown(folder), &why))
                });
                let own_key = private_key(key, folder)
                    .map_err(|why| bad.push(BadFile::new("key_file", key.shown(folder), &why)));
                match (chain, own_key) {
                    (Ok(chain), Ok(own_key)) => Some((chain, own_key)),
                    _ => return,
                }
            }
        };
        let provider = Arc::new(ring::default_provider());
        let built = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .and_then(|builder| {
                let builder = builder.with_root_certificates(trusted);
                match identity {
                    None => Ok(builder.with_no_client_auth()),
                    Some((chain, key)) => builder.with_client_auth_cert(chain, key),
                }
            });
        match (built, &self.identity) {
            (Ok(config), _) => self.config = Some(Arc::new(config)),
            (Err(error), Some((certificate, _))) => {
                bad.push(BadFile::new(
                    "certificate_file",
                    certificate.shown(folder),
                    &error.to_string(),
                ));
            }
            (Err(error), None) => bad.push(BadFile::new("tls", "true", &error.to_string())),
        }
    }
}

fn certificates(place: &Place, folder: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let text = place.read(folder)?;
    let found: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(text.as_bytes()).collect();
    match found {
        Ok(found) if !found.is_empty() => Ok(found),
        _ => Err("holds no certificate in PEM form".to_owned()),
    }
}

fn private_key(place: &Place, folder: &Path) -> Result<PrivateKeyDer<'static>, String> {
    let text = place.read(folder)?;
    PrivateKeyDer::from_pem_slice(text.as_bytes())
        .map_err(|_no_key| "holds no private key in PEM form".to_owned())
}

/// What others come to us with: our own certificate and its key. Every problem goes to `bad`, under keys that begin with `block`.
pub(super) fn server(
    certificate: &Place,
    key: &Place,
    folder: &Path,
    block: &str,
    bad: &mut Vec<BadFile>,
) -> Option<Arc<ServerConfig>> {
    let mut told = |name: &str, place: &Place, why: &str| {
        bad.push(BadFile::new(&format!("{block}{name}"), place.shown(folder), why));
    };
    let chain = certificates(certificate, folder).map_err(|why| told("certificate_file", certificate, &why));
    let own_key = private_key(key, folder).map_err(|why| told("key_file", key, &why));
    let (Ok(chain), Ok(own_key)) = (chain, own_key) else {
        return None;
    };
    let built = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .and_then(|builder| builder.with_no_client_auth().with_single_cert(chain, own_key));
    match built {
        Ok(mut config) => {
            config.alpn_protocols = vec![b"http/1.1".to_vec()];
            Some(Arc::new(config))
        }
        Err(error) => {
            told("certificate_file", certificate, &error.to_string());
            None
        }
    }
}
