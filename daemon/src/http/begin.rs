//! A batch begins from the page: the form becomes a batch file, which is refused or taken as `batch add` would.

use std::{fmt::Write, sync::Arc};

use axum::{
    extract::State,
    http::StatusCode,
    response::{Html, IntoResponse, Redirect, Response},
};
use fobwatch_core::batch::Batch;
use jiff::civil::DateTime;

use super::{
    answer::Complaint,
    fields::{self, Fields, Sent},
    page,
};
use crate::{
    basic_string::quoted,
    claim,
    page::{self as pages, Begun, is_number, keys},
    watch::{House, Request},
};

/// What stands in the form before anything is filled in. Never a limit.
const USUAL: [(&str, &str); 4] = [
    ("bottle.capacity_ml", "500"),
    ("bottle.fill_ml", "475"),
    ("bottle.count", "8"),
    ("target.fridge_c", "4"),
];

/// The empty form.
pub(super) async fn ask(State(house): State<Arc<House>>) -> Html<String> {
    let context = page::context(&house);
    let sealed = context.now.to_zoned_datetime(context.display.zone.clone());
    let mut fields: Fields = USUAL
        .iter()
        .map(|(key, value)| ((*key).to_owned(), (*value).to_owned()))
        .collect();
    fields.insert(
        "bottled_at".to_owned(),
        sealed.strftime("%Y-%m-%dT%H:%M").to_string(),
    );
    Html(pages::begin(
        &Begun {
            fields,
            sources: sources(&house).await,
            ..Begun::default()
        },
        &context,
    ))
}

/// Takes the batch; to it, or back to the form with what is wrong beside each field.
pub(super) async fn begin(State(house): State<Arc<House>>, sent: Sent) -> Result<Response, Complaint> {
    let fields = fields::read(sent)?;
    let context = page::context(&house);
    let mut begun = Begun {
        sources: sources(&house).await,
        fields,
        ..Begun::default()
    };
    let whole = begun.fields.get("toml").filter(|text| !text.trim().is_empty());
    let by_form = whole.is_none();
    let text = whole.cloned().unwrap_or_else(|| file(&begun.fields, &context));
    match taken(&house, &text).await {
        Ok((batch, warnings)) if warnings.is_empty() => {
            Ok(Redirect::to(&format!("/#batch-{}", batch.name.slug())).into_response())
        }
        Ok((batch, warnings)) => {
            let (name, slug) = (batch.name.as_str(), batch.name.slug());
            let page = pages::begun_with_warnings(name, slug.as_str(), &warnings, &context);
            Ok(Html(page).into_response())
        }
        Err(Refused::Failed(complaint)) => Err(complaint),
        Err(Refused::Otherwise(why)) => {
            begun.refused.push(why);
            Ok(again(&begun, &context))
        }
        Err(Refused::File(problems)) => {
            beside(&mut begun, problems, by_form);
            Ok(again(&begun, &context))
        }
    }
}

/// What is wrong stands beside its field, if it has one.
pub(super) fn beside(begun: &mut Begun, problems: Vec<fobwatch_core::document::Problem>, by_form: bool) {
    for problem in problems {
        if by_form && keys().any(|key| key == problem.key) {
            let allowed = match problem.key.as_str() {
                // The form takes it without the offset that a file has.
                "bottled_at" => crate::moment::ALLOWED,
                _ => problem.allowed.as_str(),
            };
            let why = match problem.given.as_str() {
                "missing" => format!("Missing; allowed: {allowed}."),
                given => format!("{given} stands here; allowed: {allowed}."),
            };
            begun.wrong.insert(problem.key, why);
        } else {
            begun.refused.push(format!("{problem}."));
        }
    }
}

fn again(begun: &Begun, context: &pages::Context) -> Response {
    let form = Html(pages::begin(begun, context));
    (StatusCode::UNPROCESSABLE_ENTITY, form).into_response()
}

enum Refused {
    File(Vec<fobwatch_core::document::Problem>),
    Otherwise(String),
    Failed(Complaint),
}

