//! The entries of a batch are corrected: from the API with a whole batch file or single entries, and from the page.

use std::sync::Arc;

use axum::{
    Extension, Json, Router,
    body::Bytes,
    extract::{
        Path, Query, State,
        rejection::{BytesRejection, QueryRejection},
    },
    http::{Method, StatusCode},
    response::{Html, IntoResponse, Response},
    routing::{get, put},
};
use jiff::tz::TimeZone;
use serde::Deserialize;
use serde_json::{Map, Value, json};

use super::{
    answer::{Complaint, batch},
    batches::settle,
    begin::{self, number, sources},
    fields::{Fields, Sent},
    forms::WHO,
    page,
};
use crate::{
    basic_string::quoted,
    corrected::{self, Corrected, NotCorrected, corrected, entries_of},
    gate::Caller,
    page::{self as pages, Begun, is_number, keys},
    store::StoreError,
    watch::{House, Live, Request},
};

/// Its addresses.
pub(super) fn route() -> Router<Arc<House>> {
    Router::new()
        .route("/api/v1/batches/{slug}", put(by_program).patch(by_program))
        .route("/batches/{slug}/correct", get(ask).post(from_the_page))
}

#[derive(Debug, Deserialize)]
struct By {
    who: Option<String>,
}

type Signed = Result<Query<By>, QueryRejection>;

/// What is to hold.
enum Given {
    /// A whole batch file.
    Whole(String),
    /// Single entries.
    Json(Map<String, Value>),
    /// The same, as TOML writes their values; `None`: left out.
    Some(Vec<(String, Option<String>)>),
}

/// PUT has a whole batch file, PATCH single entries.
async fn by_program(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    Path(slug): Path<String>,
    by: Signed,
    method: Method,
    body: Result<Bytes, BytesRejection>,
) -> Result<Json<Value>, Complaint> {
    let who = who(&caller, by)?;
    let body = body?;
    let given = if method == Method::PUT {
        whole(&body)
    } else {
        some(&body)
    };
    let done = carry_out(&house, &slug, given.map_err(Complaint::refused)?, &who).await;
    Ok(Json(told(&done.map_err(Refused::into_complaint)?)))
}

fn whole(body: &[u8]) -> Result<Given, String> {
    str::from_utf8(body)
        .map(|text| Given::Whole(text.to_owned()))
        .map_err(|error| format!("the batch file is not UTF-8 text: {error}"))
}

fn some(body: &[u8]) -> Result<Given, String> {
    serde_json::from_slice(body).map(Given::Json).map_err(|error| {
        format!(
            "the entries cannot be read ({error}); allowed: a JSON object such as {{\"bottle.fill_ml\": 470}}"
        )
    })
}

fn who(caller: &Caller, by: Signed) -> Result<String, Complaint> {
    let Query(by) = by
        .map_err(|bad| Complaint::refused(format!("{}; allowed: `who` once, or nothing", bad.body_text())))?;
    let said = by.who.unwrap_or_default();
    let said = said.trim();
    if said.chars().count() > 80 || said.chars().any(char::is_control) {
        return Err(Complaint::refused(
            "`who` is too long or no line; allowed: up to 80 characters without control characters",
        ));
    }
    Ok(caller.signs(if said.is_empty() { "someone" } else { said }))
}

fn told(done: &Corrected) -> Value {
    json!({
        "batch": done.batch.name,
        "slug": done.batch.name.slug(),
        "changes": done.changes,
        "warnings": done.warnings,
    })
}

enum Refused {
    File(Vec<fobwatch_core::document::Problem>),
    Otherwise(String),
    Failed(Complaint),
}

impl Refused {
    fn into_complaint(self) -> Complaint {
        match self {
            Self::File(problems) => Complaint::refused(NotCorrected::Refused(problems).to_string()),
            Self::Otherwise(why) => Complaint::refused(why),
            Self::Failed(complaint) => complaint,
        }
    }
}

impl Refused {
    fn of(not: NotCorrected, zone: &TimeZone) -> Self {
        match not {
            NotCorrected::Refused(problems) => Self::File(problems),
            NotCorrected::NotSealed { .. } | NotCorrected::Otherwise(_) => Self::Otherwise(not.told(zone)),
        }
    }
}

impl From<StoreError> for Refused {
    fn from(error: StoreError) -> Self {
        Self::Failed(error.into())
    }
}

/// Answers once it is stored, and the engine has begun anew.
async fn carry_out(house: &House, slug: &str, given: Given, who: &str) -> Result<Corrected, Refused> {
    let live = batch(house, slug).map_err(Refused::Failed)?;
    let stored = stored(house, &live).await?;
    let text = match given {
        Given::Whole(text) => text,
        Given::Json(changes) => corrected::with_json(&stored, &changes).map_err(Refused::Otherwise)?,
        Given::Some(changes) => {
            let changes: Vec<(&str, Option<&str>)> = changes
                .iter()
                .map(|(key, value)| (key.as_str(), value.as_deref()))
                .collect();
            corrected::with(&stored, &changes)
                .ok_or_else(|| Refused::Otherwise(corrected::NOT_ONE_BY_ONE.to_owned()))?
        }
    };
    let others = house.all();
    let done = corrected(
        &stored,
        &text,
        who,
        house.now(&live),
        others.iter().map(|other| &other.batch),
    )
    .map_err(|not| Refused::of(not, &house.display.zone))?;
    if done.changes.is_empty() {
        return Ok(done);
    }
    let slug = live.slug.clone();
    let sequence = house.ask(Request::Correct(live, Box::new(done.clone()))).await?;
    if let Some(again) = house.batch(slug.as_str()) {
        settle(&again, sequence).await;
    }
    Ok(done)
}

