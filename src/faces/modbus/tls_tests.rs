//! Real handshakes over sockets, with certificates made for the purpose.

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, CustomExtension, IsCa, KeyPair};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::ClientConfig;
use tokio_rustls::rustls::pki_types::ServerName;

use super::*;
use crate::config::model::ModbusRole;

type Authority = CertifiedIssuer<'static, KeyPair>;

fn authority() -> Authority {
    let mut params = CertificateParams::new(Vec::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap()
}

fn utf8(text: &str) -> Vec<u8> {
    let mut der = vec![UTF8_STRING, text.len() as u8];
    der.extend(text.as_bytes());
    der
}

/// Certificate and key, signed by `by`, with these role extensions.
fn signed(by: &Authority, roles: &[Vec<u8>]) -> (CertificateDer<'static>, KeyPair) {
    let mut params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    params.custom_extensions =
        roles.iter().map(|value| CustomExtension::from_oid_content(ROLE, value.clone())).collect();
    let key = KeyPair::generate().unwrap();
    let certificate = params.signed_by(&key, by).unwrap();
    (certificate.der().clone(), key)
}

struct Setting {
    authority: Authority,
    config: ModbusTlsConfig,
    _folder: tempfile::TempDir,
}

fn setting() -> Setting {
    let authority = authority();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let mut params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    params.is_ca = IsCa::NoCa;
    let key = KeyPair::generate().unwrap();
    std::fs::write(path("server.pem"), params.signed_by(&key, &authority).unwrap().pem()).unwrap();
    std::fs::write(path("server.key"), key.serialize_pem()).unwrap();
    std::fs::write(path("clients.pem"), authority.pem()).unwrap();
    let role = |name: &str, units| ModbusRole { name: name.to_owned(), units };
    let config = ModbusTlsConfig {
        certificate: path("server.pem"),
        key: path("server.key"),
        client_authority: path("clients.pem"),
        roles: vec![role("scada", None), role("meter reader", Some(vec![11]))],
    };
    Setting { authority, config, _folder: folder }
}

/// Shakes hands with a client that has this certificate; what the server made of it, and whether the client was let in.
async fn shake(setting: &Setting, own: Option<(CertificateDer<'static>, KeyPair)>) -> (io::Result<Rights>, bool) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let tls = Tls::load(&setting.config).unwrap();
    let serving = tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        let (mut stream, rights) = tls.accept(stream).await?;
        stream.write_all(b"!").await?;
        stream.flush().await?;
        Ok(rights)
    });
    let mut roots = RootCertStore::empty();
    roots.add(setting.authority.der().clone()).unwrap();
    let client = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots);
    let client = match own {
        None => client.with_no_client_auth(),
        Some((certificate, key)) => {
            let key = PrivateKeyDer::try_from(key.serialize_der()).unwrap();
            client.with_client_auth_cert(vec![certificate], key).unwrap()
        }
    };
    let stream = TcpStream::connect(address).await.unwrap();
    let name = ServerName::try_from("localhost").unwrap();
    // In TLS 1.3 a client learns of its refusal only when it reads.
    let heard = match TlsConnector::from(Arc::new(client)).connect(name, stream).await {
        Ok(mut stream) => stream.read_u8().await.is_ok(),
        Err(_) => false,
    };
    (serving.await.unwrap(), heard)
}

#[tokio::test]
async fn a_certificates_role_says_what_may_be_read() {
    let setting = setting();
    for (roles, rights) in [
        (vec![utf8("scada")], Rights::All),
        (vec![utf8("meter reader")], Rights::Units(vec![11])),
        (vec![utf8("stranger")], Rights::NONE),
        (vec![], Rights::NONE),
    ] {
        let (told, heard) = shake(&setting, Some(signed(&setting.authority, &roles))).await;
        assert_eq!(told.unwrap(), rights, "{roles:?}");
        assert!(heard);
    }
}

#[tokio::test]
async fn no_certificate_or_a_strangers_is_no_connection() {
    let setting = setting();
    let (told, heard) = shake(&setting, None).await;
    assert!(told.is_err() && !heard);
    let (told, heard) = shake(&setting, Some(signed(&authority(), &[utf8("scada")]))).await;
    assert!(told.is_err() && !heard);
}

#[test]
fn a_role_is_one_utf8_string_or_none() {
    let authority = authority();
    let role = |roles: &[Vec<u8>]| role_of(&signed(&authority, roles).0);
    assert_eq!(role(&[utf8("scada")]).as_deref(), Some("scada"));
    assert_eq!(role(&[utf8("scada"), utf8("engineer")]), None, "exactly one");
    assert_eq!(role(&[vec![0x13, 2, b'o', b'p']]), None, "a PrintableString");
    assert_eq!(role(&[utf8("")]), None);
    assert_eq!(role(&[vec![UTF8_STRING, 5, b'o']]), None, "a length that is not so");
    assert_eq!(role(&[]), None);
    assert_eq!(role_of(b"no certificate"), None);
}

#[test]
fn what_is_wrong_with_the_files_is_told_with_their_names() {
    let setting = setting();
    let told = |change: fn(&mut ModbusTlsConfig)| {
        let mut config = setting.config.clone();
        change(&mut config);
        Tls::load(&config).map(|_| ()).unwrap_err().to_string()
    };
    assert!(told(|c| c.certificate = "/nowhere/server.pem".into()).starts_with("/nowhere/server.pem: "));
    assert!(told(|c| c.key = c.certificate.clone()).contains("server.pem: "));
    assert!(told(|c| c.client_authority = c.key.clone()).ends_with("there is no certificate in this file"));
    let other = KeyPair::generate().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("other.key");
    std::fs::write(&path, other.serialize_pem()).unwrap();
    let error = Tls::load(&ModbusTlsConfig { key: path, ..setting.config.clone() }).unwrap_err();
    assert!(matches!(error, TlsError::Own(_)), "{error}");
}
