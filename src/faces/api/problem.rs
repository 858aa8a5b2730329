//! Errors of the API as RFC 9457 problem details, and the extractors that turn a bad request into one.
//!
//! Must never tell more of the inside than a caller can act on.

use std::error::Error;

use axum::body::Bytes;
use axum::extract::rejection::{JsonRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{HeaderName, HeaderValue, StatusCode, header};
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
    #[serde(skip)]
    #[schema(ignore)]
    headers: Vec<(HeaderName, HeaderValue)>,
}

impl Problem {
    fn new(status: StatusCode, word: &str, title: &'static str, detail: impl Into<String>) -> Problem {
        let kind = format!("urn:wattassay:problem:{word}");
        Problem { kind, title, status: status.as_u16(), detail: detail.into(), parameter: None, headers: Vec::new() }
    }

    /// 400: a parameter or body that is not right.
    pub fn bad_request(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::BAD_REQUEST, "bad-request", "The request is not right", detail)
    }

    /// 401: nobody has said who asks.
    pub fn who_are_you() -> Problem {
        Problem::unauthorized("unauthenticated", "log in, or send an API token as Authorization: Bearer")
    }

    /// 401: it is not proven who asks (RFC 6750, 3 for the header).
    pub fn unauthorized(word: &str, detail: impl Into<String>) -> Problem {
        let challenge = HeaderValue::from_static("Bearer realm=\"wattassay\"");
        Problem::new(StatusCode::UNAUTHORIZED, word, "It is not known who asks", detail)
            .with(header::WWW_AUTHENTICATE, challenge)
    }

    /// 403: whoever asks may not.
    pub fn forbidden(word: &str, detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::FORBIDDEN, word, "This is not allowed", detail)
    }

    /// 413: the body is too long.
    pub fn too_long(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::PAYLOAD_TOO_LARGE, "too-long", "What was sent is too long", detail)
    }

    /// 429: not so often.
    pub fn wait(seconds: u64) -> Problem {
        let detail = format!("too many failed log-ins; wait {seconds} s and try again");
        Problem::new(StatusCode::TOO_MANY_REQUESTS, "wait", "Not so often", detail)
            .with(header::RETRY_AFTER, HeaderValue::from(seconds))
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

    /// 412: it is no longer as whoever asks has seen it.
    pub fn changed(detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::PRECONDITION_FAILED, "changed", "It has changed meanwhile", detail)
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

    /// The same with a header.
    #[must_use]
    pub fn with(mut self, name: HeaderName, value: HeaderValue) -> Problem {
        self.headers.push((name, value));
        self
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
        let mut response =
            (status, [(header::CONTENT_TYPE, HeaderValue::from_static(CONTENT_TYPE))], body).into_response();
        response.headers_mut().extend(self.headers);
        response
    }
}

/// A query, with unknown or unreadable parameters told as a problem.
#[derive(Debug, Clone, Copy)]
pub struct Query<T>(pub T);

impl<T: DeserializeOwned + Send, S: Send + Sync> FromRequestParts<S> for Query<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let query = axum::extract::Query::<T>::from_request_parts(parts, state).await;
        query.map(|query| Query(query.0)).map_err(|rejected: QueryRejection| {
            let problem = Problem::bad_request(rejected.body_text());
            match place::<serde::de::value::Error>(&rejected) {
                Some(parameter) => problem.about(parameter),
                None => problem,
            }
        })
    }
}

/// Where in what was sent an error is; `E` is what reading failed with.
fn place<E: Error + 'static>(error: &(dyn Error + 'static)) -> Option<String> {
    let mut cause = Some(error);
    while let Some(error) = cause {
        if let Some(placed) = error.downcast_ref::<serde_path_to_error::Error<E>>() {
            return Some(placed.path().to_string()).filter(|path| path != ".");
        }
        cause = error.source();
    }
    None
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
        let (head, body) = request.into_parts();
        let bytes = Bytes::from_request(Request::from_parts(head.clone(), body), state).await;
        let bytes = bytes.map_err(|rejected| Problem::of_status(rejected.status(), rejected.body_text()))?;
        // A list of values in the order of the keys would be read as well, which is nothing that is promised.
        let is_object = bytes.iter().find(|byte| !byte.is_ascii_whitespace()) == Some(&b'{');
        match axum::Json::<T>::from_request(Request::from_parts(head, bytes.into()), state).await {
            Ok(_) if !is_object => Err(Problem::not_acceptable("send a JSON object")),
            Ok(body) => Ok(Body(body.0)),
            Err(JsonRejection::JsonDataError(error)) => {
                let problem = Problem::not_acceptable(error.body_text());
                Err(match place::<serde_json::Error>(&error) {
                    Some(key) => problem.about(key),
                    None => problem,
                })
            }
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
