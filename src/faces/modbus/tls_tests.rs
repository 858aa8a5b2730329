//! Real handshakes over sockets, with certificates made for the purpose.

use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, CustomExtension, IsCa, KeyPair};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use tokio_rustls::TlsConnector;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

use std::sync::Arc;

use super::*;
use crate::config::model::ModbusRole;

/// ASN.1 tag of a UTF8String (X.680).
const UTF8_STRING: u8 = 0x0C;

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
    folder: tempfile::TempDir,
}

impl Setting {
    fn write(&self, name: &str, text: &str) {
        std::fs::write(self.folder.path().join(name), text).unwrap();
    }
}

fn setting() -> Setting {
    let authority = authority();
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let role = |name: &str, units| ModbusRole { name: name.to_owned(), units };
    let config = ModbusTlsConfig {
        certificate: path("server.pem"),
        key: path("server.key"),
        client_authority: path("clients.pem"),
        roles: vec![role("scada", None), role("meter reader", Some(vec![11]))],
    };
    let (certificate, key) = of_server(&authority);
    let setting = Setting { authority, config, folder };
    setting.write("server.pem", &certificate);
    setting.write("server.key", &key);
    setting.write("clients.pem", &setting.authority.pem());
    setting
}

/// Certificate and key of a server, as files hold them.
fn of_server(by: &Authority) -> (String, String) {
    let params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    let key = KeyPair::generate().unwrap();
    (params.signed_by(&key, by).unwrap().pem(), key.serialize_pem())
}

/// Shakes hands with a client that trusts `by` and has this certificate; what the server made of it, and whether the client
/// was let in.
async fn shake(
    tls: &Arc<Tls>,
    by: &Authority,
    own: Option<(CertificateDer<'static>, KeyPair)>,
) -> (io::Result<Rights>, bool) {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let tls = Arc::clone(tls);
    let serving = tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        let (mut stream, rights) = tls.accept(stream).await?;
        stream.write_all(b"!").await?;
        stream.flush().await?;
        Ok(rights)
    });
    let mut roots = RootCertStore::empty();
    roots.add(by.der().clone()).unwrap();
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

fn load(setting: &Setting) -> Arc<Tls> {
    Arc::new(Tls::load(&setting.config).unwrap())
}

#[tokio::test]
async fn a_certificates_role_says_what_may_be_read() {
    let setting = setting();
    let tls = load(&setting);
    for (roles, rights) in [
        (vec![utf8("scada")], Rights::All),
        (vec![utf8("meter reader")], Rights::Units(vec![11])),
        (vec![utf8("stranger")], Rights::NONE),
        (vec![], Rights::NONE),
    ] {
        let (told, heard) = shake(&tls, &setting.authority, Some(signed(&setting.authority, &roles))).await;
        assert_eq!(told.unwrap(), rights, "{roles:?}");
        assert!(heard);
    }
}

#[tokio::test]
async fn no_certificate_or_a_strangers_is_no_connection() {
    let setting = setting();
    let tls = load(&setting);
    let (told, heard) = shake(&tls, &setting.authority, None).await;
    assert!(told.is_err() && !heard);
    let stranger = signed(&authority(), &[utf8("scada")]);
    let (told, heard) = shake(&tls, &setting.authority, Some(stranger)).await;
    assert!(told.is_err() && !heard);
}

#[tokio::test]
async fn new_files_are_used_once_they_are_whole() {
    let setting = setting();
    let tls = load(&setting);
    let (old, new) = (&setting.authority, authority());
    let own = |by: &Authority| Some(signed(by, &[utf8("scada")]));
    let (certificate, key) = of_server(&new);

    setting.write("server.pem", &certificate);
    assert!(shake(&tls, old, own(old)).await.1, "the new certificate without its key");
    let told = tls.files.refused().await.unwrap();
    assert!(told.contains("is not the key of this certificate"), "{told}");
    std::fs::remove_file(&setting.config.key).unwrap();
    assert!(shake(&tls, old, own(old)).await.1, "no key at all");

    setting.write("server.key", &key);
    setting.write("clients.pem", &new.pem());
    assert!(!shake(&tls, old, own(old)).await.1, "the old certificate of the server");
    assert!(shake(&tls, &new, own(old)).await.0.is_err(), "the old authority of the clients");
    let (told, heard) = shake(&tls, &new, own(&new)).await;
    assert_eq!(told.unwrap(), Rights::All);
    assert!(heard);
    assert_eq!(tls.files.refused().await, None);
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
fn what_is_wrong_with_a_file_is_told_with_its_key_and_name() {
    let setting = setting();
    let folder = setting.folder.path().display();
    let told = |change: fn(&mut ModbusTlsConfig)| {
        let mut config = setting.config.clone();
        change(&mut config);
        Tls::load(&config).map(|_| ()).unwrap_err().to_string()
    };
    assert_eq!(
        told(|c| c.certificate = "/nowhere/server.pem".into()),
        "modbus_server.tls.certificate: /nowhere/server.pem: No such file or directory (os error 2)"
    );
    assert_eq!(
        told(|c| c.certificate = c.key.clone()),
        format!("modbus_server.tls.certificate: {folder}/server.key: there is no certificate in this file")
    );
    assert_eq!(
        told(|c| c.key = c.certificate.clone()),
        format!("modbus_server.tls.key: {folder}/server.pem: there is no private key in this file")
    );
    assert_eq!(
        told(|c| c.client_authority = c.key.clone()),
        format!("modbus_server.tls.client_authority: {folder}/server.key: there is no certificate in this file")
    );
    setting.write("other.key", &KeyPair::generate().unwrap().serialize_pem());
    assert_eq!(
        told(|c| c.key.set_file_name("other.key")),
        format!(
            "modbus_server.tls.certificate: {folder}/server.pem: the key in {folder}/other.key is not the key of this \
             certificate"
        )
    );
    let cut = |text: &str| text.replacen("END", "ENDE", 1);
    setting.write("cut.pem", &cut(&std::fs::read_to_string(&setting.config.certificate).unwrap()));
    assert!(told(|c| c.certificate.set_file_name("cut.pem")).contains("/cut.pem: this is not PEM: "));
    setting.write("hollow.pem", "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n");
    let hollow = told(|c| c.certificate.set_file_name("hollow.pem"));
    assert!(hollow.starts_with(&format!("modbus_server.tls.certificate: {folder}/hollow.pem: ")), "{hollow}");
    let hollow = told(|c| c.client_authority.set_file_name("hollow.pem"));
    assert!(hollow.starts_with(&format!("modbus_server.tls.client_authority: {folder}/hollow.pem: ")), "{hollow}");
}
