//! What a request brings to be known by: a session's cookie, or a token.
//!
//! Must never log what it finds.

use axum::http::{HeaderMap, HeaderValue, header};

use crate::access::secret::Secret;

/// The header that comes with every request of a session that changes something.
pub const CSRF_HEADER: &str = "x-csrf-token";

const COOKIE: &str = "wattassay";
/// The prefix makes browsers refuse such a cookie without `Secure`, or from a neighbouring host (RFC 6265bis, 4.1.3.2).
const SECURE_COOKIE: &str = "__Host-wattassay";
/// Cookies that are looked at; a browser sends one of ours.
const MOST_COOKIES: usize = 64;

/// What came with a request.
#[derive(Debug)]
pub enum Brought {
    /// Nothing.
    Nothing,
    /// The id of a session.
    Session(Secret),
    /// A token.
    Token(Secret),
    /// An `Authorization` that is not understood.
    Unknown,
}

/// Reads the headers. Whoever sends `Authorization` means that, whatever cookies come with it.
pub fn brought(headers: &HeaderMap, is_secure: bool) -> Brought {
    let mut authorizations = headers.get_all(header::AUTHORIZATION).iter();
    match (authorizations.next(), authorizations.next()) {
        (None, _) => session(headers, is_secure).map_or(Brought::Nothing, Brought::Session),
        (Some(value), None) => bearer(value).map_or(Brought::Unknown, Brought::Token),
        (Some(_), Some(_)) => Brought::Unknown,
    }
}

/// The session id in the cookies, if one is there.
pub fn session(headers: &HeaderMap, is_secure: bool) -> Option<Secret> {
    let name = if is_secure { SECURE_COOKIE } else { COOKIE };
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .take(MOST_COOKIES)
        .filter_map(|cookie| cookie.trim().split_once('='))
        .find(|(found, id)| *found == name && !id.is_empty())
        .map(|(_, id)| Secret::new(id.to_owned()))
}

/// RFC 6750, 2.1; the scheme in any case of letters (RFC 9110, 11.1).
fn bearer(value: &HeaderValue) -> Option<Secret> {
    let (scheme, token) = value.to_str().ok()?.split_once(' ')?;
    let token = token.trim();
    let is_one = !token.is_empty() && !token.contains(char::is_whitespace);
    (scheme.eq_ignore_ascii_case("bearer") && is_one).then(|| Secret::new(token.to_owned()))
}

/// The cookie that begins a session in a browser. Without an age it ends with the browser.
pub fn cookie(id: &Secret, is_secure: bool) -> Option<HeaderValue> {
    set_cookie(id.reveal(), is_secure, "")
}

/// The cookie that takes it away again.
pub fn no_cookie(is_secure: bool) -> Option<HeaderValue> {
    set_cookie("", is_secure, "; Max-Age=0")
}

fn set_cookie(id: &str, is_secure: bool, age: &str) -> Option<HeaderValue> {
    let (name, secure) = if is_secure { (SECURE_COOKIE, "; Secure") } else { (COOKIE, "") };
    let text = format!("{name}={id}; Path=/; HttpOnly; SameSite=Strict{secure}{age}");
    let mut value = HeaderValue::try_from(text).ok()?;
    value.set_sensitive(true);
    Some(value)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn with(all: &[(header::HeaderName, &str)]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for (name, value) in all {
            headers.append(name, HeaderValue::from_str(value).unwrap());
        }
        headers
    }

    fn shown(all: &[(header::HeaderName, &str)], is_secure: bool) -> String {
        match brought(&with(all), is_secure) {
            Brought::Nothing => "nothing".to_owned(),
            Brought::Session(id) => format!("session {}", id.reveal()),
            Brought::Token(token) => format!("token {}", token.reveal()),
            Brought::Unknown => "unknown".to_owned(),
        }
    }

    #[test]
    fn cookies_and_tokens_are_found() {
        use header::{AUTHORIZATION, COOKIE};
        assert_eq!(shown(&[], false), "nothing");
        assert_eq!(shown(&[(COOKIE, "a=b; wattassay=12ab; c=d")], false), "session 12ab");
        assert_eq!(shown(&[(COOKIE, "a=b"), (COOKIE, "wattassay=12ab")], false), "session 12ab");
        assert_eq!(shown(&[(COOKIE, "wattassay=12ab")], true), "nothing", "under TLS only the guarded name counts");
        assert_eq!(shown(&[(COOKIE, "__Host-wattassay=12ab")], true), "session 12ab");
        assert_eq!(shown(&[(COOKIE, "wattassay=")], false), "nothing");
        assert_eq!(shown(&[(AUTHORIZATION, "bearer wat_1"), (COOKIE, "wattassay=12ab")], false), "token wat_1");
        for odd in ["Basic QTpi", "Bearer", "Bearer ", "Bearer a b", "wat_1"] {
            assert_eq!(shown(&[(AUTHORIZATION, odd), (COOKIE, "wattassay=12ab")], false), "unknown", "{odd}");
        }
        assert_eq!(shown(&[(AUTHORIZATION, "Bearer a"), (AUTHORIZATION, "Bearer b")], false), "unknown");
    }

    #[test]
    fn the_cookie_is_kept_from_scripts_other_sites_and_plain_lines() {
        let id = Secret::new("12ab".to_owned());
        let text = |value: Option<HeaderValue>| value.unwrap().to_str().unwrap().to_owned();
        assert_eq!(text(cookie(&id, false)), "wattassay=12ab; Path=/; HttpOnly; SameSite=Strict");
        assert_eq!(text(cookie(&id, true)), "__Host-wattassay=12ab; Path=/; HttpOnly; SameSite=Strict; Secure");
        assert_eq!(text(no_cookie(false)), "wattassay=; Path=/; HttpOnly; SameSite=Strict; Max-Age=0");
        assert!(cookie(&id, true).unwrap().is_sensitive());
    }

    proptest! {
        #[test]
        fn any_header_is_read_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..200), secure: bool) {
            if let Ok(value) = HeaderValue::from_bytes(&bytes) {
                let mut headers = HeaderMap::new();
                headers.insert(header::COOKIE, value.clone());
                prop_assert!(!matches!(brought(&headers, secure), Brought::Token(_) | Brought::Unknown));
                headers.insert(header::AUTHORIZATION, value);
                prop_assert!(!matches!(brought(&headers, secure), Brought::Nothing | Brought::Session(_)));
            }
        }

        #[test]
        fn an_id_is_found_among_any_cookies(id in "[0-9a-f]{64}", before in "([a-z]{1,9}=[a-z]{0,9}; ){0,9}") {
            let headers = with(&[(header::COOKIE, &format!("{before}wattassay={id}"))]);
            prop_assume!(!before.contains("wattassay="));
            let found = session(&headers, false);
            prop_assert_eq!(found.as_ref().map(Secret::reveal), Some(id.as_str()));
        }
    }
}