async fn taken(house: &House, text: &str) -> Result<(Batch, Vec<String>), Refused> {
    let (batch, warnings) =
        Batch::from_toml(text, "the batch file").map_err(|bad| Refused::File(bad.problems))?;
    if let Some(why) = house.share.refuses(&batch.name.slug()) {
        return Err(Refused::Otherwise(format!("{why}.")));
    }
    let others = house.all();
    claim::free(&batch, others.iter().map(|live| &live.batch))
        .map_err(|claimed| Refused::Otherwise(format!("{claimed}.")))?;
    let borrowed = claim::borrowed(&batch, others.iter().map(|live| &live.batch));
    let asked = house
        .ask(Request::Add(Box::new(batch.clone()), text.to_owned()))
        .await;
    match asked {
        Ok(_) => {
            let warnings = warnings.iter().map(ToString::to_string).chain(borrowed);
            Ok((batch, warnings.collect()))
        }
        Err(taken @ crate::store::StoreError::NameTaken { .. }) => {
            Err(Refused::Otherwise(format!("{taken}.")))
        }
        Err(error) => Err(Refused::Failed(error.into())),
    }
}

/// The form as a batch file. What is no number stays a text, so that it is refused by its key and not as bad TOML.
fn file(fields: &Fields, context: &pages::Context) -> String {
    let filled = |key: &str| {
        let text = fields.get(key).map(|text| text.trim());
        text.filter(|text| !text.is_empty())
    };
    let mut file = String::new();
    let mut line = |key: &str, value: String| {
        // Writing to a String does not fail.
        let _ok = writeln!(file, "{key} = {value}");
    };
    for key in ["name", "culture"] {
        if let Some(text) = filled(key) {
            line(key, quoted(text));
        }
    }
    if let Some(text) = filled("bottled_at") {
        line("bottled_at", quoted(&moment(text, context)));
    }
    let piloted = filled("pilot.material").is_some();
    for section in ["drink", "bottle", "pilot", "target", "sensors"] {
        if section == "pilot" && !piloted {
            continue;
        }
        let _ok = writeln!(file, "\n[{section}]");
        for key in keys() {
            let Some(last) = key.strip_prefix(section).and_then(|rest| rest.strip_prefix('.')) else {
                continue;
            };
            let Some(text) = filled(key) else { continue };
            let value = if is_number(key) { number(text) } else { None };
            let _ok = writeln!(file, "{last} = {}", value.unwrap_or_else(|| quoted(text)));
        }
    }
    file
}

/// What a browser sends for a local time, as RFC 3339 has it; whoever writes a whole time of that is understood too.
pub(super) fn moment(text: &str, context: &pages::Context) -> String {
    let local: Option<DateTime> = text.parse().ok();
    let zone = || context.display.zone.clone();
    let at = text
        .parse::<jiff::Timestamp>()
        .ok()
        .or_else(|| Some(local?.to_zoned_datetime(zone()).ok()?.timestamp()));
    at.map_or_else(|| text.to_owned(), |at| at.to_string())
}

/// A number as TOML writes it; with a decimal comma too.
pub(super) fn number(text: &str) -> Option<String> {
    let text = text.replace(',', ".");
    if let Ok(whole) = text.parse::<i64>() {
        return Some(whole.to_string());
    }
    let number: f64 = text.parse().ok()?;
    number.is_finite().then(|| format!("{number:?}"))
}

/// Sources that were heard, each once.
pub(super) async fn sources(house: &House) -> Vec<String> {
    let series = house
        .store
        .read(|reader| reader.series())
        .await
        .unwrap_or_default();
    let mut names: Vec<String> = series
        .into_iter()
        .map(|series| series.source.to_string())
        .collect();
    names.sort();
    names.dedup();
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_read_as_people_write_them() {
        assert_eq!(number("2,8").as_deref(), Some("2.8"));
        assert_eq!(number("8").as_deref(), Some("8"));
        assert_eq!(number("1e3").as_deref(), Some("1000.0"));
        for no_number in ["", "two", "NaN", "inf", "1.2.3"] {
            assert_eq!(number(no_number), None, "{no_number}");
        }
    }
}