async fn stored(house: &House, live: &Live) -> Result<String, StoreError> {
    let id = live.id;
    let all = house.store.read(|reader| reader.batches()).await?;
    let stored = all.into_iter().find(|stored| stored.id == id);
    stored
        .map(|stored| stored.text)
        .ok_or_else(|| StoreError::NoSuchBatch {
            name: live.batch.name.to_string(),
        })
}

/// The form, with the entries as they hold.
async fn ask(State(house): State<Arc<House>>, Path(slug): Path<String>) -> Result<Html<String>, Complaint> {
    let live = batch(&house, &slug)?;
    let stored = stored(&house, &live).await?;
    let (shown, context) = page::of_one(&house, &live);
    let begun = Begun {
        fields: fields(&stored, &context),
        sources: sources(&house).await,
        ..Begun::default()
    };
    Ok(Html(pages::correct(&shown, &begun, &context)))
}

/// The entries that hold, by their keys, as the form has them.
fn fields(stored: &str, context: &pages::Context) -> Fields {
    let entries = corrected::entries(stored);
    let mut fields: Fields = entries_of(entries)
        .into_iter()
        .filter(|(key, _)| keys().any(|known| known == key))
        .collect();
    for key in ["bottle.material", "pilot.material"] {
        // The form has the other word for it.
        if let Some(text) = fields.get_mut(key).filter(|text| *text == "pet") {
            "plastic".clone_into(text);
        }
    }
    if let Some(at) = fields
        .get("bottled_at")
        .and_then(|at| at.parse::<jiff::Timestamp>().ok())
    {
        let local = at.to_zoned_datetime(context.display.zone.clone());
        fields.insert(
            "bottled_at".to_owned(),
            local.strftime("%Y-%m-%dT%H:%M").to_string(),
        );
    }
    fields.insert("toml".to_owned(), entries.to_owned());
    fields
}

/// Corrects; what was done, or the form with what is wrong beside each field.
async fn from_the_page(
    State(house): State<Arc<House>>,
    Extension(caller): Extension<Caller>,
    Path(slug): Path<String>,
    sent: Sent,
) -> Result<Response, Complaint> {
    let live = batch(&house, &slug)?;
    let typed = super::fields::read(sent)?;
    let stored = stored(&house, &live).await?;
    let (shown, context) = page::of_one(&house, &live);
    let whole = typed.get("toml").filter(|text| !text.trim().is_empty());
    let by_form = whole.is_none();
    let given = match whole {
        Some(text) => Ok(Given::Whole(text.replace("\r\n", "\n"))),
        None => changed(&self::fields(&stored, &context), &typed, &context).map(Given::Some),
    };
    let done = match given {
        Ok(given) => carry_out(&house, &slug, given, &caller.signs(WHO)).await,
        Err(why) => Err(Refused::Otherwise(why)),
    };
    let mut begun = Begun {
        sources: sources(&house).await,
        ..Begun::default()
    };
    match done {
        Ok(done) => {
            let changes: Vec<String> = done.changes.iter().map(ToString::to_string).collect();
            let page = pages::corrected(&shown, &changes, &done.warnings, &context);
            return Ok(Html(page).into_response());
        }
        Err(Refused::Failed(complaint)) => return Err(complaint),
        Err(Refused::Otherwise(why)) => begun.refused.push(format!("{why}.")),
        Err(Refused::File(problems)) => begin::beside(&mut begun, problems, by_form),
    }
    begun.fields = self::fields(&stored, &context);
    begun.fields.extend(typed);
    let form = Html(pages::correct(&shown, &begun, &context));
    Ok((StatusCode::UNPROCESSABLE_ENTITY, form).into_response())
}

/// What was typed over, as single entries.
fn changed(
    held: &Fields,
    typed: &Fields,
    context: &pages::Context,
) -> Result<Vec<(String, Option<String>)>, String> {
    let mut changes = Vec::new();
    let text = |of: &Fields, key: &str| of.get(key).map_or("", |text| text.trim()).to_owned();
    if typed.contains_key("pilot.material") != held.contains_key("pilot.material") {
        if held.contains_key("pilot.material") {
            return Err(
                "a pilot is not taken away by this form; allowed: the text of the file below, without [pilot]".to_owned(),
            );
        }
        changes.push((
            "pilot.material".to_owned(),
            Some(quoted(&text(typed, "pilot.material"))),
        ));
    }
    for key in keys().filter(|key| *key != "name" && *key != "pilot.material") {
        let (was, is) = (text(held, key), text(typed, key));
        let same = was == is || (is_number(key) && number(&was).is_some() && same_number(&was, &is));
        if same || !typed.contains_key(key) {
            continue;
        }
        let value = match (is.is_empty(), key) {
            (true, _) => None,
            (false, "bottled_at") => Some(quoted(&begin::moment(&is, context))),
            (false, _) if is_number(key) => Some(number(&is).unwrap_or_else(|| quoted(&is))),
            (false, _) => Some(quoted(&is)),
        };
        changes.push((key.to_owned(), value));
    }
    Ok(changes)
}

fn same_number(was: &str, is: &str) -> bool {
    let read = |text: &str| number(text).and_then(|text| text.parse::<f64>().ok());
    match (read(was), read(is)) {
        (Some(was), Some(is)) => was.total_cmp(&is).is_eq(),
        _ => false,
    }
}
