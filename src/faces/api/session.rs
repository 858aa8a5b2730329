//! Log in, who am I, log out: `/api/v1/session`.
//!
//! Must never log or journal what was typed, unless it is the name of a user that exists.

use axum::body::Bytes;
use axum::extract::{Extension, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Json, Router};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{OpenApi, ToSchema};

use super::problem::Problem;
use crate::access::gate::LoggedIn;
use crate::access::role::Principal;
use crate::access::secret::Secret;
use crate::access::sessions::{Session, SessionTimes};
use crate::faces::guard::Guard;
use crate::faces::guard::check::HOW_TO_CONFIGURE;
use crate::faces::guard::credentials;
use crate::faces::guard::door::{NotTried, Standing};
use crate::faces::server::Peer;
use crate::journal::Kind;

/// The part of the API's document that is about sessions.
#[derive(OpenApi)]
#[openapi(paths(log_in, who_am_i, log_out), components(schemas(LogIn, SessionJson, Problem)))]
pub struct SessionDocument;

/// The routes.
pub fn routes(guard: Guard) -> Router {
    Router::new().route("/api/v1/session", get(who_am_i).post(log_in).delete(log_out)).with_state(guard)
}

/// Name and password. Has no `Debug`, so that it cannot be logged by accident.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct LogIn {
    /// Name of the user
    name: String,
    /// Password
    password: String,
}

/// Who is asking.
#[derive(Serialize, ToSchema)]
struct SessionJson {
    /// Name, as the journal gives it; a token's begins with "token "
    name: String,
    /// What they may do: view, field, operate or engineer
    role: &'static str,
    /// To be sent as X-CSRF-Token with everything that changes something; none for a token, which needs none
    csrf_token: Option<String>,
    /// A session unused for this long ends, s; none for a token
    idle_s: Option<u64>,
    /// A session ends this long after log-in in any case, s; none for a token
    longest_s: Option<u64>,
}

impl SessionJson {
    fn of(principal: &Principal, session: Option<(&Session, SessionTimes)>) -> SessionJson {
        SessionJson {
            name: principal.name.clone(),
            role: principal.role.key(),
            csrf_token: session.map(|(session, _)| session.csrf().reveal().to_owned()),
            idle_s: session.map(|(_, times)| times.idle_ms / 1000),
            longest_s: session.map(|(_, times)| times.longest_ms / 1000),
        }
    }
}

/// Log in
///
/// Begins a session and gives its cookie. Repeated failures must wait: Retry-After says how long.
#[utoipa::path(
    post, path = "/api/v1/session", tag = "session", request_body = LogIn,
    responses(
        (status = 200, body = SessionJson), (status = 400, body = Problem, content_type = "application/problem+json"),
        (status = 401, body = Problem, content_type = "application/problem+json"),
        (status = 403, body = Problem, content_type = "application/problem+json"),
        (status = 429, body = Problem, content_type = "application/problem+json")
    ),
    extensions(("x-permission" = json!("none")))
)]
async fn log_in(State(guard): State<Guard>, peer: Extension<Peer>, headers: HeaderMap, body: Bytes) -> Response {
    match try_log_in(&guard, &peer, &headers, &body).await {
        Ok(response) => response,
        Err(problem) => problem.into_response(),
    }
}

