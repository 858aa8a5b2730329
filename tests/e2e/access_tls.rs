//! TLS of the real binary's pages: the certificate is replaced while it runs, and nobody is cut off by that.

use std::path::Path;
use std::sync::Arc;

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::ServerName;
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

use crate::access::{PASSWORD, runtime, stage_with, users_well};
use crate::daemon::Daemon;
use crate::http::ask;
use crate::support::{told, wattassay};

const TLS: &str = "[http.tls]\ncertificate = \"http.pem\"\nkey = \"http.key\"\n";

type Authority = CertifiedIssuer<'static, KeyPair>;

/// Puts a certificate by a new authority, and its key, beside the configuration.
fn renew(config: &Path) -> Authority {
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority = CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let certificate =
        CertificateParams::new(vec!["localhost".to_owned()]).unwrap().signed_by(&key, &authority).unwrap();
    std::fs::write(config.with_file_name("http.pem"), certificate.pem()).unwrap();
    std::fs::write(config.with_file_name("http.key"), key.serialize_pem()).unwrap();
    authority
}

/// A connection that trusts an authority; none when the server has another.
async fn connect(daemon: &Daemon, trusted: &Authority) -> Option<TlsStream<TcpStream>> {
    let mut roots = RootCertStore::empty();
    roots.add(trusted.der().clone()).unwrap();
    let client = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    let stream = TcpStream::connect(&daemon.pages).await.unwrap();
    TlsConnector::from(Arc::new(client)).connect(ServerName::try_from("localhost").unwrap(), stream).await.ok()
}

#[test]
fn a_certificate_is_replaced_while_connections_go_on() {
    let stage = stage_with(TLS);
    let config = stage.config.as_path();
    let first = renew(config);
    users_well(config, &["add", "J. Alvarez", "--role", "engineer"], PASSWORD);
    let mut daemon = Daemon::start_with(config, &["--log-filter", "trace"]);
    let id = runtime().block_on(async {
        let mut old = connect(&daemon, &first).await.unwrap();
        let body = json!({ "name": "J. Alvarez", "password": PASSWORD }).to_string();
        let inside =
            ask(&mut old, "POST /api/v1/session", &[("Content-Type", "application/json")], &body).await.unwrap();
        assert_eq!(inside.status, 200, "{inside:?}");
        assert_eq!(inside.header("strict-transport-security"), Some("max-age=31536000"));
        let set = inside.header("set-cookie").unwrap();
        assert!(set.starts_with("__Host-wattassay=") && set.contains("; Secure"), "{set}");
        let cookie = set.split(';').next().unwrap().to_owned();

        let second = renew(config);
        assert!(connect(&daemon, &first).await.is_none(), "the first certificate is no more");
        let mut new = connect(&daemon, &second).await.expect("the second, without a restart");
        for stream in [&mut old, &mut new] {
            let answer = ask(stream, "GET /api/v1/snapshot", &[("Cookie", &cookie)], "").await.expect("not cut off");
            assert_eq!(answer.status, 200);
        }

        // A key that does not fit: the second stays in use.
        std::fs::write(config.with_file_name("http.key"), KeyPair::generate().unwrap().serialize_pem()).unwrap();
        assert!(connect(&daemon, &second).await.is_some());

        let mut plain = TcpStream::connect(&daemon.pages).await.unwrap();
        plain.write_all(b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n").await.unwrap();
        let mut heard = Vec::new();
        // A reset is as good an end as any.
        let _ = plain.read_to_end(&mut heard).await;
        assert!(!heard.windows(5).any(|word| word == b"alive"), "an answer without TLS");
        cookie.split_once('=').unwrap().1.to_owned()
    });
    daemon.wait_for("HTTP: the certificates from before stay in use: http.tls.certificate: ");
    let said = daemon.all_it_said();
    assert!(said.contains("HTTP: new certificates are in use") && said.contains("TRACE"), "{said}");
    let key = std::fs::read_to_string(config.with_file_name("http.key")).unwrap();
    let key_line = key.lines().nth(1).unwrap();
    for secret in [PASSWORD, &id, key_line] {
        assert!(!said.contains(secret), "a secret is written");
    }
}

#[test]
fn a_bad_certificate_is_told_before_anything_runs() {
    let stage = stage_with(TLS);
    let config = stage.config.as_path();
    users_well(config, &["add", "J. Alvarez", "--role", "engineer"], PASSWORD);
    renew(config);
    let check = wattassay().arg("check").arg(config).output().unwrap();
    assert!(check.status.success() && told(&check).contains("pages at https://"), "{}", told(&check));
    std::fs::write(config.with_file_name("http.pem"), "no certificate\n").unwrap();
    let fault = format!(
        "http.tls.certificate: {}: there is no certificate in this file",
        config.with_file_name("http.pem").display()
    );
    let check = wattassay().arg("check").arg(config).output().unwrap();
    assert!(!check.status.success() && told(&check).contains(&fault), "{}", told(&check));
    let run = wattassay().args(["run", "--config"]).arg(config).output().unwrap();
    assert!(!run.status.success() && told(&run).contains(&fault), "{}", told(&run));
}
