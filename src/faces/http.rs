//! The HTTP face: what is where, and how it answers. Reads snapshots; there is nothing here that changes anything.

use std::sync::Arc;

use axum::Router;
use axum::extract::State;
use axum::http::{HeaderValue, StatusCode, header};
use axum::middleware::{from_fn, map_response};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use utoipa::openapi::extensions::ExtensionsBuilder;
use utoipa::openapi::path::{HttpMethod, OperationBuilder, PathItemBuilder};
use utoipa::openapi::{OpenApi, OpenApiBuilder, PathsBuilder};

use super::api::{self, Api};
use super::guard::rules::{OPEN, X_PERMISSION};
use super::metrics::Records;
use super::{health, json, metrics};
use crate::clock::Clock;
use crate::desk::Desk;
use crate::history::status::{Figures, Status};
use crate::notify::Notifier;
use crate::station::roster::Roster;
use crate::station::snapshot::StationSnapshot;

const TEXT: &str = "text/plain; charset=utf-8";
const JSON: &str = "application/json";

const INDEX: &str = concat!(
    "wattassay ",
    env!("CARGO_PKG_VERSION"),
    ": audits the power metering of pump stations\n\n",
    "/metrics            figures for Prometheus\n",
    "/api/v1/snapshot    everything as JSON: values with their quality, findings, diagnosis, corrected power\n",
    "/api/v1/openapi.json  what else there is: stations, alarms, field checks, energy, history, journal\n",
    "/healthz            200 while the process is alive\n",
    "/readyz             200 once every monitor has been polled, with the state of each as JSON\n",
);

/// What the pages are made from.
#[derive(Debug, Clone)]
pub struct Pages {
    roster: Roster,
    desk: Desk,
    history: Option<Arc<Status>>,
    notifier: Option<Notifier>,
    clock: Clock,
}

impl Pages {
    /// Pages on these stations and alarms.
    pub fn new(roster: Roster, desk: Desk, clock: Clock) -> Pages {
        Pages { roster, desk, history: None, notifier: None, clock }
    }

    /// The same, with the figures of this history.
    #[must_use]
    pub fn with_history(self, history: Option<Arc<Status>>) -> Pages {
        Pages { history, ..self }
    }

    /// The same, with what becomes of notifications.
    #[must_use]
    pub fn with_notifier(self, notifier: Option<Notifier>) -> Pages {
        Pages { notifier, ..self }
    }

    fn history(&self) -> Option<Figures> {
        self.history.as_ref().map(|history| history.figures())
    }

    fn stations(&self) -> Vec<Arc<StationSnapshot>> {
        self.roster.snapshots()
    }
}

/// Every route: the pages, and the API beside them.
pub fn router(pages: Pages, api: Api) -> Router {
    let (api, _) = api::router(api);
    Router::new()
        .route("/", get(|| async { typed(StatusCode::OK, TEXT, INDEX) }))
        .route("/healthz", get(|| async { typed(StatusCode::OK, TEXT, "alive\n") }))
        .route("/readyz", get(ready))
        .route("/metrics", get(metrics_page))
        .route("/api/v1/snapshot", get(snapshot))
        .fallback(|| async { typed(StatusCode::NOT_FOUND, TEXT, "nothing here; see /\n") })
        .with_state(pages)
        .merge(api)
        .layer(from_fn(api::problems))
        .layer(map_response(common_headers))
}

/// The page for Prometheus alone, for a listener of its own.
pub fn metrics_router(pages: Pages) -> Router {
    Router::new().route("/metrics", get(metrics_page)).with_state(pages)
}

