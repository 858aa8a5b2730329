//! Webhook: one signed POST a message, on a connection of its own. Redirects are not followed: a signed message goes where the
//! configuration says, and nowhere else. Must never log an address beyond host and port: the path may hold a token.

use std::fmt::Write as _;
use std::time::Duration;

use hmac::{Hmac, Mac};
use hyper::header::{CONTENT_TYPE, HOST, RETRY_AFTER, USER_AGENT};
use hyper::{Request, StatusCode};
use hyper_util::rt::TokioIo;
use jiff::Timestamp;
use sha2::Sha256;
use tokio::io::{AsyncRead, AsyncWrite};

use super::{Failure, secret, tls, webhook_body};
use crate::notify::outbox_file::Waiting;
use crate::notify::settings::{Target, Webhook};

/// Header of the signature.
pub const SIGNATURE: &str = "Wattassay-Signature";
/// Header of the id by which repetitions are told.
pub const DELIVERY: &str = "Wattassay-Delivery";
/// A target may ask for a longer rest; a day on it is tried all the same.
const REST_MAX: Duration = Duration::from_hours(24);

/// `t=<seconds>,v1=<hex>`: HMAC-SHA256 (RFC 2104) of `<seconds>.<body>` with the secret.
pub fn signature(secret: &str, unix_s: i64, body: &str) -> String {
    let mut signature = format!("t={unix_s},v1=");
    // A key of any length is one for HMAC.
    if let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(secret.as_bytes()) {
        mac.update(format!("{unix_s}.{body}").as_bytes());
        for byte in mac.finalize().into_bytes() {
            let _ = write!(signature, "{byte:02x}");
        }
    }
    signature
}

pub(super) async fn deliver(webhook: &Webhook, target: &Target, waiting: &Waiting) -> Result<String, Failure> {
    let body = webhook_body::body(&target.name, waiting);
    let secret = secret(&webhook.secret_file).await?;
    let url = &webhook.url;
    let host = url.host().unwrap_or_default();
    let path = url.path_and_query().map_or("/", |path| path.as_str());
    let request = Request::post(path)
        .header(HOST, url.authority().map_or(host, |authority| authority.as_str()))
        .header(USER_AGENT, concat!("wattassay/", env!("CARGO_PKG_VERSION")))
        .header(CONTENT_TYPE, "application/json")
        .header(DELIVERY, &waiting.id)
        .header(SIGNATURE, signature(&secret, Timestamp::now().as_second(), &body))
        .body(body)
        .map_err(|error| Failure::unreachable(format!("cannot ask: {error}")))?;
    if url.scheme_str() == Some("https") {
        let port = url.port_u16().unwrap_or(443);
        post(tls::connect_tls(host, port, webhook.ca_file.as_deref()).await?, request).await
    } else {
        post(tls::connect(host, url.port_u16().unwrap_or(80)).await?, request).await
    }
}

async fn post<S>(stream: S, request: Request<String>) -> Result<String, Failure>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let lost = |error: hyper::Error| Failure::unreachable(format!("the connection failed: {error}"));
    let (mut sender, connection) = hyper::client::conn::http1::handshake(TokioIo::new(stream)).await.map_err(lost)?;
    let exchange = sender.send_request(request);
    tokio::pin!(connection, exchange);
    // The connection is driven here and dropped with the answer's head: the body of an answer is of no interest.
    let response = tokio::select! {
        response = &mut exchange => response,
        ended = &mut connection => match ended {
            Ok(()) => exchange.await,
            Err(error) => Err(error),
        },
    };
    let response = response.map_err(lost)?;
    let retry_after =
        response.headers().get(RETRY_AFTER).and_then(|value| rest(value.to_str().ok()?, Timestamp::now()));
    judge(response.status(), retry_after)
}

/// What an answer means.
fn judge(status: StatusCode, retry_after: Option<Duration>) -> Result<String, Failure> {
    let why = format!("answered {status}");
    match status.as_u16() {
        200..=299 => Ok(why),
        300..=399 => Err(Failure::Never(format!("{why}: redirects are not followed, give the final address"))),
        408 | 429 => Err(Failure::Unreachable { why, retry_after }),
        400..=499 => Err(Failure::Never(why)),
        _ if retry_after.is_some() => Err(Failure::Unreachable { why, retry_after }),
        _ => Err(Failure::NotNow(why)),
    }
}

/// Retry-After: seconds, or a date (RFC 9110, 10.2.3).
fn rest(value: &str, now: Timestamp) -> Option<Duration> {
    let seconds = value.trim().parse::<u64>().ok().or_else(|| {
        let until = jiff::fmt::rfc2822::DateTimeParser::new().parse_timestamp(value.trim()).ok()?;
        u64::try_from(until.as_second() - now.as_second()).ok()
    })?;
    Some(Duration::from_secs(seconds).min(REST_MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4231, test case 2, has the key "Jefe"; what is signed here has a time before it, so the value was made with
    /// `printf '5.what do ya want for nothing?' | openssl dgst -sha256 -hmac Jefe`.
    #[test]
    fn signs_time_and_body() {
        assert_eq!(
            signature("Jefe", 5, "what do ya want for nothing?"),
            "t=5,v1=da64fe9169c3da540d53d6c26071fda4fb814ff6cb086bb8462fc941dc745fcd"
        );
    }

    #[test]
    fn only_success_is_success_and_only_what_may_mend_is_tried_again() {
        let judged = |status: u16| judge(StatusCode::from_u16(status).unwrap(), None);
        for status in [200, 202, 204] {
            assert!(judged(status).is_ok(), "{status}");
        }
        for status in [301, 307, 400, 401, 404, 410, 422] {
            assert!(matches!(judged(status), Err(Failure::Never(_))), "{status}");
        }
        for status in [408, 429] {
            assert!(matches!(judged(status), Err(Failure::Unreachable { .. })), "{status}");
        }
        for status in [500, 502, 503] {
            assert!(matches!(judged(status), Err(Failure::NotNow(_))), "{status}");
        }
    }

    #[test]
    fn a_rest_is_given_in_seconds_or_as_a_date() {
        let now: Timestamp = "2026-11-25T08:00:00Z".parse().unwrap();
        let seconds = |value| rest(value, now).map(|rest| rest.as_secs());
        assert_eq!(seconds("120"), Some(120));
        assert_eq!(seconds("Wed, 25 Nov 2026 08:01:30 GMT"), Some(90));
        assert_eq!(seconds("999999999"), Some(86_400));
        assert_eq!(seconds("Wed, 25 Nov 2026 07:00:00 GMT"), None);
        assert_eq!(seconds("soon"), None);
    }
}
