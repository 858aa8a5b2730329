//! Entity tags: an answer that is the same as the one the caller has is not sent again (RFC 9110 cl. 13.1.2), and an act that
//! is meant for what the caller has read is not done to anything else (cl. 13.1.1).
//!
//! The tag is a digest of the body. Must never touch what is not a whole answer to a GET: streams go through as they are.

use std::convert::Infallible;

use axum::body::{Body, to_bytes};
use axum::extract::{FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use super::problem::Problem;
use crate::journal::Hash;

/// Larger answers are sent as they are.
const LARGEST: usize = 16 << 20;

/// Tags an answer, or says that nothing has changed.
pub async fn revalidate(request: Request, next: Next) -> Response {
    let get = request.method() == Method::GET;
    let asked = request.headers().get(header::IF_NONE_MATCH).cloned();
    let response = next.run(request).await;
    let stream = response
        .headers()
        .get(header::CONTENT_TYPE)
        .is_some_and(|kind| kind.as_bytes().starts_with(b"text/event-stream"));
    if !get || stream || response.status() != StatusCode::OK {
        return response;
    }
    let (mut head, body) = response.into_parts();
    let Ok(bytes) = to_bytes(body, LARGEST).await else {
        return Problem::unavailable(format!("the answer is longer than {LARGEST} bytes; ask for less"))
            .into_response();
    };
    let tag = tag(&bytes);
    // Hexadecimal in quotes is always a header's text.
    if let Ok(value) = HeaderValue::from_str(&tag) {
        head.headers.insert(header::ETAG, value);
    }
    head.headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    if asked.is_some_and(|asked| matches(&asked, &tag)) {
        head.status = StatusCode::NOT_MODIFIED;
        head.headers.remove(header::CONTENT_TYPE);
        head.headers.remove(header::CONTENT_LENGTH);
        return Response::from_parts(head, Body::empty());
    }
    Response::from_parts(head, Body::from(bytes))
}

/// The tag of a body.
pub fn tag(body: &[u8]) -> String {
    format!("\"{}\"", Hash(Sha256::digest(body).into()))
}

/// What an act is meant for: the header If-Match.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum IfMatch {
    /// Not said: whatever is there.
    Absent,
    /// Anything that is there.
    Any,
    /// What has one of these tags, quotes included. Weak ones match nothing, as the comparison is strong.
    Tags(Vec<String>),
}

impl<S: Send + Sync> FromRequestParts<S> for IfMatch {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        let mut lines = parts.headers.get_all(header::IF_MATCH).iter().peekable();
        if lines.peek().is_none() {
            return Ok(IfMatch::Absent);
        }
        let tags = lines.filter_map(|line| line.to_str().ok()).flat_map(|line| line.split(','));
        let tags: Vec<String> = tags.map(|tag| tag.trim().to_owned()).collect();
        Ok(if tags == ["*"] { IfMatch::Any } else { IfMatch::Tags(tags) })
    }
}

/// Weak comparison, as If-None-Match asks for.
fn matches(asked: &HeaderValue, tag: &str) -> bool {
    let Ok(asked) = asked.to_str() else { return false };
    asked.split(',').map(str::trim).any(|one| one == "*" || one.trim_start_matches("W/") == tag)
}
