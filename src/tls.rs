//! TLS of this program's servers: certificate and key from files, read again for new connections when they have changed.
//!
//! Must never put a word of a key into an error or a log, nor drop a connection because a file changed.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use sha2::{Digest, Sha256};
use tokio::sync::Mutex;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::rustls::crypto::ring;
use tokio_rustls::rustls::pki_types::pem::{self, PemObject};
use tokio_rustls::rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::rustls::server::{VerifierBuilderError, WebPkiClientVerifier};
use tokio_rustls::rustls::{self, RootCertStore, ServerConfig};

/// A file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{table}.{key}: {}: {fault}", path.display())]
pub struct CertificateError {
    /// Table of the configuration that names the file.
    pub table: &'static str,
    /// Key of that table.
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

/// The files of one server, and how it speaks TLS.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TlsFiles {
    /// Who speaks in the log: "Modbus server".
    pub server: &'static str,
    /// Table of the configuration that names the files.
    pub table: &'static str,
    /// The server's certificate and those between it and its authority (PEM).
    pub certificate: PathBuf,
    /// Its private key (PEM).
    pub key: PathBuf,
    /// Who signs the clients' certificates (PEM). With it, a client without one is refused.
    pub client_authority: Option<PathBuf>,
    /// Protocol names offered (ALPN, RFC 7301); none where clients ask for none.
    pub protocols: &'static [&'static [u8]],
}

/// A server's TLS by what its files hold now.
pub struct ReloadingTls {
    files: Arc<TlsFiles>,
    current: Mutex<Current>,
}

struct Current {
    acceptor: TlsAcceptor,
    fingerprint: Fingerprint,
    /// Why newer files cannot be used, as it was told.
    refused: Option<String>,
}

impl Current {
    fn of(contents: &Contents<'_>) -> Result<Current, CertificateError> {
        let acceptor = TlsAcceptor::from(Arc::new(contents.server()?));
        Ok(Current { acceptor, fingerprint: contents.fingerprint(), refused: None })
    }

    /// What the files hold, none when that is known.
    fn other_than(known: Fingerprint, files: &TlsFiles) -> Result<Option<Current>, CertificateError> {
        let contents = Contents::read(files)?;
        if contents.fingerprint() == known { Ok(None) } else { Current::of(&contents).map(Some) }
    }
}

impl ReloadingTls {
    /// Reads certificates and key.
    pub fn load(files: TlsFiles) -> Result<ReloadingTls, CertificateError> {
        let current = Current::of(&Contents::read(&files)?)?;
        Ok(ReloadingTls { files: Arc::new(files), current: Mutex::new(current) })
    }

    /// By what the files hold now. While they are no good, as in the moment between a new certificate and its new key, by what
    /// they held before.
    pub async fn newest(&self) -> TlsAcceptor {
        let mut current = self.current.lock().await;
        let (files, known, server) = (Arc::clone(&self.files), current.fingerprint, self.files.server);
        match tokio::task::spawn_blocking(move || Current::other_than(known, &files)).await {
            Ok(Ok(Some(newer))) => {
                tracing::info!("{server}: new certificates are in use");
                *current = newer;
            }
            Ok(Ok(None)) => current.refused = None,
            Ok(Err(error)) => {
                let error = error.to_string();
                if current.refused.as_ref() != Some(&error) {
                    tracing::error!("{server}: the certificates from before stay in use: {error}");
                    current.refused = Some(error);
                }
            }
            // The daemon is ending.
            Err(_) => {}
        }
        current.acceptor.clone()
    }
}

impl ReloadingTls {
    /// Why the files as they are now cannot be used; none when they are in use.
    pub async fn refused(&self) -> Option<String> {
        self.current.lock().await.refused.clone()
    }
}

impl std::fmt::Debug for ReloadingTls {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ReloadingTls").field("files", &self.files).finish_non_exhaustive()
    }
}

/// Tells one content of the files from another.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Fingerprint([[u8; 32]; 3]);

/// The files as they were at one time.
struct Contents<'f> {
    files: &'f TlsFiles,
    certificate: Vec<u8>,
    key: Vec<u8>,
    authority: Option<Vec<u8>>,
}

impl Contents<'_> {
    fn read(files: &TlsFiles) -> Result<Contents<'_>, CertificateError> {
        let read = |key, path: &Path| std::fs::read(path).map_err(|source| at(files, key, path, source.into()));
        let authority = files.client_authority.as_deref().map(|path| read("client_authority", path)).transpose()?;
        Ok(Contents {
            files,
            certificate: read("certificate", &files.certificate)?,
            key: read("key", &files.key)?,
            authority,
        })
    }

    fn fingerprint(&self) -> Fingerprint {
        let authority = self.authority.as_deref().unwrap_or_default();
        Fingerprint([&self.certificate, &self.key, authority].map(|bytes| Sha256::digest(bytes).into()))
    }

    /// TLS 1.2 or 1.3 by `ring`; with an authority, a certificate is wanted of every client.
    fn server(&self) -> Result<ServerConfig, CertificateError> {
        let TlsFiles { certificate, key, .. } = self.files;
        let in_certificate = |error| {
            let fault = match error {
                rustls::Error::InconsistentKeys(_) => CertificateFault::OtherKey(key.clone()),
                error => error.into(),
            };
            at(self.files, "certificate", certificate, fault)
        };
        let provider = Arc::new(ring::default_provider());
        let builder = ServerConfig::builder_with_provider(Arc::clone(&provider))
            .with_safe_default_protocol_versions()
            .map_err(in_certificate)?;
        let builder = match self.files.client_authority.as_deref().zip(self.authority.as_deref()) {
            None => builder.with_no_client_auth(),
            Some((path, bytes)) => {
                let in_authority = |fault| at(self.files, "client_authority", path, fault);
                let mut roots = RootCertStore::empty();
                for authority in certificates(bytes).map_err(in_authority)? {
                    roots.add(authority).map_err(|error| in_authority(error.into()))?;
                }
                // The verifier's own default: no certificate, no connection (MB-TCP-Security R-08).
                let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider)
                    .build()
                    .map_err(|error| in_authority(error.into()))?;
                builder.with_client_cert_verifier(verifier)
            }
        };
        let chain =
            certificates(&self.certificate).map_err(|fault| at(self.files, "certificate", certificate, fault))?;
        let private = PrivateKeyDer::from_pem_slice(&self.key).map_err(|error| match error {
            pem::Error::NoItemsFound => at(self.files, "key", key, CertificateFault::Without("private key")),
            error => at(self.files, "key", key, CertificateFault::NotPem(error)),
        })?;
        let mut server = builder.with_single_cert(chain, private).map_err(in_certificate)?;
        server.alpn_protocols = self.files.protocols.iter().map(|name| name.to_vec()).collect();
        Ok(server)
    }
}

fn at(files: &TlsFiles, key: &'static str, path: &Path, fault: CertificateFault) -> CertificateError {
    CertificateError { table: files.table, key, path: path.to_owned(), fault }
}

fn certificates(bytes: &[u8]) -> Result<Vec<CertificateDer<'static>>, CertificateFault> {
    let all: Vec<_> =
        CertificateDer::pem_slice_iter(bytes).collect::<Result<_, _>>().map_err(CertificateFault::NotPem)?;
    if all.is_empty() { Err(CertificateFault::Without("certificate")) } else { Ok(all) }
}
