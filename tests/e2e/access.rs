//! Users of the real binary: made by a command, let in by the daemon, and no secret in anything it ever writes.

use std::io::{ErrorKind, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::{Output, Stdio};

use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use crate::daemon::Daemon;
use crate::http::{Answer, ask};
use crate::support::{Scene, Stage, told, wattassay};

pub const PASSWORD: &str = "wet well float switch";
const WRONG: &str = "dry well float switch";
const UNKNOWN_TOKEN: &str = "wat_0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef";

const ACCESS: &str = r#"
[journal]
folder = "journal"
[access]
users = "users.toml"
"#;

/// A stage whose configuration has users and these lines.
pub fn stage_with(more: &str) -> Stage {
    let stage = Stage::set(&[Scene::sound("Orchard Street Lift", "generic-full")]);
    let text = std::fs::read_to_string(&stage.config).unwrap();
    // A table of [http] must follow it; the rest may stand anywhere.
    std::fs::write(&stage.config, format!("{text}\n{ACCESS}\n{more}")).unwrap();
    stage
}

/// Runs `wattassay users` with a text on standard input.
pub fn users(config: &Path, arguments: &[&str], typed: &str) -> Output {
    let mut command = wattassay();
    command.arg("users").args(arguments).arg("--config").arg(config).args(["--log-filter", "trace"]);
    let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    // A command that refuses its arguments ends without reading.
    match child.stdin.take().unwrap().write_all(typed.as_bytes()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => panic!("{error}"),
        _ => {}
    }
    child.wait_with_output().unwrap()
}

/// The same, which must go well; what it printed.
pub fn users_well(config: &Path, arguments: &[&str], typed: &str) -> String {
    let output = users(config, arguments, typed);
    assert!(output.status.success(), "{}", told(&output));
    String::from_utf8(output.stdout).unwrap()
}

pub fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap()
}

#[test]
fn users_are_made_listed_changed_and_removed_by_a_command() {
    let stage = stage_with("");
    let config = stage.config.as_path();
    let file = config.with_file_name("users.toml");
    let run = wattassay().args(["run", "--config"]).arg(config).output().unwrap();
    let said = told(&run);
    assert!(!run.status.success() && said.contains("wattassay users add NAME --role engineer"), "{said}");
    let check = || told(&wattassay().arg("check").arg(config).output().unwrap());
    assert!(check().contains("access.users: "), "{}", check());

    let short = users(config, &["add", "J. Alvarez", "--role", "engineer"], "too short\n");
    assert!(told(&short).contains("at least 15 characters; this one has 9"), "{}", told(&short));
    assert!(!file.exists(), "nothing is begun by what is refused");
    let added = users_well(config, &["add", "J. Alvarez", "--role", "engineer"], &format!("{PASSWORD}\n"));
    assert_eq!(added, "user J. Alvarez added with role engineer\n");
    assert_eq!(file.metadata().unwrap().permissions().mode() & 0o777, 0o600);
    let again = users(config, &["add", "J. Alvarez", "--role", "view"], &format!("{WRONG}\n"));
    assert!(told(&again).contains("there is a user J. Alvarez already"), "{}", told(&again));
    let odd = users(config, &["add", "token x", "--role", "view"], &format!("{WRONG}\n"));
    assert!(told(&odd).contains("would look like a token's in the journal"), "{}", told(&odd));

    let token =
        users_well(config, &["token", "add", "historian", "--role", "view", "--expires", "2099-01-01T00:00:00Z"], "");
    assert!(token.starts_with("wat_") && token.trim_end().len() == 68, "{token}");
    users_well(config, &["add", "R. Osei", "--role", "view"], PASSWORD);
    users_well(config, &["role", "R. Osei", "operate"], "");
    users_well(config, &["password", "R. Osei"], &format!("{WRONG}\r\n"));
    let listed = users_well(config, &["list"], "");
    assert_eq!(
        listed,
        "user J. Alvarez: engineer\nuser R. Osei: operate\ntoken historian: view, until 2099-01-01T00:00:00.000Z\n"
    );
    assert!(check().contains("2 users and 1 tokens may come in"), "{}", check());
    users_well(config, &["remove", "R. Osei"], "");
    users_well(config, &["token", "remove", "historian"], "");
    let nobody = users(config, &["remove", "R. Osei"], "");
    assert!(told(&nobody).contains("no user R. Osei; there are: J. Alvarez"), "{}", told(&nobody));
    assert_eq!(users_well(config, &["list"], ""), "user J. Alvarez: engineer\n");
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).unwrap();
    assert!(check().contains("run: chmod 600"), "{}", check());
}

