//! Every route of a document, asked by everybody: what the guard lets through is exactly what the document says.

use std::fmt::Write as _;
use std::sync::Arc;

use axum::Router;
use axum::body::Body;
use axum::http::{HeaderValue, Method, Request, StatusCode, header};
use axum::middleware::map_response;
use axum::response::Response;
use http_body_util::BodyExt;
use tempfile::TempDir;
use tower::ServiceExt;
use utoipa::openapi::OpenApi;

use super::Guard;
use super::acts::Acts;
use super::door::Door;
use super::rules::{Need, Rules, need_of, operations};
use crate::access::accounts::{ApiToken, User};
use crate::access::password::PasswordHash;
use crate::access::role::{Permission, Role};
use crate::access::secret::Secret;
use crate::access::store::{self, StoreError};
use crate::clock::Clock;
use crate::config::web_model::{AccessConfig, HttpLimits};
use crate::faces::api::problem::CONTENT_TYPE;
use crate::faces::server::Peer;
use crate::reading::UnixMs;

/// The password of every user here.
pub(crate) const PASSWORD: &str = "wet well float switch";

/// A users file with a user and a token of each role, named like it, and an expired token.
pub(crate) struct Staff {
    /// Keeps the folder until the end.
    _folder: TempDir,
    pub(crate) config: AccessConfig,
    /// Of each role in the order of `Role::ALL`; then the expired one, an engineer's.
    pub(crate) tokens: Vec<Secret>,
}

impl Staff {
    pub(crate) fn hire() -> Staff {
        let folder = tempfile::tempdir().unwrap();
        let config = AccessConfig {
            users: folder.path().join("users.toml"),
            session_idle: std::time::Duration::from_mins(10),
            session_longest: std::time::Duration::from_mins(100),
        };
        let password = PasswordHash::of(&Secret::new(PASSWORD.to_owned())).unwrap();
        let tokens = store::change(&config.users, true, |accounts| {
            let mut secrets = Vec::new();
            for role in Role::ALL {
                accounts.users.push(User { name: role.to_string(), role, password: password.clone() });
                let (token, secret) = ApiToken::make(role.to_string(), role, None)?;
                accounts.tokens.push(token);
                secrets.push(secret);
            }
            let (token, secret) = ApiToken::make("expired".into(), Role::Engineer, Some(UnixMs(1_000_000)))?;
            accounts.tokens.push(token);
            secrets.push(secret);
            Ok::<_, StoreError>(secrets)
        });
        Staff { _folder: folder, config, tokens: tokens.unwrap() }
    }

    /// The token of a role.
    pub(crate) fn token(&self, role: Role) -> &Secret {
        let place = Role::ALL.into_iter().position(|known| known == role).unwrap();
        &self.tokens[place]
    }

    pub(crate) async fn door(&self) -> Arc<Door> {
        Arc::new(Door::open(&self.config, Acts::new(None, Clock::system())).await.unwrap())
    }
}

/// Requests for each operation: one of each asker, and one where there are no users.
pub(crate) const ASKED_OF_EACH: usize = 4 + 4 * Role::ALL.len() + 1;

/// Who asks.
#[derive(Debug, Clone, Copy)]
enum Asker {
    Nobody,
    Session(Role),
    SessionWithoutCsrf(Role),
    SessionWithWrongCsrf(Role),
    EndedSession,
    Token(Role),
    ExpiredToken,
    UnknownToken,
}

/// What is to come of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    /// The handler ran, whatever it answered.
    Ran,
    Refused(StatusCode),
}

fn expected(asker: Asker, need: Need, method: &Method) -> Outcome {
    let Need::Permission(needed) = need else { return Outcome::Ran };
    let by_role = |role: Role| if role.may(needed) { Outcome::Ran } else { Outcome::Refused(StatusCode::FORBIDDEN) };
    match asker {
        Asker::Nobody | Asker::EndedSession | Asker::ExpiredToken | Asker::UnknownToken => {
            Outcome::Refused(StatusCode::UNAUTHORIZED)
        }
        Asker::Session(role) | Asker::Token(role) => by_role(role),
        Asker::SessionWithoutCsrf(role) | Asker::SessionWithWrongCsrf(role) => {
            if method == Method::GET {
                by_role(role)
            } else {
                Outcome::Refused(StatusCode::FORBIDDEN)
            }
        }
    }
}

fn request(method: &Method, path: &str) -> Request<Body> {
    // Any value for a part of a path: whether there is such a thing is for the handler to say.
    let path: Vec<&str> = path.split('/').map(|part| if part.starts_with('{') { "x" } else { part }).collect();
    let request =
        Request::builder().method(method).uri(path.join("/")).header(header::CONTENT_TYPE, "application/json");
    let mut request = request.body(Body::from("{}")).unwrap();
    request.extensions_mut().insert(Peer("127.0.0.1:5000".parse().unwrap()));
    request
}

