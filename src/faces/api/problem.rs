//! Errors of the API as RFC 9457 problem details, and the extractors that turn a bad request into one.
//!
//! Must never tell more of the inside than a caller can act on.

use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use serde::de::DeserializeOwned;
use utoipa::ToSchema;

use crate::access::role::Principal;

/// Media type of a problem.
pub const CONTENT_TYPE: &str = "application/problem+json";

/// What went wrong with a request (RFC 9457).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub struct Problem {
    /// What kind of problem: `urn:wattassay:problem:` and a word.
    #[serde(rename = "type")]
    kind: String,
    /// The same for people.
    title: &'static str,
    /// HTTP status.
    status: u16,
    /// What is wrong with this request, and what would be right.
    detail: String,
    /// The parameter or key at fault, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    parameter: Option<String>,
}

impl Problem {
    fn new(status: StatusCode, word: &str, title: &'static str, detail: impl Into<String>) -> Problem {
        let kind = format!("urn:wattassay:problem:{word}");
        Problem { kind, title, status: status.as_u16(), detail: detail.into(), parameter: None }
    }

    /// 400: a parameter or body that is not right.
    pub fn bad_request(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::BAD_REQUEST, "bad-request", "The request is not right", detail)
    }

    /// 401: nobody has said who asks.
    pub fn who_are_you() -> Problem {
        let detail = "log in, or send an API token as Authorization: Bearer";
        Problem::new(StatusCode::UNAUTHORIZED, "unauthenticated", "It is not known who asks", detail)
    }

    /// 404: there is no such thing.
    pub fn not_found(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::NOT_FOUND, "not-found", "There is no such thing", detail)
    }

    /// 405: the path is right, the method is not.
    pub fn wrong_method() -> Problem {
        let detail = "see the Allow header for what this path takes";
        Problem::new(StatusCode::METHOD_NOT_ALLOWED, "wrong-method", "This method is not for this path", detail)
    }

    /// 409: it does not fit the present state.
    pub fn conflict(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::CONFLICT, "conflict", "It does not fit the present state", detail)
    }

    /// 422: understood, and not acceptable.
    pub fn not_acceptable(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::UNPROCESSABLE_ENTITY, "not-acceptable", "What was sent cannot be taken", detail)
    }

    /// 503: not now.
    pub fn unavailable(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::SERVICE_UNAVAILABLE, "unavailable", "This cannot be done now", detail)
    }

    /// 500: the program is at fault; `error` goes to the log only.
    pub fn internal(what: &str, error: &dyn std::fmt::Display) -> Problem {
        tracing::error!("API: {what}: {error}");
        let detail = format!("{what} failed; the log of the daemon says why");
        Problem::new(StatusCode::INTERNAL_SERVER_ERROR, "internal", "The program is at fault", detail)
    }

    /// Any other status, with the server's own words.
    pub fn of_status(status: StatusCode, detail: impl Into<String>) -> Problem {
        Problem::new(status, "refused", status.canonical_reason().unwrap_or("Refused"), detail)
    }

    /// The same with the parameter or key at fault.
    #[must_use]
    pub fn about(mut self, parameter: impl Into<String>) -> Problem {
        self.parameter = Some(parameter.into());
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        // A problem is plain text in plain fields: writing it cannot fail.
        let body = serde_json::to_vec(&self).unwrap_or_default();
        (status, [(header::CONTENT_TYPE, HeaderValue::from_static(CONTENT_TYPE))], body).into_response()
    }
}

/// A query, with unknown or unreadable parameters told as a problem.
#[derive(Debug, Clone, Copy)]
pub struct Query<T>(pub T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let query = axum::extract::Query::<T>::from_request_parts(parts, state).await;
        query.map(|query| Query(query.0)).map_err(|rejected: QueryRejection| Problem::bad_request(rejected.body_text()))
    }
}

/// Parts of the path.
#[derive(Debug, Clone, Copy)]
pub struct Path<T>(pub T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for Path<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let path = axum::extract::Path::<T>::from_request_parts(parts, state).await;
        path.map(|path| Path(path.0)).map_err(|rejected: PathRejection| Problem::bad_request(rejected.body_text()))
    }
}

/// A JSON body.
#[derive(Debug, Clone, Copy)]
pub struct Body<T>(pub T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequest<S> for Body<T> {
    type Rejection = Problem;

    async fn from_request(request: Request, state: &S) -> Result<Self, Problem> {
        match axum::Json::<T>::from_request(request, state).await {
            Ok(body) => Ok(Body(body.0)),
            Err(JsonRejection::JsonDataError(error)) => Err(Problem::not_acceptable(error.body_text())),
            Err(rejected) => Err(Problem::of_status(rejected.status(), rejected.body_text())),
        }
    }
}

/// Whoever asks, as the guard has proven it.
#[derive(Debug, Clone)]
pub struct Who(pub Principal);

impl<S: Send + Sync> FromRequestParts<S> for Who {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Problem> {
        parts.extensions.get::<Principal>().cloned().map(Who).ok_or_else(Problem::who_are_you)
    }
}
