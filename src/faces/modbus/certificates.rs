//! The files of Modbus/TCP Security: what they hold, what is wrong with them, and the TLS settings made of them.
//!
//! Must never put a word of a key into an error or a log.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use sha2::{Digest, Sha256};
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::{self, PemObject};
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::{VerifierBuilderError, WebPkiClientVerifier};
use tokio_rustls::rustls::{self, RootCertStore, ServerConfig};

use crate::config::model::ModbusTlsConfig;

/// A file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("modbus_server.tls.{key}: {}: {fault}", path.display())]
pub struct CertificateError {
    /// Key of the configuration that names the file.
    pub key: &'static str,
    /// The file.
    pub path: PathBuf,
    /// What is wrong with it.
    pub fault: CertificateFault,
}

/// What is wrong with a file.
#[derive(Debug, thiserror::Error)]
pub enum CertificateFault {
    /// It cannot be read.
    #[error(transparent)]
    Unreadable(#[from] io::Error),
    /// It is not well-formed PEM.
    #[error("this is not PEM: {0}")]
    NotPem(pem::Error),
    /// Nothing of the kind that is wanted is in it.
    #[error("there is no {0} in this file")]
    Without(&'static str),
    /// It is a certificate and a key, of which one is not the other's.
    #[error("the key in {} is not the key of this certificate", .0.display())]
    OtherKey(PathBuf),
    /// It is damaged, or of a kind that is not offered.
    #[error(transparent)]
    Refused(#[from] rustls::Error),
    /// It holds nothing that clients can be verified with.
    #[error(transparent)]
    NoAuthority(#[from] VerifierBuilderError),
}

/// Tells one content of the files from another.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Fingerprint([[u8; 32]; 3]);

/// The files as they were at one time.
pub(super) struct Files<'c> {
    config: &'c ModbusTlsConfig,
    certificate: Vec<u8>,
    key: Vec<u8>,
    authority: Vec<u8>,
}

impl Files<'_> {
    pub(super) fn read(config: &ModbusTlsConfig) -> Result<Files<'_>, CertificateError> {
        let read = |key, path: &Path| std::fs::read(path).map_err(|source| at(key, path, source.into()));
        Ok(Files {
            config,
            certificate: read("certificate", &config.certificate)?,
            key: read("key", &config.key)?,
            authority: read("client_authority", &config.client_authority)?,
        })
    }

    pub(super) fn fingerprint(&self) -> Fingerprint {
        Fingerprint([&self.certificate, &self.key, &self.authority].map(|bytes| Sha256::digest(bytes).into()))
    }

    /// A server that wants a certificate of every client.
    pub(super) fn server(&self) -> Result<ServerConfig, CertificateError> {
        let ModbusTlsConfig { certificate, key, client_authority, .. } = self.config;
        let in_authority = |fault| at("client_authority", client_authority, fault);
        let in_certificate = |error| {
            let fault = match error {
                rustls::Error::InconsistentKeys(_) => CertificateFault::OtherKey(key.clone()),
                error => error.into(),
            };
            at("certificate", certificate, fault)
        };
        let provider = Arc::new(ring::default_provider());
        let mut roots = RootCertStore::empty();
        for authority in certificates(&self.authority).map_err(in_authority)? {
            roots.add(authority).map_err(|error| in_authority(error.into()))?;
        }
        // The builder's own default: no certificate, no connection (MB-TCP-Security R-08).
        let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), Arc::clone(&provider))
            .build()
            .map_err(|error| in_authority(error.into()))?;
        let chain = certificates(&self.certificate).map_err(|fault| at("certificate", certificate, fault))?;
        let private = PrivateKeyDer::from_pem_slice(&self.key).map_err(|error| match error {
            pem::Error::NoItemsFound => at("key", key, CertificateFault::Without("private key")),
            error => at("key", key, CertificateFault::NotPem(error)),
        })?;
        ServerConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .and_then(|builder| builder.with_client_cert_verifier(verifier).with_single_cert(chain, private))
            .map_err(in_certificate)
    }
}

fn at(key: &'static str, path: &Path, fault: CertificateFault) -> CertificateError {
    CertificateError { key, path: path.to_owned(), fault }
}

fn certificates(bytes: &[u8]) -> Result<Vec<CertificateDer<'static>>, CertificateFault> {
    let all: Vec<_> =
        CertificateDer::pem_slice_iter(bytes).collect::<Result<_, _>>().map_err(CertificateFault::NotPem)?;
    if all.is_empty() { Err(CertificateFault::Without("certificate")) } else { Ok(all) }
}
