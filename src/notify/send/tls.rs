//! TLS towards a target: rustls with ring, the system's authorities or those of a file. Must never accept a certificate that
//! these do not vouch for.

use std::path::Path;
use std::sync::Arc;

use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

use super::Failure;

/// The authorities of a PEM file.
pub fn authorities(path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let fault = |error| format!("{} cannot be read as certificates (PEM): {error}", path.display());
    let all: Vec<_> = CertificateDer::pem_file_iter(path).map_err(fault)?.collect::<Result<_, _>>().map_err(fault)?;
    if all.is_empty() { Err(format!("{} holds no certificate", path.display())) } else { Ok(all) }
}

/// Connects to a host by TCP.
pub(super) async fn connect(host: &str, port: u16) -> Result<TcpStream, Failure> {
    let host = host.trim_start_matches('[').trim_end_matches(']');
    let stream = TcpStream::connect((host, port)).await;
    stream.map_err(|error| Failure::unreachable(format!("cannot connect to {host} port {port}: {error}")))
}

/// Connects to a host by TLS.
pub(super) async fn connect_tls(
    host: &str,
    port: u16,
    ca_file: Option<&Path>,
) -> Result<TlsStream<TcpStream>, Failure> {
    let ca_file = ca_file.map(Path::to_owned);
    let config = tokio::task::spawn_blocking(move || client_config(ca_file.as_deref())).await;
    let config = config.unwrap_or_else(|_| Err("reading was cut off".to_owned())).map_err(Failure::unreachable)?;
    let name = host.trim_start_matches('[').trim_end_matches(']');
    let name = ServerName::try_from(name.to_owned())
        .map_err(|_| Failure::unreachable(format!("\"{host}\" is no name that a certificate can be for")))?;
    let stream = connect(host, port).await?;
    let stream = TlsConnector::from(Arc::new(config)).connect(name, stream).await;
    stream.map_err(|error| Failure::unreachable(format!("no TLS with {host} port {port}: {error}")))
}

fn client_config(ca_file: Option<&Path>) -> Result<ClientConfig, String> {
    let mut roots = RootCertStore::empty();
    if let Some(path) = ca_file {
        for authority in authorities(path)? {
            roots.add(authority).map_err(|error| format!("{}: {error}", path.display()))?;
        }
    } else {
        // The system's store may hold certificates that are of no use; one that is of use is enough.
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if roots.is_empty() {
            return Err("this computer knows no certificate authorities; name some with ca_file".to_owned());
        }
    }
    let config = ClientConfig::builder_with_provider(Arc::new(ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|error| error.to_string())?;
    Ok(config.with_root_certificates(roots).with_no_client_auth())
}
