//! The daemon itself: its configuration read again, and the description of this API.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use utoipa::ToSchema;

use super::Api;
use super::problem::{Problem, Who};
use crate::reload::ReloadError;

/// What a new reading of the configuration came to.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReloadedJson {
    /// In one sentence.
    words: String,
    /// Stations that went on untouched.
    untouched: Vec<String>,
    /// Stations that went on with another configuration.
    altered: Vec<String>,
    /// New stations.
    added: Vec<String>,
    /// Stations that are gone.
    removed: Vec<String>,
    /// Tables of the file that differ and take effect at the next start only.
    at_next_start: Vec<&'static str>,
}

/// Has the configuration file read again. A file that is not right changes nothing.
#[utoipa::path(post, path = "/api/v1/configuration/reload", operation_id = "reload_configuration", tag = "daemon",
    responses(
        (status = 200, body = ReloadedJson),
        (status = 409, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("configure"))))]
pub async fn reload(State(api): State<Api>, Who(who): Who) -> Result<Json<ReloadedJson>, Problem> {
    match api.reloader.reload(who.name).await {
        Ok(reloaded) => Ok(Json(ReloadedJson {
            words: reloaded.to_string(),
            untouched: reloaded.stations.kept,
            altered: reloaded.stations.altered,
            added: reloaded.stations.added,
            removed: reloaded.stations.removed,
            at_next_start: reloaded.at_next_start,
        })),
        Err(error @ ReloadError::Stopping) => Err(Problem::unavailable(error.to_string())),
        Err(error) => Err(Problem::conflict(error.to_string())),
    }
}

/// This description.
#[utoipa::path(get, path = "/api/v1/openapi.json", operation_id = "get_openapi", tag = "daemon",
    responses((status = 200, body = Object, content_type = "application/json", description = "OpenAPI 3.1")),
    extensions(("x-permission" = json!("none"))))]
pub async fn openapi() -> Json<utoipa::openapi::OpenApi> {
    Json(super::document())
}