async fn try_log_in(guard: &Guard, peer: &Peer, headers: &HeaderMap, body: &Bytes) -> Result<Response, Problem> {
    let Some(door) = guard.door() else {
        return Err(Problem::forbidden("no-access-configured", HOW_TO_CONFIGURE));
    };
    // A form on another site cannot send this type.
    let is_json = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).is_some_and(|kind| {
        kind.split(';').next().is_some_and(|kind| kind.trim().eq_ignore_ascii_case("application/json"))
    });
    // What is wrong with the body is not repeated: it holds a password.
    let LogIn { name, password } = serde_json::from_slice(body).ok().filter(|_| is_json).ok_or_else(|| {
        let detail = "send name and password as application/json, two texts and nothing else";
        Problem::bad_request(detail)
    })?;
    let address = peer.0.ip();
    let outcome = door.log_in(&name, Secret::new(password), address).await.map_err(|why| not_tried(&why))?;
    let from = json!({ "address": address.to_string() });
    let acts = guard.acts();
    match outcome {
        LoggedIn::Yes { id, session } => {
            // The browser's session from before has no use any more.
            if let Some(old) = credentials::session(headers, guard.is_secure())
                && let Some((credential, _)) = door.session(&old).await
            {
                door.log_out(&credential);
            }
            let principal = session.user().principal();
            acts.note(acts.of(&principal, format!("{} logged in from {address}", principal.name)).with(&from)).await;
            let view = SessionJson::of(&principal, Some((&session, door.times())));
            Ok(with_cookie(Json(view).into_response(), credentials::cookie(&id, guard.is_secure())))
        }
        LoggedIn::WrongPassword(name) => {
            let text = format!("Failed log-in of {name} from {address}: wrong password");
            acts.note(acts.unnamed(Kind::OperatorAction, text).with(&from)).await;
            Err(refused())
        }
        LoggedIn::NoSuchUser => {
            let text = format!("Failed log-in from {address}: no such user");
            acts.note(acts.unnamed(Kind::OperatorAction, text).with(&from)).await;
            Err(refused())
        }
    }
}

/// The same words whether it was the name or the password.
fn refused() -> Problem {
    Problem::unauthorized("log-in-refused", "name or password is wrong")
}

fn not_tried(why: &NotTried) -> Problem {
    match why {
        NotTried::Wait(seconds) => Problem::wait(*seconds),
        NotTried::NoRandomness(error) => Problem::internal("the session", error),
        NotTried::Stopped => Problem::unavailable("the daemon is stopping"),
    }
}

/// Who am I
///
/// Name and role of whoever is asking and, for a session, the token against forged requests.
#[utoipa::path(
    get, path = "/api/v1/session", tag = "session",
    responses(
        (status = 200, body = SessionJson), (status = 401, body = Problem, content_type = "application/problem+json"),
        (status = 404, body = Problem, content_type = "application/problem+json")
    ),
    extensions(("x-permission" = json!("view")))
)]
async fn who_am_i(
    State(guard): State<Guard>,
    principal: Option<Extension<Principal>>,
    headers: HeaderMap,
) -> Result<Json<SessionJson>, Problem> {
    let (Some(Extension(principal)), Some(door)) = (principal, guard.door()) else {
        // Only where reading is open to everybody.
        return Err(Problem::not_found(HOW_TO_CONFIGURE));
    };
    // A token may come with a browser's cookies; it is the token that was meant.
    let session = match credentials::brought(&headers, guard.is_secure()) {
        credentials::Brought::Session(id) => door.session(&id).await.map(|(_, session)| session),
        _ => None,
    };
    Ok(Json(SessionJson::of(&principal, session.as_ref().map(|session| (session, door.times())))))
}

/// Log out
///
/// Ends the session and takes its cookie away. A token is not ended by this.
#[utoipa::path(
    delete, path = "/api/v1/session", tag = "session",
    responses(
        (status = 204), (status = 401, body = Problem, content_type = "application/problem+json"),
        (status = 403, body = Problem, content_type = "application/problem+json"),
        (status = 409, body = Problem, content_type = "application/problem+json")
    ),
    extensions(("x-permission" = json!("view")))
)]
async fn log_out(
    State(guard): State<Guard>,
    Extension(principal): Extension<Principal>,
    Extension(standing): Extension<Standing>,
) -> Result<Response, Problem> {
    if !standing.is_session() {
        let detail = "a token has no session; remove it with \"wattassay users token remove\"";
        return Err(Problem::conflict(detail));
    }
    standing.end();
    let acts = guard.acts();
    acts.note(acts.of(&principal, format!("{} logged out", principal.name))).await;
    Ok(with_cookie(StatusCode::NO_CONTENT.into_response(), credentials::no_cookie(guard.is_secure())))
}

fn with_cookie(mut response: Response, cookie: Option<HeaderValue>) -> Response {
    if let Some(cookie) = cookie {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    response
}
