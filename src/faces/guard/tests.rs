//! The guard around real and made-up routes: every route and role, log-in and log-out, changed users, limits, headers.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::extract::Extension;
use axum::http::{HeaderValue, Method, Request, StatusCode, header};
use axum::response::Response;
use axum::routing::{get, post};
use http_body_util::BodyExt;
use serde_json::{Value, json};
use tower::ServiceExt;
use utoipa::OpenApi as _;
use utoipa::openapi::extensions::ExtensionsBuilder;
use utoipa::openapi::path::{HttpMethod, OperationBuilder, PathItemBuilder};
use utoipa::openapi::{InfoBuilder, OpenApi, OpenApiBuilder, PathsBuilder};

use super::acts::Acts;
use super::door::Standing;
use super::rules::Rules;
use super::walk::{ASKED_OF_EACH, PASSWORD, Staff, walk};
use super::*;
use crate::access::accounts::ApiToken;
use crate::access::role::{Permission, Principal, Role};
use crate::access::secret::Secret;
use crate::access::store::{self, StoreError};
use crate::access::throttle::FREE_OF_USER;
use crate::clock::Clock;
use crate::faces::api::session::{self, SessionDocument};
use crate::faces::server::Peer;
use crate::journal::Journal;
use crate::journal::file::{self, FILE_NAME};

/// What an operation may ask for.
fn words() -> Vec<&'static str> {
    [rules::OPEN].into_iter().chain(Permission::ALL.map(Permission::key)).collect()
}

/// A document with one GET and one POST of each permission, open ones too.
fn made_up_document() -> OpenApi {
    let mut paths = PathsBuilder::new();
    for word in words() {
        let operation = || {
            OperationBuilder::new().extensions(Some(ExtensionsBuilder::new().add(rules::X_PERMISSION, word).build()))
        };
        let item = PathItemBuilder::new()
            .operation(HttpMethod::Get, operation().build())
            .operation(HttpMethod::Post, operation().build())
            .operation(HttpMethod::Delete, operation().build());
        paths = paths.path(format!("/{word}/{{id}}"), item.build());
    }
    OpenApiBuilder::new().info(InfoBuilder::new().title("t").version("1").build()).paths(paths.build()).build()
}

fn made_up_routes() -> Router {
    let word = || async { "ran" };
    let mut routes = Router::new();
    for permission in words() {
        routes = routes.route(&format!("/{permission}/{{id}}"), get(word).post(word).delete(word));
    }
    routes
}

#[tokio::test]
async fn every_route_lets_in_whom_its_document_says() {
    let asked = walk(&made_up_document(), |_| made_up_routes()).await;
    assert_eq!(asked, words().len() * 3 * ASKED_OF_EACH);
}

#[tokio::test]
async fn every_route_of_sessions_lets_in_whom_its_document_says() {
    let asked = walk(&SessionDocument::openapi(), session::routes).await;
    assert_eq!(asked, 3 * ASKED_OF_EACH);
}

/// A face with sessions, made-up routes, one that shows who asks, and one that no document mentions.
struct Face {
    staff: Staff,
    door: Arc<Door>,
    routes: Router,
}

