//! Headers that every answer carries, so that a browser does no more with it than it must.
//!
//! Must never loosen what a handler has made stricter.

use axum::extract::State;
use axum::http::{HeaderMap, HeaderName, HeaderValue, header};
use axum::response::Response;

use super::Guard;

/// Everything from here, nothing framed, no plug-ins. Console pages keep scripts and styles in files of their own.
const CONTENT_SECURITY_POLICY: &str =
    "default-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'; object-src 'none'";
/// A year (RFC 6797; the length is common practice, no source).
const STRICT_TRANSPORT_SECURITY: &str = "max-age=31536000";

const ALWAYS: [(HeaderName, &str); 7] = [
    (header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("permissions-policy"), "camera=(), geolocation=(), microphone=(), payment=(), usb=()"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// Adds the headers. A cached reading would be an old reading that looks live, so nothing is stored unless a handler says so.
pub async fn strict(State(guard): State<Guard>, mut response: Response) -> Response {
    let headers = response.headers_mut();
    for (name, value) in ALWAYS {
        put(headers, name, value);
    }
    put(headers, header::CACHE_CONTROL, "no-store");
    if guard.is_secure() {
        put(headers, header::STRICT_TRANSPORT_SECURITY, STRICT_TRANSPORT_SECURITY);
    }
    response
}

fn put(headers: &mut HeaderMap, name: HeaderName, value: &'static str) {
    headers.entry(name).or_insert(HeaderValue::from_static(value));
}
