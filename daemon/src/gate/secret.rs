//! Secrets that we make and hand out, and what we keep of them.

use ring::{
    digest::{SHA256, digest as hash},
    rand::{SecureRandom, SystemRandom},
};

/// What is kept of a secret. One of 256 random bits cannot be guessed from it, and to compare two of them tells nothing of the secret.
pub(super) type Digest = [u8; 32];

/// 256 random bits as 64 characters. `None`: the system gives none.
pub(super) fn make() -> Option<String> {
    let mut bits = [0; 32];
    SystemRandom::new().fill(&mut bits).ok()?;
    Some(hex(&bits))
}

pub(super) fn digest(secret: &str) -> Digest {
    let mut digest = [0; 32];
    digest.copy_from_slice(hash(&SHA256, secret.as_bytes()).as_ref());
    digest
}

pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