fn put(request: &mut Request<Body>, name: &'static str, value: &str) {
    request.headers_mut().insert(name, HeaderValue::from_str(value).unwrap());
}

fn asked_by(asker: Asker, request: &mut Request<Body>, staff: &Staff, door: &Door) {
    let session = |request: &mut Request<Body>, role: Role| {
        let (id, session) = door.admit(role.key());
        put(request, "cookie", &format!("wattassay={}", id.reveal()));
        session.csrf().reveal().to_owned()
    };
    let bearer = |secret: &str| format!("Bearer {secret}");
    match asker {
        Asker::Nobody => {}
        Asker::Session(role) => {
            let csrf = session(request, role);
            put(request, "x-csrf-token", &csrf);
        }
        Asker::SessionWithoutCsrf(role) => drop(session(request, role)),
        Asker::SessionWithWrongCsrf(role) => {
            let csrf = session(request, role);
            // Of another session of the same user.
            let other = door.admit(role.key()).1.csrf().reveal().to_owned();
            assert_ne!(csrf, other);
            put(request, "x-csrf-token", &other);
        }
        Asker::EndedSession => put(request, "cookie", &format!("wattassay={}", "0".repeat(64))),
        Asker::Token(role) => {
            put(request, "authorization", &bearer(staff.token(role).reveal()));
        }
        Asker::ExpiredToken => put(request, "authorization", &bearer(staff.tokens[Role::ALL.len()].reveal())),
        Asker::UnknownToken => put(request, "authorization", &bearer(&format!("wat_{}", "0".repeat(64)))),
    }
}

async fn mark(mut response: Response) -> Response {
    response.headers_mut().insert("x-ran", HeaderValue::from_static("yes"));
    response
}

async fn outcome(routes: &Router, request: Request<Body>) -> (Outcome, String) {
    let response = routes.clone().oneshot(request).await.unwrap();
    for name in ["content-security-policy", "x-content-type-options", "referrer-policy", "cache-control"] {
        assert!(response.headers().contains_key(name), "an answer without {name}");
    }
    if response.headers().contains_key("x-ran") {
        // An event stream has no end; that it ran is enough.
        return (Outcome::Ran, String::new());
    }
    let status = response.status();
    assert_eq!(response.headers()[header::CONTENT_TYPE], CONTENT_TYPE);
    assert_eq!(response.headers().contains_key(header::WWW_AUTHENTICATE), status == StatusCode::UNAUTHORIZED);
    let body = response.into_body().collect().await.unwrap().to_bytes();
    (Outcome::Refused(status), String::from_utf8(body.to_vec()).unwrap())
}

/// Asks every route of a document as everybody, with users and without; panics with a list of what came out otherwise than the
/// document says. `routes` are what the document describes.
pub(crate) async fn walk(document: &OpenApi, routes: impl Fn(Guard) -> Router) -> usize {
    let staff = Staff::hire();
    let door = staff.door().await;
    let rules = Rules::of(document);
    let guarded = |door: Option<Arc<Door>>| {
        let guard = Guard::new(rules.clone(), door, Acts::new(None, Clock::system()), false);
        guard.around(routes(guard.clone()).layer(map_response(mark)), &HttpLimits::default())
    };
    let (with_users, without) = (guarded(Some(Arc::clone(&door))), guarded(None));
    let mut askers = vec![Asker::Nobody, Asker::EndedSession, Asker::ExpiredToken, Asker::UnknownToken];
    for role in Role::ALL {
        askers.extend([Asker::Session(role), Asker::SessionWithoutCsrf(role), Asker::Token(role)]);
        askers.push(Asker::SessionWithWrongCsrf(role));
    }
    let mut wrong = String::new();
    let mut asked = 0;
    for (path, method, operation) in operations(document) {
        let Some(need) = need_of(operation) else {
            let _ = writeln!(wrong, "{method} {path}: no x-permission");
            continue;
        };
        for asker in &askers {
            let mut request = request(&method, path);
            asked_by(*asker, &mut request, &staff, &door);
            let (found, body) = outcome(&with_users, request).await;
            let wanted = expected(*asker, need, &method);
            asked += 1;
            if found != wanted {
                let _ = writeln!(wrong, "{method} {path} by {asker:?}: {found:?} and not {wanted:?}; {body}");
            }
        }
        let (found, body) = outcome(&without, request(&method, path)).await;
        let open = need == Need::Open || (need == Need::Permission(Permission::View) && method == Method::GET);
        let wanted = if open { Outcome::Ran } else { Outcome::Refused(StatusCode::FORBIDDEN) };
        asked += 1;
        if found != wanted || (!open && !body.contains("wattassay users add")) {
            let _ = writeln!(wrong, "{method} {path} without users: {found:?} and not {wanted:?}; {body}");
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
    asked
}
