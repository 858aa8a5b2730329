//! What one request may take: the length of its body, and the time until its answer begins.
//!
//! Must never cut an answer that has begun: an event stream goes on for as long as its client listens.

use axum::extract::{Request, State};
use axum::http::{HeaderValue, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::config::web_model::HttpLimits;
use crate::faces::api::problem::Problem;

/// Lets a request through that keeps within its limits.
pub async fn within(State(limits): State<HttpLimits>, request: Request, next: Next) -> Response {
    // A body without a length is cut off where it becomes too long, by the extractors' own limit.
    let length = request.headers().get(header::CONTENT_LENGTH).and_then(|value| value.to_str().ok());
    if length.and_then(|length| length.parse::<u64>().ok()).is_some_and(|length| length > limits.body_bytes as u64) {
        let detail = format!("the body of a request has at most {} bytes", limits.body_bytes);
        // The body is not read, so the connection cannot be used again.
        return Problem::too_long(detail).with(header::CONNECTION, HeaderValue::from_static("close")).into_response();
    }
    let answer = tokio::time::timeout(limits.request_timeout, next.run(request)).await;
    answer.unwrap_or_else(|_| {
        let detail = format!("no answer within {} s; try again", limits.request_timeout.as_secs());
        Problem::unavailable(detail).into_response()
    })
}