impl Face {
    async fn new(journal: Option<Journal>, is_secure: bool) -> Face {
        let staff = Staff::hire();
        let acts = Acts::new(journal, Clock::system());
        let door = Arc::new(Door::open(&staff.config, acts.clone()).await.unwrap());
        let mut document = made_up_document();
        document.merge(SessionDocument::openapi());
        let mut rules = Rules::of(&document);
        for path in ["/who", "/echo", "/slow"] {
            rules.set(path, Method::GET, rules::Need::Permission(Permission::View));
            rules.set(path, Method::POST, rules::Need::Permission(Permission::View));
        }
        let guard = Guard::new(rules, Some(Arc::clone(&door)), acts, is_secure);
        let routes = made_up_routes()
            .route("/who", get(|who: Extension<Principal>| async move { who.name.clone() }))
            .route("/echo", post(|body: Bytes| async move { body }))
            .route("/slow", get(std::future::pending::<&'static str>))
            .route("/unmentioned", get(|| async { "must not be seen" }).post(|| async { "must not be seen" }))
            .merge(session::routes(guard.clone()));
        let limits = HttpLimits { body_bytes: 1000, request_timeout: Duration::from_secs(3), ..HttpLimits::default() };
        Face { staff, door, routes: guard.around(routes, &limits) }
    }

    async fn ask(&self, method: Method, path: &str, headers: &[(&'static str, &str)], body: &str) -> Response {
        let mut request = Request::builder().method(method).uri(path).body(Body::from(body.to_owned())).unwrap();
        for (name, value) in headers {
            request.headers_mut().insert(*name, HeaderValue::from_str(value).unwrap());
        }
        request.extensions_mut().insert(Peer("10.1.2.3:5000".parse().unwrap()));
        self.routes.clone().oneshot(request).await.unwrap()
    }

    async fn log_in(&self, name: &str, password: &str) -> Response {
        let body = json!({ "name": name, "password": password }).to_string();
        self.ask(Method::POST, "/api/v1/session", &[("content-type", "application/json")], &body).await
    }
}

async fn text(response: Response) -> String {
    String::from_utf8(response.into_body().collect().await.unwrap().to_bytes().to_vec()).unwrap()
}

async fn document(response: Response) -> Value {
    serde_json::from_str(&text(response).await).unwrap()
}

fn cookie_of(response: &Response) -> String {
    response.headers()[header::SET_COOKIE].to_str().unwrap().split(';').next().unwrap().to_owned()
}

#[tokio::test]
async fn a_person_logs_in_acts_and_logs_out_and_the_journal_tells() {
    let folder = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(folder.path(), 0).unwrap();
    let face = Face::new(Some(journal), false).await;
    let response = face.log_in("operate", PASSWORD).await;
    assert_eq!(response.status(), StatusCode::OK);
    let cookie = cookie_of(&response);
    let view = document(response).await;
    assert_eq!((&view["name"], &view["role"], &view["idle_s"]), (&json!("operate"), &json!("operate"), &json!(600)));
    let csrf = view["csrf_token"].as_str().unwrap();

    let me = face.ask(Method::GET, "/api/v1/session", &[("cookie", &cookie)], "").await;
    assert_eq!(document(me).await["csrf_token"], csrf, "the same for as long as the session lasts");
    let who = face.ask(Method::GET, "/who", &[("cookie", &cookie)], "").await;
    assert_eq!(text(who).await, "operate");
    let forged = face.ask(Method::POST, "/operate-alarms/x", &[("cookie", &cookie)], "").await;
    assert_eq!(document(forged).await["type"], "urn:wattassay:problem:csrf");
    let act = face.ask(Method::POST, "/operate-alarms/x", &[("cookie", &cookie), ("x-csrf-token", csrf)], "").await;
    assert_eq!(act.status(), StatusCode::OK);

    assert_eq!(face.log_in("operate", "wrong").await.status(), StatusCode::UNAUTHORIZED);
    // A password typed where the name goes.
    assert_eq!(face.log_in(PASSWORD, "x").await.status(), StatusCode::UNAUTHORIZED);

    let out = face.ask(Method::DELETE, "/api/v1/session", &[("cookie", &cookie), ("x-csrf-token", csrf)], "").await;
    assert_eq!(out.status(), StatusCode::NO_CONTENT);
    assert!(out.headers()[header::SET_COOKIE].to_str().unwrap().ends_with("Max-Age=0"));
    let after = face.ask(Method::GET, "/who", &[("cookie", &cookie)], "").await;
    assert_eq!(document(after).await["type"], "urn:wattassay:problem:session-ended");

    let mut entries = Vec::new();
    file::read(&folder.path().join(FILE_NAME), 0, |record| {
        entries.push((record.by.clone(), record.text.clone()));
        assert!(!format!("{record:?}").contains(PASSWORD));
        true
    })
    .unwrap();
    let told: Vec<_> = entries.iter().map(|(by, text)| (by.as_str(), text.as_str())).collect();
    assert_eq!(
        told,
        [
            ("operate", "operate logged in from 10.1.2.3"),
            ("", "Failed log-in of operate from 10.1.2.3: wrong password"),
            ("", "Failed log-in from 10.1.2.3: no such user"),
            ("operate", "operate logged out"),
        ]
    );
}

#[tokio::test]
async fn name_and_password_are_refused_in_the_same_words_and_guesses_must_wait() {
    let face = Face::new(None, false).await;
    let (known, unknown) = (face.log_in("view", "wrong").await, face.log_in("nobody", "wrong").await);
    assert_eq!((known.status(), unknown.status()), (StatusCode::UNAUTHORIZED, StatusCode::UNAUTHORIZED));
    assert_eq!(text(known).await, text(unknown).await);
    for _ in 1..FREE_OF_USER {
        face.log_in("view", "wrong").await;
    }
    let waiting = face.log_in("view", PASSWORD).await;
    assert_eq!(
        (waiting.status(), &waiting.headers()[header::RETRY_AFTER]),
        (StatusCode::TOO_MANY_REQUESTS, &HeaderValue::from(1))
    );
    assert_eq!(face.log_in("operate", PASSWORD).await.status(), StatusCode::OK, "others do not wait");
}

#[tokio::test]
async fn a_body_that_is_no_log_in_is_refused_without_repeating_it() {
    let face = Face::new(None, false).await;
    let json = ("content-type", "application/json");
    for (headers, body) in [
        (vec![json], "{\"name\":\"view\",\"password\":[\"hidden-text\"]}"),
        (vec![json], "{\"name\":\"view\",\"password\":\"hidden-text\",\"more\":1}"),
        (vec![json], "hidden-text"),
        (vec![("content-type", "text/plain")], "{\"name\":\"view\",\"password\":\"hidden-text\"}"),
        (vec![], "{\"name\":\"view\",\"password\":\"hidden-text\"}"),
    ] {
        let response = face.ask(Method::POST, "/api/v1/session", &headers, body).await;
        assert_eq!(response.status(), StatusCode::BAD_REQUEST, "{body}");
        assert!(!text(response).await.contains("hidden-text"), "{body}");
    }
    let body = json!({ "name": "view", "password": PASSWORD }).to_string();
    let elsewhere = face.ask(Method::POST, "/api/v1/session", &[json, ("sec-fetch-site", "cross-site")], &body).await;
    assert_eq!(document(elsewhere).await["type"], "urn:wattassay:problem:other-site");
}

#[tokio::test]
async fn under_tls_the_cookie_is_guarded_and_browsers_are_told_to_stay() {
    let face = Face::new(None, true).await;
    let response = face.log_in("view", PASSWORD).await;
    assert_eq!(response.headers()["strict-transport-security"], "max-age=31536000");
    let set = response.headers()[header::SET_COOKIE].to_str().unwrap();
    assert!(
        set.starts_with("__Host-wattassay=") && set.ends_with("; Path=/; HttpOnly; SameSite=Strict; Secure"),
        "{set}"
    );
    let cookie = cookie_of(&response);
    assert_eq!(face.ask(Method::GET, "/who", &[("cookie", &cookie)], "").await.status(), StatusCode::OK);
    let plain = Face::new(None, false).await.log_in("view", PASSWORD).await;
    assert!(!plain.headers().contains_key("strict-transport-security"));
}

#[tokio::test]
async fn logging_in_again_ends_the_session_of_the_same_browser() {
    let face = Face::new(None, false).await;
    let first = cookie_of(&face.log_in("view", PASSWORD).await);
    let body = json!({ "name": "operate", "password": PASSWORD }).to_string();
    let headers = [("content-type", "application/json"), ("cookie", first.as_str())];
    let second = face.ask(Method::POST, "/api/v1/session", &headers, &body).await;
    assert_ne!(cookie_of(&second), first);
    assert_eq!(face.ask(Method::GET, "/who", &[("cookie", &first)], "").await.status(), StatusCode::UNAUTHORIZED);
}

#[tokio::test]
async fn a_route_that_no_document_mentions_is_refused_to_everybody() {
    let face = Face::new(None, false).await;
    let bearer = format!("Bearer {}", face.staff.token(Role::Engineer).reveal());
    for method in [Method::GET, Method::POST] {
        let response = face.ask(method, "/unmentioned", &[("authorization", &bearer)], "").await;
        assert_eq!(response.status(), StatusCode::FORBIDDEN);
        assert_eq!(document(response).await["type"], "urn:wattassay:problem:no-rule");
    }
    let nowhere = face.ask(Method::GET, "/nowhere", &[("authorization", &bearer)], "").await;
    assert_eq!(nowhere.status(), StatusCode::NOT_FOUND);
    let put = face.ask(Method::PUT, "/view/x", &[("authorization", &bearer)], "").await;
    assert_eq!(
        (put.status(), &put.headers()[header::ALLOW]),
        (StatusCode::METHOD_NOT_ALLOWED, &HeaderValue::from_static("GET, POST, DELETE"))
    );
}

#[tokio::test]
async fn a_token_says_who_it_is_and_has_no_session() {
    let face = Face::new(None, false).await;
    let bearer = format!("Bearer {}", face.staff.token(Role::Operate).reveal());
    let me = document(face.ask(Method::GET, "/api/v1/session", &[("authorization", &bearer)], "").await).await;
    assert_eq!(
        me,
        json!({ "name": "token operate", "role": "operate", "csrf_token": null, "idle_s": null, "longest_s": null })
    );
    let out = face.ask(Method::DELETE, "/api/v1/session", &[("authorization", &bearer)], "").await;
    assert_eq!(out.status(), StatusCode::CONFLICT);
}

#[tokio::test]
async fn bodies_and_answers_keep_within_their_limits() {
    let face = Face::new(None, false).await;
    let bearer = format!("Bearer {}", face.staff.token(Role::Operate).reveal());
    let authorization = ("authorization", bearer.as_str());
    let fits = face.ask(Method::POST, "/echo", &[authorization], &"x".repeat(1000)).await;
    assert_eq!(text(fits).await.len(), 1000);
    let told = face.ask(Method::POST, "/echo", &[authorization, ("content-length", "1001")], "").await;
    assert_eq!(document(told).await["type"], "urn:wattassay:problem:too-long");
    let untold = face.ask(Method::POST, "/echo", &[authorization], &"x".repeat(1001)).await;
    assert_eq!(untold.status(), StatusCode::PAYLOAD_TOO_LARGE);
    tokio::time::pause();
    let slow = face.ask(Method::GET, "/slow", &[authorization], "").await;
    assert_eq!(document(slow).await["type"], "urn:wattassay:problem:unavailable");
}

#[tokio::test]
async fn a_changed_users_file_counts_from_the_next_request_and_a_bad_one_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(folder.path(), 0).unwrap();
    let face = Face::new(Some(journal), false).await;
    let (id, _) = face.door.admit("engineer");
    let cookie = format!("wattassay={}", id.reveal());
    let brought = [("cookie", cookie.as_str())];
    let who = || face.ask(Method::GET, "/who", &brought, "");
    assert_eq!(who().await.status(), StatusCode::OK);

    let users = &face.staff.config.users;
    let good = std::fs::read_to_string(users).unwrap();
    std::fs::write(users, "version = 1\n[[users]]\nname = \"x\"\npasword = \"hidden-text\"\n").unwrap();
    for _ in 0..3 {
        assert_eq!(who().await.status(), StatusCode::OK, "the users from before");
    }
    std::fs::write(users, good).unwrap();
    assert_eq!(who().await.status(), StatusCode::OK);
    store::change(users, false, |accounts| {
        let demoted = accounts.users.iter_mut().find(|user| user.role == Role::Engineer);
        demoted.unwrap().role = Role::View;
        accounts.tokens.push(ApiToken::make("late".into(), Role::View, None)?.0);
        Ok::<_, StoreError>(())
    })
    .unwrap();
    assert_eq!(who().await.status(), StatusCode::UNAUTHORIZED, "demoted, so out at once");

    let mut texts = Vec::new();
    file::read(&folder.path().join(FILE_NAME), 0, |record| {
        texts.push(record.text.clone());
        true
    })
    .unwrap();
    let shown = users.display();
    assert_eq!(texts.len(), 3, "{texts:?}");
    assert!(
        texts[0].starts_with(&format!("The users from before stay in force: {shown}:2:1: users.role: ")),
        "{texts:?}"
    );
    assert!(texts[0].contains("pasword") && !texts[0].contains("hidden-text"), "{texts:?}");
    assert_eq!(
        texts[1..],
        ["The role of user engineer was changed from engineer to view", "Token late was added with role view"]
    );
}

#[tokio::test]
async fn what_goes_on_for_long_learns_that_its_user_is_out() {
    let face = Face::new(None, false).await;
    let secret = Secret::new(face.staff.token(Role::View).reveal().to_owned());
    let (credential, principal) = face.door.token(&secret).await.unwrap();
    let standing = Standing::new(Arc::clone(&face.door), credential, principal);
    assert!(standing.holds());
    store::change(&face.staff.config.users, false, |accounts| {
        accounts.tokens.clear();
        Ok::<_, StoreError>(())
    })
    .unwrap();
    tokio::select! {
        () = standing.ended() => {}
        () = face.door.watch() => {}
    }
    assert!(!standing.holds());
}
