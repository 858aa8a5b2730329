//! Modbus/TCP Security of the real binary: who is let in, what each role may read, and files that are no good.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, CustomExtension, IsCa, KeyPair};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_modbus::client::{Reader, tcp};
use tokio_modbus::{ExceptionCode, Slave};
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::{PrivateKeyDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

use crate::modbus_server::{runtime, start, with_table};
use crate::support::{Scene, Stage, wattassay};

type Authority = CertifiedIssuer<'static, KeyPair>;

/// Files are named from the folder of the configuration.
const SERVER: &str = r#"
[modbus_server]
listen = "127.0.0.1:0"
[[modbus_server.circuits]]
station = "Sound"
circuit = "Pump 1"
block = 1
sunspec_unit = 11
[modbus_server.tls]
certificate = "server.pem"
key = "server.key"
client_authority = "clients.pem"
[[modbus_server.tls.roles]]
name = "scada"
[[modbus_server.tls.roles]]
name = "meter reader"
units = [11]
"#;

fn stage() -> Stage {
    Stage::set(&[Scene::sound("Sound", "generic-full")])
}

fn authority() -> Authority {
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap()
}

/// Puts the server's files into the folder.
fn write_files(folder: &Path, by: &Authority) {
    let key = KeyPair::generate().unwrap();
    let certificate = CertificateParams::new(vec!["localhost".to_owned()]).unwrap().signed_by(&key, by).unwrap();
    for (name, text) in
        [("server.pem", certificate.pem()), ("server.key", key.serialize_pem()), ("clients.pem", by.pem())]
    {
        std::fs::write(folder.join(name), text).unwrap();
    }
}

/// A master's side of TLS. `own` is who signed its certificate, and the role in it.
fn master(trusted: &Authority, own: Option<(&Authority, Option<&str>)>) -> TlsConnector {
    let mut roots = RootCertStore::empty();
    roots.add(trusted.der().clone()).unwrap();
    let client = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots);
    let client = match own {
        None => client.with_no_client_auth(),
        Some((by, role)) => {
            let mut params = CertificateParams::new(vec!["rtu.larkmoor.example".to_owned()]).unwrap();
            // The role's object identifier and its UTF8String, as MB-TCP-Security has them.
            params.custom_extensions = role
                .map(|role| {
                    let mut value = vec![0x0C, role.len() as u8];
                    value.extend(role.as_bytes());
                    CustomExtension::from_oid_content(&[1, 3, 6, 1, 4, 1, 50316, 802, 1], value)
                })
                .into_iter()
                .collect();
            let key = KeyPair::generate().unwrap();
            let certificate = params.signed_by(&key, by).unwrap();
            let key = PrivateKeyDer::try_from(key.serialize_der()).unwrap();
            client.with_client_auth_cert(vec![certificate.der().clone()], key).unwrap()
        }
    };
    TlsConnector::from(Arc::new(client))
}

/// Two registers of a unit; none when no connection came about.
async fn read(
    server: SocketAddr,
    master: &TlsConnector,
    unit: u8,
    first: u16,
) -> Option<Result<Vec<u16>, ExceptionCode>> {
    let stream = TcpStream::connect(server).await.unwrap();
    let stream = master.connect(ServerName::try_from("localhost").unwrap(), stream).await.ok()?;
    // In TLS 1.3 a client learns of its refusal only when it reads.
    tcp::attach_slave(stream, Slave(unit)).read_holding_registers(first, 2).await.ok()
}

const REFUSED: Option<Result<Vec<u16>, ExceptionCode>> = Some(Err(ExceptionCode::IllegalFunction));
const MARKER: [u16; 2] = [0x5375, 0x6E53];

#[test]
fn certificates_decide_who_reads_what() {
    let stage = stage();
    let authority = authority();
    let folder = stage.config.parent().unwrap();
    write_files(folder, &authority);
    let daemon = start(&with_table(&stage, SERVER));
    let server = daemon.modbus;
    runtime().block_on(async {
        let scada = master(&authority, Some((&authority, Some("scada"))));
        assert!(matches!(read(server, &scada, 1, 0).await, Some(Ok(words)) if words[0] == 0x5741));
        assert_eq!(read(server, &scada, 11, 40_000).await, Some(Ok(MARKER.to_vec())));

        let reader = master(&authority, Some((&authority, Some("meter reader"))));
        assert_eq!(read(server, &reader, 11, 40_000).await, Some(Ok(MARKER.to_vec())));
        assert_eq!(read(server, &reader, 1, 0).await, REFUSED);
        for role in [None, Some("stranger")] {
            assert_eq!(
                read(server, &master(&authority, Some((&authority, role))), 11, 40_000).await,
                REFUSED,
                "{role:?}"
            );
        }

        assert_eq!(read(server, &master(&authority, None), 1, 0).await, None, "no certificate");
        let other = self::authority();
        let stranger = master(&authority, Some((&other, Some("scada"))));
        assert_eq!(read(server, &stranger, 1, 0).await, None, "a certificate of another authority");

        let mut plain = TcpStream::connect(server).await.unwrap();
        plain.write_all(&[0, 1, 0, 0, 0, 6, 1, 3, 0, 0, 0, 1]).await.unwrap();
        let mut told = Vec::new();
        // A reset is as good an end as any.
        let _ = plain.read_to_end(&mut told).await;
        assert!(!told.windows(2).any(|words| words == [0x57, 0x41]), "an answer in plain TCP: {told:02X?}");

        write_files(folder, &other);
        let renewed = master(&other, Some((&other, Some("scada"))));
        assert_eq!(read(server, &renewed, 11, 40_000).await, Some(Ok(MARKER.to_vec())), "new files, no restart");
        assert_eq!(read(server, &scada, 11, 40_000).await, None, "the authority that is no more");
    });
}

#[test]
fn a_bad_file_is_told_before_anything_runs() {
    let stage = stage();
    let authority = authority();
    let folder = stage.config.parent().unwrap();
    write_files(folder, &authority);
    let config = with_table(&stage, SERVER);
    let check = || wattassay().arg("check").arg(&config).output().unwrap();
    let good = check();
    let said = String::from_utf8(good.stdout).unwrap();
    assert!(good.status.success(), "{said}");
    for line in ["over TLS, for ", "role \"scada\" may read every unit", "role \"meter reader\" may read units 11\n"] {
        assert!(said.contains(line), "{line:?} is not in {said}");
    }

    std::fs::write(folder.join("server.key"), KeyPair::generate().unwrap().serialize_pem()).unwrap();
    let shown = |name: &str| folder.join(name).display().to_string();
    let fault = format!(
        "modbus_server.tls.certificate: {}: the key in {} is not the key of this certificate",
        shown("server.pem"),
        shown("server.key")
    );
    let checked = check();
    let said = String::from_utf8(checked.stderr).unwrap();
    assert!(!checked.status.success() && said.contains(&fault), "{said}");
    let run = wattassay().args(["run", "--config"]).arg(&config).output().unwrap();
    let said = String::from_utf8(run.stderr).unwrap();
    assert!(!run.status.success() && said.contains(&fault), "{said}");
}