/// One request of a connection of its own.
async fn once(daemon: &Daemon, request: &str, headers: &[(&str, &str)], body: &str) -> Answer {
    let mut stream = TcpStream::connect(&daemon.pages).await.unwrap();
    ask(&mut stream, request, headers, body).await.unwrap()
}

/// Everything a person and a program do at the face; the secrets that came up.
async fn busy_day(daemon: &mut Daemon, config: &Path, token: &str) -> Vec<String> {
    let log_in = |name: &str, password: &str| json!({ "name": name, "password": password }).to_string();
    let json = ("Content-Type", "application/json");
    let session = "POST /api/v1/session";
    assert_eq!(once(daemon, session, &[json], &log_in("J. Alvarez", WRONG)).await.status, 401);
    assert_eq!(once(daemon, session, &[json], &log_in(PASSWORD, "J. Alvarez")).await.status, 401);
    assert_eq!(once(daemon, session, &[json], &format!("{{\"password\": \"{PASSWORD}\"")).await.status, 400);
    let inside = once(daemon, session, &[json], &log_in("J. Alvarez", PASSWORD)).await;
    assert_eq!(inside.status, 200, "{inside:?}");
    let cookie = inside.header("set-cookie").unwrap().split(';').next().unwrap().to_owned();
    let csrf = inside.json()["csrf_token"].as_str().unwrap().to_owned();
    let snapshot = "GET /api/v1/snapshot";
    assert_eq!(once(daemon, snapshot, &[("Cookie", &cookie)], "").await.status, 200);
    assert_eq!(once(daemon, snapshot, &[], "").await.status, 401);
    assert_eq!(once(daemon, snapshot, &[("Authorization", &format!("Bearer {token}"))], "").await.status, 200);
    assert_eq!(once(daemon, snapshot, &[("Authorization", &format!("Bearer {UNKNOWN_TOKEN}"))], "").await.status, 401);
    assert_eq!(once(daemon, "GET /metrics", &[], "").await.status, 401, "bound to a token");
    assert_eq!(once(daemon, "GET /metrics", &[("Authorization", &format!("Bearer {token}"))], "").await.status, 200);
    assert_eq!(once(daemon, "GET /healthz", &[], "").await.status, 200);

    let out = "DELETE /api/v1/session";
    assert_eq!(once(daemon, out, &[("Cookie", &cookie)], "").await.status, 403, "without the CSRF token");
    // A bad users file, with a password in it as people write one.
    let file = config.with_file_name("users.toml");
    let good = std::fs::read_to_string(&file).unwrap();
    std::fs::write(&file, format!("{good}\n[[users]]\nname = \"R. Osei\"\nrole = \"view\"\npassword = \"{WRONG}\"\n"))
        .unwrap();
    daemon.wait_for("The users from before stay in force");
    assert_eq!(once(daemon, snapshot, &[("Cookie", &cookie)], "").await.status, 200);
    std::fs::write(&file, &good).unwrap();
    users_well(config, &["token", "remove", "historian"], "");
    assert_eq!(once(daemon, snapshot, &[("Authorization", &format!("Bearer {token}"))], "").await.status, 401);
    assert_eq!(once(daemon, out, &[("Cookie", &cookie), ("X-CSRF-Token", &csrf)], "").await.status, 204);
    assert_eq!(once(daemon, snapshot, &[("Cookie", &cookie)], "").await.status, 401);

    let mut secrets: Vec<String> = [PASSWORD, WRONG, UNKNOWN_TOKEN, token, &csrf].map(str::to_owned).into();
    secrets.push(cookie.split_once('=').unwrap().1.to_owned());
    // The hashes of the users file.
    secrets
        .extend(good.split('"').filter(|text| text.starts_with("$argon2id$") || text.len() == 64).map(str::to_owned));
    secrets
}

