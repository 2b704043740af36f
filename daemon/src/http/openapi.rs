//! `/api/v1/openapi.json`: what the API takes and answers (OpenAPI 3.1).

use axum::{http::header::CONTENT_TYPE, response::IntoResponse};

pub(super) async fn show() -> impl IntoResponse {
    ([(CONTENT_TYPE, "application/json")], include_str!("openapi.json"))
}
