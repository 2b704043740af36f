//! Why a link failed, in as few words as the system has for it.

/// The innermost cause: the outer ones repeat what was tried, which may be an address that is a secret.
pub(crate) fn cause(error: &dyn std::error::Error) -> String {
    let mut inner = error;
    while let Some(source) = inner.source() {
        inner = source;
    }
    inner.to_string()
}