#[test]
fn no_secret_is_in_anything_the_program_writes() {
    let stage = stage_with("[metrics]\naccess = \"token\"\n");
    let config = stage.config.as_path();
    let mut written = String::new();
    for (arguments, typed) in [
        (vec!["add", "J. Alvarez", "--role", "engineer"], PASSWORD),
        (vec!["add", "R. Osei", "--role", "operate"], "short password"),
        (vec!["password", "J. Alvarez"], PASSWORD),
        (vec!["list"], ""),
    ] {
        written += &told(&users(config, &arguments, &format!("{typed}\n")));
    }
    for format in ["human", "json"] {
        // The one place where a secret is meant to be: standard output of this command.
        let made = users(config, &["token", "add", "historian", "--role", "view"], "");
        written += &String::from_utf8(made.stderr).unwrap();
        let token = String::from_utf8(made.stdout).unwrap().trim_end().to_owned();
        let mut daemon = Daemon::start_with(config, &["--log-filter", "trace", "--log-format", format]);
        let mut secrets = runtime().block_on(busy_day(&mut daemon, config, &token));
        secrets.push("short password".to_owned());
        assert!(secrets.len() >= 9, "{}", secrets.len());
        written += &daemon.all_it_said();
        let journal = wattassay().args(["journal", "export"]).arg(config.with_file_name("journal")).output().unwrap();
        written += &told(&journal);
        assert!(written.contains("DEBUG"), "the finest log is looked at");
        for told in [
            "J. Alvarez logged in from 127.0.0.1",
            "J. Alvarez logged out",
            "Failed log-in of J. Alvarez from 127.0.0.1",
            "Token historian was removed",
        ] {
            assert!(written.contains(told), "{told} is not told");
        }
        for secret in &secrets {
            let line = written.lines().find(|line| line.contains(secret.as_str()));
            assert_eq!(line, None, "a secret is written");
        }
    }
}

#[test]
fn without_access_everybody_may_read_and_nobody_may_act() {
    let stage = Stage::set(&[Scene::sound("Orchard Street Lift", "generic-full")]);
    let daemon = Daemon::start(&stage.config);
    runtime().block_on(async {
        assert_eq!(once(&daemon, "GET /api/v1/snapshot", &[], "").await.status, 200);
        let json = ("Content-Type", "application/json");
        for (request, status) in
            [("POST /api/v1/session", 403), ("DELETE /api/v1/session", 403), ("GET /api/v1/session", 404)]
        {
            let refused = once(&daemon, request, &[json], "{}").await;
            assert_eq!((refused.status, refused.header("content-type")), (status, Some("application/problem+json")));
            assert!(refused.body.contains("wattassay users add"), "{refused:?}");
        }
        for header in ["content-security-policy", "permissions-policy", "referrer-policy", "x-frame-options"] {
            assert!(once(&daemon, "GET /", &[], "").await.header(header).is_some(), "{header}");
        }
        // Told by its length alone; the body is not awaited.
        let mut stream = TcpStream::connect(&daemon.pages).await.unwrap();
        let head = "POST /api/v1/session HTTP/1.1\r\nHost: localhost\r\nContent-Length: 1000001\r\n\r\n";
        stream.write_all(head.as_bytes()).await.unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).await.unwrap();
        assert!(answer.starts_with("HTTP/1.1 413"), "{answer}");
    });
}

#[test]
fn metrics_may_have_a_listener_of_their_own() {
    let stage = stage_with("[metrics]\nlisten = \"127.0.0.1:0\"\n");
    users_well(&stage.config, &["add", "J. Alvarez", "--role", "engineer"], PASSWORD);
    let mut daemon = Daemon::start(&stage.config);
    let line = daemon.wait_for("metrics at http://");
    let address = line.split("://").nth(1).unwrap().split('/').next().unwrap().to_owned();
    runtime().block_on(async {
        let mut stream = TcpStream::connect(&address).await.unwrap();
        let page = ask(&mut stream, "GET /metrics", &[], "").await.unwrap();
        assert!(page.status == 200 && page.body.contains("wattassay_"), "{page:?}");
        assert_eq!(ask(&mut stream, "GET /api/v1/snapshot", &[], "").await.unwrap().status, 404);
    });
}
