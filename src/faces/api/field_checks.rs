//! What people found at the panel: entered, listed, withdrawn.
//!
//! Who found it is who has proven it. Must never answer without the cautions where an answer could send a person to a panel.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::Serialize;
use utoipa::ToSchema;

use super::Api;
use super::problem::{Body, Path, Problem, Who};
use super::stations::of_station;
use crate::check_book::{CheckBookError, Entry, Found};
use crate::faces::cautions::{Caution, cautions};

/// One entry.
#[derive(Debug, Serialize, ToSchema)]
pub struct FieldCheckJson {
    /// Number, for withdrawing it.
    id: u64,
    station: String,
    circuit: String,
    by: String,
    at: String,
    found: Found,
}

/// What was found on a circuit.
#[derive(Debug, Serialize, ToSchema)]
pub struct FieldChecksDocument {
    /// To be read before anything else.
    #[schema(value_type = Vec<String>)]
    cautions: Vec<Caution>,
    /// Entries, oldest first.
    entries: Vec<FieldCheckJson>,
}

fn entry_json(entry: Entry) -> FieldCheckJson {
    let Entry { id, station, circuit, by, at, found } = entry;
    FieldCheckJson { id, station, circuit, by, at, found }
}

/// What was found at the panel of a circuit.
#[utoipa::path(get, path = "/api/v1/stations/{station}/circuits/{circuit}/field-checks", operation_id = "list_field_checks", tag = "field checks",
    params(("station" = String, Path, description = "Name, percent-encoded"), ("circuit" = String, Path, description = "Name, percent-encoded")),
    responses((status = 200, body = FieldChecksDocument), (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("view"))))]
pub async fn list(
    State(api): State<Api>,
    Path((station, circuit)): Path<(String, String)>,
) -> Result<Json<FieldChecksDocument>, Problem> {
    let cautions = cautions(&of_station(api.station(&station)?.as_ref(), &circuit)?.installation);
    let all = api.checks.entries().await;
    let own = all.into_iter().filter(|entry| entry.station == station && entry.circuit == circuit);
    Ok(Json(FieldChecksDocument { cautions, entries: own.map(entry_json).collect() }))
}

/// Enters what a check at the panel showed; it counts as evidence from now on.
#[utoipa::path(post, path = "/api/v1/stations/{station}/circuits/{circuit}/field-checks", operation_id = "enter_field_check", tag = "field checks",
    request_body = Found,
    params(("station" = String, Path, description = "Name, percent-encoded"), ("circuit" = String, Path, description = "Name, percent-encoded")),
    responses(
        (status = 201, body = FieldCheckJson),
        (status = 404, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("enter-findings"))))]
pub async fn enter(
    State(api): State<Api>,
    Path((station, circuit)): Path<(String, String)>,
    Who(who): Who,
    Body(found): Body<Found>,
) -> Result<(StatusCode, Json<FieldCheckJson>), Problem> {
    of_station(api.station(&station)?.as_ref(), &circuit)?;
    let at = api.clock.now().wall;
    let entry = api.checks.enter(&station, &circuit, &who.name, at, found).await.map_err(refused)?;
    Ok((StatusCode::CREATED, Json(entry_json(entry))))
}

/// Withdraws an entry that was wrong; it no longer counts.
#[utoipa::path(delete, path = "/api/v1/field-checks/{id}", operation_id = "withdraw_field_check", tag = "field checks",
    params(("id" = u64, Path, description = "Number of the entry")),
    responses(
        (status = 200, body = FieldCheckJson),
        (status = 404, body = Problem, content_type = "application/problem+json")),
    extensions(("x-permission" = json!("configure"))))]
pub async fn withdraw(
    State(api): State<Api>,
    Path(id): Path<u64>,
    Who(who): Who,
) -> Result<Json<FieldCheckJson>, Problem> {
    let entry = api.checks.withdraw(id, &who.name, api.clock.now().wall).await.map_err(refused)?;
    Ok(Json(entry_json(entry)))
}

fn refused(why: CheckBookError) -> Problem {
    let detail = why.to_string();
    match why {
        CheckBookError::NotRight { key, .. } => Problem::not_acceptable(detail).about(key),
        CheckBookError::Unknown(_) => Problem::not_found(detail).about("id"),
        CheckBookError::Twice { .. } | CheckBookError::Full => Problem::conflict(detail),
        CheckBookError::NotRecorded(_) => Problem::unavailable(detail),
    }
}
