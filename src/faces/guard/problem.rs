//! An error as clients get it: `application/problem+json` (RFC 9457).
//!
//! Must never repeat what a client sent as a secret.

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use utoipa::ToSchema;

/// Media type of a problem.
pub const PROBLEM_JSON: &str = "application/problem+json";

/// What went wrong, in words for a person and with a code for a program.
#[derive(Debug, Clone, Serialize, ToSchema)]
#[schema(as = Refusal)]
pub struct Problem {
    /// HTTP status
    pub status: u16,
    /// The status in words
    pub title: String,
    /// What is wrong and what would be right
    pub detail: String,
    /// Which problem it is; stays the same when words change
    pub code: &'static str,
    #[serde(skip)]
    #[schema(ignore)]
    headers: Vec<(HeaderName, HeaderValue)>,
}

impl Problem {
    /// A problem of a status.
    pub fn new(status: StatusCode, code: &'static str, detail: impl Into<String>) -> Problem {
        let title = status.canonical_reason().unwrap_or("Error").to_owned();
        Problem { status: status.as_u16(), title, detail: detail.into(), code, headers: Vec::new() }
    }

    /// Nobody known is asking (RFC 6750, 3 for the header).
    pub fn unauthorized(code: &'static str, detail: impl Into<String>) -> Problem {
        let challenge = HeaderValue::from_static("Bearer realm=\"wattassay\"");
        Problem::new(StatusCode::UNAUTHORIZED, code, detail).with(header::WWW_AUTHENTICATE, challenge)
    }

    /// Whoever is asking may not.
    pub fn forbidden(code: &'static str, detail: impl Into<String>) -> Problem {
        Problem::new(StatusCode::FORBIDDEN, code, detail)
    }

    /// The same with a header.
    #[must_use]
    pub fn with(mut self, name: HeaderName, value: HeaderValue) -> Problem {
        self.headers.push((name, value));
        self
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        // Texts and a number: this cannot fail to serialise.
        let body = serde_json::to_vec(&self).unwrap_or_default();
        let mut response = (status, [(header::CONTENT_TYPE, PROBLEM_JSON)], body).into_response();
        for (name, value) in self.headers {
            response.headers_mut().insert(name, value);
        }
        response
    }
}
