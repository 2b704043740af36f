//! The fields of a form as a page sends them.

use std::collections::BTreeMap;

use axum::{Form, extract::rejection::FormRejection};

use super::answer::Complaint;

/// Texts by the names of their fields.
pub(super) type Fields = BTreeMap<String, String>;

/// A form that may not read.
pub(super) type Sent = Result<Form<Fields>, FormRejection>;

/// # Errors
/// What came is no form.
pub(super) fn read(sent: Sent) -> Result<Fields, Complaint> {
    match sent {
        Ok(Form(fields)) => Ok(fields),
        Err(bad) => Err(Complaint::new(bad.status(), bad.body_text())),
    }
}
