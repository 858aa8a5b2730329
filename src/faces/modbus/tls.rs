//! Modbus/TCP Security (MB-TCP-Security v36): the same frames inside TLS 1.2 or 1.3, both sides with certificates, and what a
//! client may read by the role its certificate names.
//!
//! Must never serve a client whose certificate was not verified, nor fall back to plain TCP.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use tokio::net::TcpStream;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::{self, PemObject};
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::{VerifierBuilderError, WebPkiClientVerifier};
use tokio_rustls::rustls::{self, RootCertStore, ServerConfig};
use tokio_rustls::server::TlsStream;
use x509_parser::prelude::{FromDer, X509Certificate};

use crate::config::model::ModbusTlsConfig;

/// A handshake takes a few round trips; a client that has not finished by then is gone.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// The extension that names the role.
const ROLE: &[u64] = &[1, 3, 6, 1, 4, 1, 50316, 802, 1];
/// ASN.1 tag of a UTF8String (X.680).
const UTF8_STRING: u8 = 0x0C;

/// Certificates, and which role may read what.
pub struct Tls {
    acceptor: TlsAcceptor,
    roles: Vec<(String, Rights)>,
}

/// What one client may read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Rights {
    /// Every unit.
    All,
    /// These units.
    Units(Vec<u8>),
}

impl Rights {
    /// None at all: a certificate without a role, or with one nobody configured.
    pub const NONE: Rights = Rights::Units(Vec::new());

    /// True when the unit may be read.
    pub fn allow(&self, unit: u8) -> bool {
        match self {
            Rights::All => true,
            Rights::Units(units) => units.contains(&unit),
        }
    }
}

/// Why TLS cannot be had as configured.
#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    /// A file of certificates or keys.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: pem::Error,
    },
    /// A file without a certificate in it.
    #[error("{}: there is no certificate in this file", .0.display())]
    Empty(PathBuf),
    /// Certificate and key do not go together, or are of a kind that is not offered.
    #[error("certificate and key: {0}")]
    Own(rustls::Error),
    /// The clients' authority is no good.
    #[error("{}: {source}", path.display())]
    Authority {
        /// Its file.
        path: PathBuf,
        /// What is wrong with it.
        source: rustls::Error,
    },
    /// Nothing to verify clients with.
    #[error("the authority of the clients: {0}")]
    Verifier(#[from] VerifierBuilderError),
}

impl Tls {
    /// Reads certificates and key.
    pub fn load(config: &ModbusTlsConfig) -> Result<Tls, TlsError> {
        let provider = Arc::new(ring::default_provider());
        let mut roots = RootCertStore::empty();
        for authority in certificates(&config.client_authority)? {
            let path = || config.client_authority.clone();
            roots.add(authority).map_err(|source| TlsError::Authority { path: path(), source })?;
        }
        // The builder's own default: no certificate, no connection.
        let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), Arc::clone(&provider)).build()?;
        let chain = certificates(&config.certificate)?;
        let key = PrivateKeyDer::from_pem_file(&config.key)
            .map_err(|source| TlsError::File { path: config.key.clone(), source })?;
        let server = ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .and_then(|builder| builder.with_client_cert_verifier(verifier).with_single_cert(chain, key))
            .map_err(TlsError::Own)?;
        let rights = |units: &Option<Vec<u8>>| units.clone().map_or(Rights::All, Rights::Units);
        let roles = config.roles.iter().map(|role| (role.name.clone(), rights(&role.units))).collect();
        Ok(Tls { acceptor: TlsAcceptor::from(Arc::new(server)), roles })
    }

    /// Shakes hands; the client's rights come with the stream.
    pub async fn accept(&self, stream: TcpStream) -> io::Result<(TlsStream<TcpStream>, Rights)> {
        let stream = tokio::time::timeout(HANDSHAKE, self.acceptor.accept(stream)).await??;
        // A resumed session keeps its certificates, and the role with them (clause 8.4).
        let certificate = stream.get_ref().1.peer_certificates().and_then(<[_]>::first);
        let rights = certificate.map_or(Rights::NONE, |certificate| self.rights(certificate));
        Ok((stream, rights))
    }

    fn rights(&self, certificate: &[u8]) -> Rights {
        let role = role_of(certificate);
        self.roles
            .iter()
            .find(|(name, _)| role.as_ref() == Some(name))
            .map_or(Rights::NONE, |(_, rights)| rights.clone())
    }
}

impl std::fmt::Debug for Tls {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tls").field("roles", &self.roles).finish_non_exhaustive()
    }
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, TlsError> {
    let failed = |source| TlsError::File { path: path.to_owned(), source };
    let all: Vec<_> = CertificateDer::pem_file_iter(path).map_err(failed)?.collect::<Result<_, _>>().map_err(failed)?;
    if all.is_empty() { Err(TlsError::Empty(path.to_owned())) } else { Ok(all) }
}

/// The one role of a certificate. None where there is none, more than one, or not a UTF8String.
pub fn role_of(certificate: &[u8]) -> Option<String> {
    let (_, certificate) = X509Certificate::from_der(certificate).ok()?;
    let is_role =
        |oid: &x509_parser::oid_registry::Oid<'_>| oid.iter().is_some_and(|arcs| arcs.eq(ROLE.iter().copied()));
    let mut roles = certificate.extensions().iter().filter(|extension| is_role(&extension.oid));
    let (role, None) = (roles.next()?, roles.next()) else { return None };
    // Tag, length below 128 in one byte, text: a role is a word.
    let &[UTF8_STRING, length, ref text @ ..] = role.value else { return None };
    let fits = length < 0x80 && usize::from(length) == text.len() && !text.is_empty();
    fits.then(|| String::from_utf8(text.to_vec()).ok()).flatten()
}

#[cfg(test)]
#[path = "tls_tests.rs"]
mod tests;