/// Who may use which route, in the form the guard reads: the API's own document with the pages added.
pub fn document() -> OpenApi {
    let page = |word: &str| {
        let permission = ExtensionsBuilder::new().add(X_PERMISSION, word).build();
        let operation = OperationBuilder::new().extensions(Some(permission)).build();
        PathItemBuilder::new().operation(HttpMethod::Get, operation).build()
    };
    let pages = PathsBuilder::new()
        .path("/", page(OPEN))
        .path("/healthz", page(OPEN))
        .path("/readyz", page(OPEN))
        .path("/metrics", page(OPEN))
        .path("/api/v1/snapshot", page("view"));
    let mut document = api::document();
    document.merge(OpenApiBuilder::new().paths(pages.build()).build());
    document
}

async fn common_headers(mut response: Response) -> Response {
    let headers = response.headers_mut();
    // A cached reading would be an old reading that looks live.
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    response
}

fn typed(status: StatusCode, content_type: &'static str, body: impl Into<axum::body::Body>) -> Response {
    (status, [(header::CONTENT_TYPE, content_type)], body.into()).into_response()
}

fn failed(what: &str, error: &dyn std::fmt::Display) -> Response {
    tracing::error!("cannot write {what}: {error}");
    typed(StatusCode::INTERNAL_SERVER_ERROR, TEXT, format!("cannot write {what}: {error}\n"))
}

