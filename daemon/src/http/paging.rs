//! Long answers in pages: how much is asked for, from where on, and where the next page is (`Link`, RFC 8288).

use std::ops::RangeInclusive;

use axum::{
    extract::{Query, rejection::QueryRejection},
    http::{HeaderValue, header::LINK},
    response::{IntoResponse, Response},
};
use serde::Deserialize;

use super::answer::Complaint;

/// The most that one answer holds.
pub(super) const MOST: usize = 1_000;
/// So many batches, with all that is known of them, or alerts are told unless more are asked for.
const BATCHES: usize = 200;
/// So many batches, with what they need, are told unless more are asked for.
const STATUS: usize = 100;

/// What may be asked; every one of them is text, so that what is wrong is named.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Asked {
    batch: Option<String>,
    limit: Option<String>,
    after: Option<String>,
    order: Option<String>,
}

impl Asked {
    fn read(asked: Result<Query<Self>, QueryRejection>, allowed: &str) -> Result<Self, Complaint> {
        asked
            .map(|Query(asked)| asked)
            .map_err(|bad| Complaint::refused(format!("{}; allowed: {allowed}", bad.body_text())))
    }

    fn limit(&self, usual: usize) -> Result<usize, Complaint> {
        let limit = self.limit.as_deref();
        limit.map_or(Ok(usual), |text| number(text, "limit", 1..=MOST))
    }
}

/// A whole number that was asked with.
pub(super) fn number(text: &str, key: &str, allowed: RangeInclusive<usize>) -> Result<usize, Complaint> {
    text.parse()
        .ok()
        .filter(|number| allowed.contains(number))
        .ok_or_else(|| {
            let (least, most) = allowed.into_inner();
            let upwards = if most == usize::MAX {
                "and above".to_owned()
            } else {
                format!("to {most}")
            };
            let given = given(text);
            Complaint::refused(format!(
                "`{key}` is `{given}`; allowed: whole numbers from {least} {upwards}"
            ))
        })
}

fn given(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(60).collect()
}

/// Which batches, or whose alerts, are listed.
#[derive(Debug)]
pub(super) struct BatchesOf {
    pub(super) batch: Option<String>,
    pub(super) limit: usize,
    pub(super) after: Option<String>,
}

impl BatchesOf {
    pub(super) fn read(asked: Result<Query<Asked>, QueryRejection>) -> Result<Self, Complaint> {
        let asked = Asked::read(asked, "`batch`, `limit` and `after`, each once")?;
        if let Some(order) = &asked.order {
            let given = given(order);
            return Err(Complaint::refused(format!(
                "`order` is `{given}`; allowed: none, the list is in the order of the slugs"
            )));
        }
        Ok(Self {
            limit: asked.limit(BATCHES)?,
            batch: asked.batch,
            after: asked.after,
        })
    }
}

/// Of which batches it is told what they need, and in which order.
#[derive(Debug)]
pub(super) struct StatusOf {
    pub(super) batch: Option<String>,
    pub(super) limit: usize,
    pub(super) order: Order,
}

/// An order, and where in it to begin.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Order {
    /// Whoever is to act first; it changes from one answer to the next, so that only the first of them are told.
    Urgency,
    /// By slug, behind this one: asked on and on it tells of each that is there all the time.
    Name { after: Option<String> },
}

impl StatusOf {
    pub(super) fn read(asked: Result<Query<Asked>, QueryRejection>) -> Result<Self, Complaint> {
        let asked = Asked::read(asked, "`batch`, `limit`, `order` and `after`, each once")?;
        let limit = asked.limit(STATUS)?;
        let order = match (asked.order.as_deref(), asked.after) {
            (None | Some("urgency"), None) => Order::Urgency,
            (Some("name"), after) => Order::Name { after },
            (None | Some("urgency"), Some(_)) => {
                return Err(Complaint::refused(
                    "`after` goes with `order=name`: the order of urgency changes from one answer to the next",
                ));
            }
            (Some(other), _) => {
                let given = given(other);
                return Err(Complaint::refused(format!(
                    "`order` is `{given}`; allowed: urgency, name"
                )));
            }
        };
        Ok(Self {
            batch: asked.batch,
            limit,
            order,
        })
    }
}

/// The answer with a link to the next page.
pub(super) fn linked(next: Option<&str>, answer: impl IntoResponse) -> Response {
    let mut response = answer.into_response();
    let link = next.and_then(|next| HeaderValue::try_from(format!("<{next}>; rel=\"next\"")).ok());
    if let Some(link) = link {
        response.headers_mut().insert(LINK, link);
    }
    response
}
