//! The judgement on one request: known or not, allowed or not, meant or not.
//!
//! Must never run a handler before all three are settled.

use std::sync::Arc;

use axum::extract::{MatchedPath, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::Guard;
use super::credentials::{self, Brought, CSRF_HEADER};
use super::door::{Door, Standing};
use super::rules::{Need, Ruling};
use crate::access::gate::{Credential, TokenRefused};
use crate::access::role::{Permission, Principal, Role};
use crate::access::secret::Secret;
use crate::faces::api::problem::Problem;

/// What to do where nobody can log in, in words.
pub const HOW_TO_CONFIGURE: &str = "no users are configured, so nobody may change anything: add [access] and \
                                    users = \"users.toml\" to the configuration, make a user with \
                                    \"wattassay users add\", and restart";

/// Somebody who was known.
struct Known {
    principal: Principal,
    credential: Credential,
    /// Of a session.
    csrf: Option<Secret>,
}

/// Lets a request through, with a [`Principal`] and a [`Standing`] among its extensions when somebody is known; else a problem.
pub async fn check(State(guard): State<Guard>, request: Request, next: Next) -> Response {
    let (mut head, body) = request.into_parts();
    match judge(&guard, &head).await {
        Err(problem) => problem.into_response(),
        Ok(known) => {
            if let (Some(known), Some(door)) = (known, guard.door()) {
                let standing = Standing::new(Arc::clone(door), known.credential, known.principal.clone());
                head.extensions.insert(standing);
                head.extensions.insert(known.principal);
            }
            next.run(Request::from_parts(head, body)).await
        }
    }
}

async fn judge(guard: &Guard, head: &Parts) -> Result<Option<Known>, Problem> {
    let method = &head.method;
    let path = head.extensions.get::<MatchedPath>();
    let path = path.ok_or_else(|| Problem::not_found("nothing here; see /"))?.as_str();
    let need = match guard.0.rules.ruling(method, path) {
        Ruling::Needs(need) => need,
        Ruling::OtherMethods(methods) => return Err(other_methods(&methods)),
        Ruling::NoRule => {
            tracing::error!("{method} {path} is served and has no rule; it is refused to everybody");
            return Err(Problem::forbidden("no-rule", "it is not said who may do this, so nobody may"));
        }
    };
    if is_unsafe(method) && from_elsewhere(&head.headers) {
        return Err(Problem::forbidden("other-site", "a page of another site asked for this"));
    }
    let Some(door) = guard.door() else {
        return match need {
            Need::Open => Ok(None),
            Need::Permission(Permission::View) if !is_unsafe(method) => Ok(None),
            Need::Permission(_) => Err(Problem::forbidden("no-access-configured", HOW_TO_CONFIGURE)),
        };
    };
    let known = identify(guard, door, &head.headers).await;
    match need {
        // Whoever cannot be known here may be on the way to log in.
        Need::Open => Ok(known.unwrap_or_default()),
        Need::Permission(permission) => {
            let known = known?.ok_or_else(Problem::who_are_you)?;
            let Principal { name, role } = &known.principal;
            if !role.may(permission) {
                let have: Vec<&str> = Role::ALL.into_iter().filter(|r| r.may(permission)).map(Role::key).collect();
                let detail = format!("this needs the role {}; {name} has {role}", have.join(" or "));
                return Err(Problem::forbidden("role", detail));
            }
            if let Some(csrf) = &known.csrf
                && is_unsafe(method)
                && !head.headers.get(CSRF_HEADER).is_some_and(|sent| sent.to_str().is_ok_and(|sent| csrf.is(sent)))
            {
                let detail = "send the session's csrf_token in the header X-CSRF-Token; GET /api/v1/session tells it";
                return Err(Problem::forbidden("csrf", detail));
            }
            Ok(Some(known))
        }
    }
}

/// Who brought what; none for nobody.
async fn identify(guard: &Guard, door: &Door, headers: &HeaderMap) -> Result<Option<Known>, Problem> {
    match credentials::brought(headers, guard.is_secure()) {
        Brought::Nothing => Ok(None),
        Brought::Unknown => {
            Err(Problem::unauthorized("authorization", "Authorization is understood as Bearer and a token, once"))
        }
        Brought::Session(id) => match door.session(&id).await {
            Some((credential, session)) => Ok(Some(Known {
                principal: session.user().principal(),
                credential,
                csrf: Some(session.csrf().clone()),
            })),
            None => Err(Problem::unauthorized("session-ended", "the session has ended; log in again")),
        },
        Brought::Token(token) => match door.token(&token).await {
            Ok((credential, principal)) => Ok(Some(Known { principal, credential, csrf: None })),
            Err(TokenRefused::Expired(name)) => {
                Err(Problem::unauthorized("token-expired", format!("token {name} has expired; have a new one made")))
            }
            Err(TokenRefused::Unknown) => Err(Problem::unauthorized("token-unknown", "this token is not known")),
        },
    }
}

fn is_unsafe(method: &Method) -> bool {
    !matches!(*method, Method::GET | Method::HEAD)
}

/// What a browser says of where a request comes from (Fetch Metadata, W3C); programs say nothing.
fn from_elsewhere(headers: &HeaderMap) -> bool {
    headers.get("sec-fetch-site").is_some_and(|site| site != "same-origin" && site != "none")
}

fn other_methods(methods: &[Method]) -> Problem {
    let allowed = methods.iter().map(Method::as_str).collect::<Vec<_>>().join(", ");
    match HeaderValue::try_from(allowed) {
        Ok(allowed) => Problem::wrong_method().with(header::ALLOW, allowed),
        Err(_) => Problem::wrong_method(),
    }
}
