//! The `[http]`, `[access]` and `[metrics]` tables: defaults, every value, and the words for each mistake.

use std::path::Path;
use std::time::Duration;

use super::*;
use crate::config::model::{Config, HttpConfig, HttpTlsConfig};
use crate::config::web_model::{HttpLimits, MetricsAccess, MetricsConfig};

type Outcome = Result<(), Box<dyn std::error::Error>>;

const FULL: &str = r#"
[http]
listen = "0.0.0.0:8443"
expose = true
max_body = "0.2 MB"
max_connections = 200
max_connections_per_address = 10
header_timeout = "5 s"
request_timeout = "1 min"
[http.tls]
certificate = "http.pem"
key = "/etc/wattassay/http.key"
[access]
users = "users.toml"
session_idle = "10 min"
session_longest = "8 h"
[metrics]
listen = "127.0.0.1:9185"
access = "token"
"#;

fn full() -> String {
    format!("{MINIMAL}\n{FULL}")
}

fn config(text: &str) -> Result<Config, Box<dyn std::error::Error>> {
    Ok(parse("f.toml", text, &MapLibrary::builtin())?)
}

#[test]
fn without_the_tables_the_defaults_hold() -> Outcome {
    let config = config(MINIMAL)?;
    assert_eq!(config.http, HttpConfig::default());
    assert_eq!(config.http.listen, "127.0.0.1:9184".parse()?);
    assert_eq!((config.http.limits.body_bytes, config.http.limits.connections), (1_000_000, 64));
    assert_eq!(config.http.limits.connections_per_address, 32);
    assert_eq!(config.http.limits.header_timeout, Duration::from_secs(10));
    assert_eq!(config.http.limits.request_timeout, Duration::from_secs(30));
    assert_eq!(config.access, None);
    assert_eq!(config.metrics, MetricsConfig { listen: None, access: MetricsAccess::Open });
    Ok(())
}

#[test]
fn full_tables_give_every_value() -> Outcome {
    let config = config(&full())?;
    let limits = HttpLimits {
        body_bytes: 200_000,
        connections: 200,
        connections_per_address: 10,
        header_timeout: Duration::from_secs(5),
        request_timeout: Duration::from_mins(1),
    };
    let tls = HttpTlsConfig { certificate: "http.pem".into(), key: "/etc/wattassay/http.key".into() };
    assert_eq!(config.http, HttpConfig { listen: "0.0.0.0:8443".parse()?, tls: Some(tls), limits });
    let access = config.access.ok_or("no access")?;
    assert_eq!(access.users, Path::new("users.toml"));
    assert_eq!((access.session_idle, access.session_longest), (Duration::from_mins(10), Duration::from_hours(8)));
    assert_eq!(config.metrics.listen, Some("127.0.0.1:9185".parse()?));
    assert_eq!(config.metrics.access, MetricsAccess::Token);
    Ok(())
}

#[test]
fn an_access_table_has_defaults_too() -> Outcome {
    let access = config(&format!("{MINIMAL}\n[access]\nusers = \"u.toml\"\n"))?.access.ok_or("no access")?;
    assert_eq!((access.session_idle, access.session_longest), (Duration::from_mins(30), Duration::from_hours(12)));
    Ok(())
}

#[test]
fn files_are_taken_from_beside_the_configuration() -> Outcome {
    let folder = tempfile::tempdir()?;
    let path = folder.path().join("stations.toml");
    std::fs::write(&path, full())?;
    let config = crate::config::load(&path)?;
    let tls = config.http.tls.ok_or("no TLS")?;
    assert_eq!(tls.certificate, folder.path().join("http.pem"));
    assert_eq!(tls.key, Path::new("/etc/wattassay/http.key"));
    assert_eq!(config.access.ok_or("no access")?.users, folder.path().join("users.toml"));
    Ok(())
}

#[test]
fn the_deployed_example_is_right() -> Outcome {
    let config = config(include_str!("../../../deploy/exposed.toml"))?;
    assert!(config.http.tls.is_some() && config.access.is_some() && config.metrics.listen.is_some());
    Ok(())
}

#[test]
fn every_mistake_is_told() {
    check(
        told,
        &full(),
        &[
            (
                "max_body = \"0.2 MB\"",
                "max_body = 200",
                &[
                    "f.toml:21:12: http.max_body: 200 has no unit; write \"200 MB\" or \"200 GB\" (units of size: MB, GB, TB)",
                ],
            ),
            (
                "max_connections = 200",
                "max_connections = 0",
                &[
                    "f.toml:22:19: http.max_connections: 0 is out of range; max_connections is a whole number from 1 to 1024",
                ],
            ),
            (
                "header_timeout = \"5 s\"",
                "header_timeout = \"5 ms\"",
                &["f.toml:24:18: http.header_timeout: \"5 ms\" is out of range; this time must be from 1 s to 5 min"],
            ),
            (
                "certificate = \"http.pem\"\n",
                "",
                &["f.toml:26:1: http.tls.certificate: this key is missing; write certificate = \"http.pem\""],
            ),
            (
                "certificate = \"http.pem\"",
                "certificat = \"http.pem\"",
                &["f.toml:27:1: http.tls.certificat: this key is not known; did you mean certificate?"],
            ),
            (
                "users = \"users.toml\"",
                "users = \" \"",
                &["f.toml:30:9: access.users: this is not a file; write for example users = \"users.toml\""],
            ),
            (
                "session_idle = \"10 min\"",
                "session_idle = \"10 s\"",
                &["f.toml:31:16: access.session_idle: \"10 s\" is out of range; this time must be from 1 min to 7 d"],
            ),
            (
                "listen = \"127.0.0.1:9185\"",
                "listen = \"10.0.0.1:9185\"",
                &[
                    "f.toml:34:10: metrics.listen: 10.0.0.1:9185 can be reached from other machines; listen on 127.0.0.1, or add expose = true when that is meant",
                ],
            ),
            (
                "access = \"token\"",
                "access = \"tokens\"",
                &[
                    "f.toml:35:10: metrics.access: \"tokens\" is not a choice here; did you mean \"token\"? (choices: open, token)",
                ],
            ),
            (
                "[access]\nusers = \"users.toml\"\nsession_idle = \"10 min\"\nsession_longest = \"8 h\"\n",
                "",
                &[
                    "f.toml:31:10: metrics.access: without an [access] table there are no tokens; add [access] and users = \"users.toml\" to it",
                ],
            ),
            (
                "users = \"users.toml\"\n",
                "",
                &[
                    "f.toml:29:1: access.users: this key is missing; name the file that \"wattassay users\" keeps, for example users = \"users.toml\"",
                ],
            ),
        ],
    );
}