async fn ready(State(pages): State<Pages>) -> Response {
    let readiness = health::readiness(&pages.stations(), pages.history());
    let status = if readiness.ready { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    match serde_json::to_vec(&readiness) {
        Ok(body) => typed(status, JSON, body),
        Err(error) => failed("readiness", &error),
    }
}

/// Large pages are written on a blocking thread: with hundreds of stations they take long enough to delay polls.
async fn metrics_page(State(pages): State<Pages>) -> Response {
    let page = tokio::task::spawn_blocking(move || {
        let records = Records {
            history: pages.history(),
            notifications: pages.notifier.as_ref().map(Notifier::counts).unwrap_or_default(),
        };
        let page = metrics::render(&pages.stations(), &pages.desk.list(), pages.clock.now().mono, &records);
        metrics::process::text().map(|of_process| page + &of_process)
    });
    match page.await {
        Ok(Ok(page)) => typed(StatusCode::OK, metrics::CONTENT_TYPE, page),
        Ok(Err(error)) => failed("metrics", &error),
        Err(error) => failed("metrics", &error),
    }
}

async fn snapshot(State(pages): State<Pages>) -> Response {
    let body =
        tokio::task::spawn_blocking(move || serde_json::to_vec(&json::document(&pages.stations(), pages.clock.now())));
    match body.await {
        Ok(Ok(body)) => typed(StatusCode::OK, JSON, body),
        Ok(Err(error)) => failed("the snapshot", &error),
        Err(error) => failed("the snapshot", &error),
    }
}

#[cfg(test)]
mod tests {
    use axum::body::Body;
    use axum::http::Request;
    use http_body_util::BodyExt;
    use tokio::sync::watch;
    use tower::ServiceExt;

    use super::*;
    use crate::audit::wiring::Wiring;
    use crate::faces::api::session;
    use crate::faces::guard::rules::operations;
    use crate::faces::guard::walk::{ASKED_OF_EACH, walk};
    use crate::station::fixtures::{instant, snapshot_after, station_config};
    use crate::station::snapshot::SnapshotReader;
    use crate::station::state::StationState;

    fn pages(snapshot: Arc<StationSnapshot>) -> Pages {
        let (_, receiver) = watch::channel(snapshot);
        Pages::new(Roster::fixed(vec![SnapshotReader::new(receiver)]), Desk::still(Vec::new()), Clock::system())
    }

    #[tokio::test]
    async fn how_the_history_fares_is_told_where_there_is_one() {
        let state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
        let still = pages(state.snapshot(instant(0)).into());
        let (_, _, none) = get(still.clone(), "/metrics").await;
        assert!(!none.contains("wattassay_history"));
        let status = Arc::new(Status::default());
        status.dropped.store(51, std::sync::atomic::Ordering::Relaxed);
        status.full.store(true, std::sync::atomic::Ordering::Relaxed);
        let pages = still.with_history(Some(status));
        let (_, _, page) = get(pages.clone(), "/metrics").await;
        let lines = [
            "wattassay_history_values_lost_total{reason=\"queue full\"} 51",
            "wattassay_history_values_lost_total{reason=\"refused\"} 0",
            "wattassay_history_full 1",
            "wattassay_history_failing 0",
        ];
        for line in lines {
            assert!(page.lines().any(|told| told == line), "{line} in\n{page}");
        }
        assert!(!page.contains("wattassay_history_size_bytes"), "what is not known is absent");
        let (_, _, ready) = get(pages, "/readyz").await;
        let ready: serde_json::Value = serde_json::from_str(&ready).unwrap();
        assert_eq!(ready["history"]["dropped"], 51);
        assert_eq!(ready["history"]["storage"]["full"], true);
        assert!(ready["history"]["storage"]["free_bytes"].is_null());
    }

    async fn get(pages: Pages, path: &str) -> (StatusCode, String, String) {
        let request = Request::builder().uri(path).body(Body::empty()).unwrap();
        let response = router(pages, Api::still(Vec::new())).oneshot(request).await.unwrap();
        assert_eq!(response.headers()[header::CACHE_CONTROL], "no-store");
        let kind = response.headers()[header::CONTENT_TYPE].to_str().unwrap().to_owned();
        let status = response.status();
        let body = response.into_body().collect().await.unwrap().to_bytes();
        (status, kind, String::from_utf8(body.to_vec()).unwrap())
    }

    #[tokio::test]
    async fn every_route_lets_in_whom_the_document_says() {
        let snapshot = snapshot_after("Alder Creek Lift", &Wiring::INTENDED);
        let routes = |guard| {
            let api = Api::still(vec![Arc::clone(&snapshot)]);
            router(pages(Arc::clone(&snapshot)), api).merge(session::routes(guard))
        };
        let document = document();
        let asked = walk(&document, routes).await;
        assert_eq!(asked, operations(&document).len() * ASKED_OF_EACH);
        assert!(operations(&document).len() >= 25, "{}", operations(&document).len());
    }

    #[tokio::test]
    async fn every_page_answers_with_its_type() {
        let running = || pages(snapshot_after("Alder Creek Lift", &Wiring::INTENDED));
        for (path, kind, holds) in [
            ("/", TEXT, "/api/v1/snapshot"),
            ("/healthz", TEXT, "alive"),
            ("/readyz", JSON, "\"ready\":true"),
            ("/metrics", metrics::CONTENT_TYPE, "wattassay_diagnosis_verdict{"),
            ("/api/v1/snapshot", JSON, "\"verdict\":\"sound\""),
        ] {
            let (status, content_type, body) = get(running(), path).await;
            assert_eq!((status, content_type.as_str()), (StatusCode::OK, kind), "{path}");
            assert!(body.contains(holds), "{path}: {body}");
        }
        assert_eq!(get(running(), "/nothing").await.0, StatusCode::NOT_FOUND);
    }

    #[tokio::test]
    async fn not_ready_before_the_first_poll_has_ended() {
        let state = StationState::new(&station_config("Alder Creek Lift")).unwrap();
        let (status, _, body) = get(pages(Arc::new(state.snapshot(instant(0)))), "/readyz").await;
        assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE);
        assert!(body.contains("the first poll has not ended"), "{body}");
    }

    #[tokio::test]
    async fn nothing_can_be_written() {
        for method in ["POST", "PUT", "DELETE", "PATCH"] {
            for path in ["/", "/metrics", "/api/v1/snapshot", "/readyz"] {
                let request = Request::builder().method(method).uri(path).body(Body::empty()).unwrap();
                let pages = pages(snapshot_after("Alder Creek Lift", &Wiring::INTENDED));
                let response = router(pages, Api::still(Vec::new())).oneshot(request).await.unwrap();
                assert_eq!(response.status(), StatusCode::METHOD_NOT_ALLOWED, "{method} {path}");
            }
        }
    }
}
