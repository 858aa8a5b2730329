//! The HTTP API under `/api/v1`: one file a subject, described by an OpenAPI document that is made from the same annotations
//! as the routes.
//!
//! Every operation says in the document who may use it (`x-permission`: none, or a word of
//! `access::role::Permission`); the guard enforces what is said there. Must never change anything but through the desk, the check book or the reloader, which record first.

pub mod alarm_kinds;
pub mod alarm_report;
pub mod alarms;
pub mod common;
pub mod etag;
pub mod events;
pub mod field_checks;
pub mod history;
pub mod journal;
mod looks;
pub mod page;
pub mod problem;
pub mod query;
pub mod readers;
pub mod running;
pub mod session;
pub mod stations;

#[cfg(test)]
mod tests;

use std::sync::Arc;

use axum::Router;
use axum::extract::{FromRef, Request};
use axum::http::{Method, StatusCode, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use tokio::sync::watch;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use self::events::Events;
use self::problem::Problem;
use self::readers::Readers;
use crate::check_book::CheckBook;
use crate::clock::Clock;
use crate::config::model::Config;
use crate::desk::Desk;
use crate::reload::Reloader;
use crate::station::roster::Roster;
use crate::station::snapshot::StationSnapshot;

/// What the API is made from.
#[derive(Debug, Clone)]
pub struct Api {
    /// The stations of now.
    pub roster: Roster,
    /// Alarms.
    pub desk: Desk,
    /// Field checks.
    pub checks: CheckBook,
    /// The configuration in force.
    pub config: watch::Receiver<Arc<Config>>,
    /// Has the configuration read again.
    pub reloader: Reloader,
    /// Journal and history, to read.
    pub readers: Readers,
    /// What changes, as it happens.
    pub events: Events,
    /// Time.
    pub clock: Clock,
}

impl FromRef<Api> for Readers {
    fn from_ref(api: &Api) -> Readers {
        api.readers.clone()
    }
}

impl FromRef<Api> for Events {
    fn from_ref(api: &Api) -> Events {
        api.events.clone()
    }
}

impl Api {
    fn stations(&self) -> Vec<Arc<StationSnapshot>> {
        self.roster.snapshots()
    }

    fn station(&self, name: &str) -> Result<Arc<StationSnapshot>, Problem> {
        let unknown = || Problem::not_found(format!("there is no station {name:?}")).about("station");
        self.roster.station(name).ok_or_else(unknown)
    }
}

#[derive(OpenApi)]
#[openapi(
    info(
        title = "wattassay",
        description = "What the audit of a utility's power metering shows, and what operators do about it. Units are in the names of \
            the keys; every measured value carries its quality; what is withheld is null beside its reason. Errors are RFC 9457 \
            problems. Names of stations and circuits in paths are percent-encoded.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    tags(
        (name = "stations", description = "What is reported and concluded"),
        (name = "field checks", description = "What to look at, and what people found"),
        (name = "alarms", description = "Alarms after ISA-18.2 / IEC 62682"),
        (name = "energy", description = "Energy registered wrong"),
        (name = "history", description = "What was"),
        (name = "journal", description = "What happened"),
        (name = "events", description = "What changes, as it happens"),
        (name = "session", description = "Who is asking: log in, log out"),
        (name = "daemon", description = "The daemon itself")
    )
)]
struct Head;

fn routes() -> OpenApiRouter<Api> {
    OpenApiRouter::with_openapi(Head::openapi())
        .routes(routes!(stations::list))
        .routes(routes!(stations::one))
        .routes(routes!(stations::circuit))
        .routes(routes!(stations::plan))
        .routes(routes!(stations::misregistration))
        .routes(routes!(field_checks::list, field_checks::enter))
        .routes(routes!(field_checks::withdraw))
        .routes(routes!(alarm_kinds::list))
        .routes(routes!(alarms::list))
        .routes(routes!(alarm_report::report))
        .routes(routes!(alarms::one))
        .routes(routes!(alarms::acknowledge))
        .routes(routes!(alarms::reset))
        .routes(routes!(alarms::shelve))
        .routes(routes!(alarms::unshelve))
        .routes(routes!(alarms::take_out_of_service))
        .routes(routes!(alarms::return_to_service))
        .routes(routes!(history::sources))
        .routes(routes!(history::values))
        .routes(routes!(journal::list))
        .routes(routes!(events::follow))
        .routes(routes!(running::reload))
        .routes(routes!(running::openapi))
}

/// The routes, and the document that describes them.
pub fn router(api: Api) -> (Router, utoipa::openapi::OpenApi) {
    let (router, mut document) = routes().split_for_parts();
    common::add_answers(&mut document);
    let known = query::Known::of(&document);
    let router =
        router.layer(from_fn(etag::revalidate)).layer(from_fn_with_state(known, query::refuse_unknown)).with_state(api);
    (router, document)
}

/// The document alone; sessions, whose routes the guard keeps, are in it.
pub fn document() -> utoipa::openapi::OpenApi {
    let mut document = routes().into_openapi();
    document.merge(session::SessionDocument::openapi());
    common::add_answers(&mut document);
    document
}

/// Turns the router's own answers to a wrong path or method of the API into problems.
pub async fn problems(request: Request, next: Next) -> Response {
    let of_api = request.uri().path().starts_with("/api/");
    let method = request.method().clone();
    let response = next.run(request).await;
    let typed = response.headers().get(header::CONTENT_TYPE).is_some_and(|kind| kind == problem::CONTENT_TYPE);
    if !of_api || typed || method == Method::HEAD {
        return response;
    }
    let problem = match response.status() {
        StatusCode::NOT_FOUND => Problem::not_found("nothing here; /api/v1/openapi.json lists what there is"),
        StatusCode::METHOD_NOT_ALLOWED => Problem::wrong_method(),
        _ => return response,
    };
    let mut told = problem.into_response();
    if let Some(allow) = response.headers().get(header::ALLOW) {
        told.headers_mut().insert(header::ALLOW, allow.clone());
    }
    told
}
