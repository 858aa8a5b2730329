//! How a PostgreSQL server is reached, TLS included: a connection text as libpq knows it, and the handshake by rustls.
//!
//! A server of another machine must show a certificate of a known authority for its name, unless the text says otherwise
//! (`sslmode`, `sslrootcert`). Must never put a password into an error.

use std::future::Future;
use std::io;
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::str::FromStr;
use std::sync::Arc;
use std::task::{Context, Poll};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio_postgres::config::{Host, SslMode};
use tokio_postgres::tls::{ChannelBinding, MakeTlsConnect, TlsConnect, TlsStream};
use tokio_rustls::TlsConnector;
use tokio_rustls::client;
use tokio_rustls::rustls::client::WebPkiServerVerifier;
use tokio_rustls::rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use tokio_rustls::rustls::crypto::{CryptoProvider, ring, verify_tls12_signature, verify_tls13_signature};
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, InvalidDnsNameError, ServerName, UnixTime};
use tokio_rustls::rustls::{
    CertificateError, ClientConfig, DigitallySignedStruct, Error as TlsError, RootCertStore, SignatureScheme,
};

/// What a server has to prove, weakest first; the names are libpq's values of `sslmode`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Mode {
    Disable,
    Prefer,
    Require,
    VerifyCa,
    VerifyFull,
}

impl Mode {
    fn of(word: &str) -> Option<Mode> {
        Some(match word {
            "disable" => Mode::Disable,
            "prefer" => Mode::Prefer,
            "require" => Mode::Require,
            "verify-ca" => Mode::VerifyCa,
            "verify-full" => Mode::VerifyFull,
            _ => return None,
        })
    }
}

/// Why a text does not say how to reach a server.
#[derive(Debug, thiserror::Error)]
pub enum AddressError {
    /// Of no form known, or with an option that is not.
    #[error(transparent)]
    Text(#[from] tokio_postgres::Error),
    /// It names no host.
    #[error("this names no host")]
    NoHost,
    /// Unknown `sslmode`.
    #[error("sslmode is \"{0}\"; it can be verify-full, verify-ca, require, prefer or disable")]
    Mode(String),
    /// Authorities for a server that need not prove anything.
    #[error("sslrootcert needs sslmode verify-full or verify-ca")]
    Unused,
}

/// Where a server is, and what it has to prove.
#[derive(Debug, Clone)]
pub struct Address {
    /// Everything but TLS.
    pub(super) config: tokio_postgres::Config,
    mode: Mode,
    /// Authorities (PEM) in place of this machine's.
    authorities: Option<PathBuf>,
}

impl FromStr for Address {
    type Err = AddressError;

    fn from_str(text: &str) -> Result<Address, AddressError> {
        let (plain, options) = take_tls_options(text);
        let mut config: tokio_postgres::Config = plain.parse()?;
        if config.get_hosts().is_empty() {
            return Err(AddressError::NoHost);
        }
        let last = |key: &str| options.iter().rev().find(|(name, _)| name == key).map(|(_, value)| value.as_str());
        let authorities = last("sslrootcert").map(PathBuf::from);
        let sockets_only = config.get_hosts().iter().all(|host| matches!(host, Host::Unix(_)));
        let mode = match last("sslmode") {
            Some(word) => Mode::of(word).ok_or_else(|| AddressError::Mode(word.to_owned()))?,
            None if config.get_hosts().iter().all(is_local) && authorities.is_none() => Mode::Disable,
            None => Mode::VerifyFull,
        };
        if authorities.is_some() && !matches!(mode, Mode::VerifyCa | Mode::VerifyFull) {
            return Err(AddressError::Unused);
        }
        // As with libpq, TLS is of no account on a socket of this machine.
        let mode = if sockets_only { Mode::Disable } else { mode };
        config.ssl_mode(match mode {
            Mode::Disable => SslMode::Disable,
            Mode::Prefer => SslMode::Prefer,
            Mode::Require | Mode::VerifyCa | Mode::VerifyFull => SslMode::Require,
        });
        Ok(Address { config, mode, authorities })
    }
}

fn is_local(host: &Host) -> bool {
    match host {
        Host::Unix(_) => true,
        Host::Tcp(name) => name == "localhost" || name.parse().is_ok_and(|ip: std::net::IpAddr| ip.is_loopback()),
    }
}

/// The text without the options that tokio-postgres does not know in full, and these: `sslmode` and `sslrootcert`.
fn take_tls_options(text: &str) -> (String, Vec<(String, String)>) {
    let ours = |key: &str| matches!(key, "sslmode" | "sslrootcert");
    let mut taken = Vec::new();
    if text.starts_with("postgres://") || text.starts_with("postgresql://") {
        let Some((start, query)) = text.split_once('?') else { return (text.to_owned(), taken) };
        let mut rest = Vec::new();
        for pair in query.split('&') {
            match pair.split_once('=') {
                Some((key, value)) if ours(key) => taken.push((key.to_owned(), percent_decoded(value))),
                _ => rest.push(pair),
            }
        }
        return (format!("{start}?{}", rest.join("&")), taken);
    }
    let (mut plain, mut left) = (String::new(), text);
    while let Some((key, value, pair, rest)) = next_pair(left) {
        if ours(key) {
            taken.push((key.to_owned(), value));
        } else {
            plain.push_str(pair);
            plain.push(' ');
        }
        left = rest;
    }
    // What is no pair is left to be refused.
    plain.push_str(left);
    (plain, taken)
}

/// The first `key = value` of a text: key, value without its quotes, the pair as written, and what follows.
fn next_pair(text: &str) -> Option<(&str, String, &str, &str)> {
    let text = text.trim_start();
    let (key, after) = text.split_once('=')?;
    let after = after.trim_start();
    let start = text.len() - after.len();
    let quoted = after.starts_with('\'');
    let (mut value, mut escaped, mut end) = (String::new(), false, if quoted { None } else { Some(after.len()) });
    for (at, c) in after.char_indices().skip(usize::from(quoted)) {
        match c {
            _ if escaped => {
                value.push(c);
                escaped = false;
            }
            '\\' => escaped = true,
            '\'' if quoted => {
                end = Some(at + 1);
                break;
            }
            c if !quoted && c.is_whitespace() => {
                end = Some(at);
                break;
            }
            c => value.push(c),
        }
    }
    let end = start + end?;
    Some((key.trim_end(), value, &text[..end], &text[end..]))
}

fn percent_decoded(text: &str) -> String {
    let bytes = text.as_bytes();
    let (mut out, mut at) = (Vec::with_capacity(bytes.len()), 0);
    while at < bytes.len() {
        let hex =
            text.get(at + 1..at + 3).filter(|_| bytes[at] == b'%').and_then(|hex| u8::from_str_radix(hex, 16).ok());
        out.push(hex.unwrap_or(bytes[at]));
        at += if hex.is_some() { 3 } else { 1 };
    }
    String::from_utf8_lossy(&out).into_owned()
}

impl Address {
    /// What is needed for the handshake, none where there is no TLS. Reads the authorities.
    pub(super) fn tls(&self) -> Result<Option<Tls>, String> {
        let provider = Arc::new(ring::default_provider());
        let inner = match self.mode {
            Mode::Disable => return Ok(None),
            Mode::Prefer | Mode::Require => None,
            Mode::VerifyCa | Mode::VerifyFull => {
                let roots = Arc::new(roots(self.authorities.as_deref())?);
                let verifier = WebPkiServerVerifier::builder_with_provider(roots, Arc::clone(&provider));
                Some(verifier.build().map_err(|error| error.to_string())?)
            }
        };
        let verifier = Verifier { inner, any_name: self.mode != Mode::VerifyFull, provider: Arc::clone(&provider) };
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|error| error.to_string())?
            .dangerous()
            .with_custom_certificate_verifier(Arc::new(verifier))
            .with_no_client_auth();
        Ok(Some(Tls(Arc::new(config))))
    }
}

fn roots(file: Option<&Path>) -> Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    if let Some(path) = file {
        let refused = |why: String| format!("sslrootcert {}: {why}", path.display());
        let certificates = CertificateDer::pem_file_iter(path).map_err(|error| refused(error.to_string()))?;
        for certificate in certificates {
            let certificate = certificate.map_err(|error| refused(error.to_string()))?;
            roots.add(certificate).map_err(|error| refused(error.to_string()))?;
        }
        if roots.is_empty() {
            return Err(refused("there is no certificate in this file".to_owned()));
        }
    } else {
        roots.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
        if roots.is_empty() {
            return Err("this machine knows no certificate authority; name one with sslrootcert".to_owned());
        }
    }
    Ok(roots)
}

/// Verifies what the mode asks for; the signature of the handshake always.
#[derive(Debug)]
struct Verifier {
    /// None: any certificate will do.
    inner: Option<Arc<WebPkiServerVerifier>>,
    any_name: bool,
    provider: Arc<CryptoProvider>,
}

impl ServerCertVerifier for Verifier {
    fn verify_server_cert(
        &self,
        end_entity: &CertificateDer<'_>,
        intermediates: &[CertificateDer<'_>],
        name: &ServerName<'_>,
        ocsp: &[u8],
        now: UnixTime,
    ) -> Result<ServerCertVerified, TlsError> {
        let Some(inner) = &self.inner else { return Ok(ServerCertVerified::assertion()) };
        match inner.verify_server_cert(end_entity, intermediates, name, ocsp, now) {
            // The name is looked at last, once the chain has been found good.
            Err(TlsError::InvalidCertificate(
                CertificateError::NotValidForName | CertificateError::NotValidForNameContext { .. },
            )) if self.any_name => Ok(ServerCertVerified::assertion()),
            other => other,
        }
    }

    fn verify_tls12_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, TlsError> {
        verify_tls12_signature(message, cert, dss, &self.provider.signature_verification_algorithms)
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        cert: &CertificateDer<'_>,
        dss: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, TlsError> {
        verify_tls13_signature(message, cert, dss, &self.provider.signature_verification_algorithms)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.provider.signature_verification_algorithms.supported_schemes()
    }
}

/// Makes handshakes.
#[derive(Debug, Clone)]
pub(super) struct Tls(Arc<ClientConfig>);

/// One handshake.
pub(super) struct Handshake(TlsConnector, ServerName<'static>);

/// An encrypted connection.
pub(super) struct Encrypted<S>(client::TlsStream<S>);

impl<S: AsyncRead + AsyncWrite + Unpin + Send + 'static> MakeTlsConnect<S> for Tls {
    type Stream = Encrypted<S>;
    type TlsConnect = Handshake;
    type Error = InvalidDnsNameError;

    fn make_tls_connect(&mut self, domain: &str) -> Result<Handshake, InvalidDnsNameError> {
        Ok(Handshake(TlsConnector::from(Arc::clone(&self.0)), ServerName::try_from(domain.to_owned())?))
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin + Send + 'static> TlsConnect<S> for Handshake {
    type Stream = Encrypted<S>;
    type Error = io::Error;
    type Future = Pin<Box<dyn Future<Output = io::Result<Encrypted<S>>> + Send>>;

    fn connect(self, stream: S) -> Self::Future {
        Box::pin(async move { self.0.connect(self.1, stream).await.map(Encrypted) })
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> TlsStream for Encrypted<S> {
    fn channel_binding(&self) -> ChannelBinding {
        ChannelBinding::none()
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncRead for Encrypted<S> {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_read(cx, buf)
    }
}

impl<S: AsyncRead + AsyncWrite + Unpin> AsyncWrite for Encrypted<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.0).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.0).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mode(text: &str) -> Mode {
        text.parse::<Address>().unwrap().mode
    }

    #[test]
    fn a_server_elsewhere_has_to_prove_itself_unless_the_text_says_otherwise() {
        let cases = [
            ("host=/run/postgresql user=w", Mode::Disable),
            ("host=/run/postgresql user=w sslmode=verify-full", Mode::Disable),
            ("host=localhost user=w", Mode::Disable),
            ("host=127.0.0.1,::1 user=w", Mode::Disable),
            ("host=localhost user=w sslrootcert=/ca.pem", Mode::VerifyFull),
            ("host=db.larkmoor.example user=w", Mode::VerifyFull),
            ("host=localhost,db.larkmoor.example user=w", Mode::VerifyFull),
            ("host=db.larkmoor.example sslmode = 'verify-ca' user=w", Mode::VerifyCa),
            ("host=db.larkmoor.example sslmode=require", Mode::Require),
            ("host=db.larkmoor.example sslmode=disable", Mode::Disable),
            ("postgresql://w@db.larkmoor.example/w", Mode::VerifyFull),
            ("postgres://w@db.larkmoor.example/w?connect_timeout=3&sslmode=prefer", Mode::Prefer),
        ];
        for (text, wanted) in cases {
            assert_eq!(mode(text), wanted, "{text}");
        }
    }

    #[test]
    fn quoted_and_escaped_values_are_read_as_libpq_does() {
        let text = r"host=db password='sslmode=disable it\'s' sslrootcert='/my files/ca.pem' dbname=w";
        let address: Address = text.parse().unwrap();
        assert_eq!(address.mode, Mode::VerifyFull, "a password is no option");
        assert_eq!(address.config.get_password(), Some(&b"sslmode=disable it's"[..]));
        assert_eq!(address.config.get_dbname(), Some("w"));
        assert_eq!(address.authorities.as_deref(), Some(Path::new("/my files/ca.pem")));
        let url: Address = "postgres://w@db/w?sslrootcert=%2Fmy%20files%2Fca.pem".parse().unwrap();
        assert_eq!(url.authorities, address.authorities);
    }

    #[test]
    fn what_cannot_be_kept_is_refused_in_words() {
        let cases = [
            ("host=db sslmode=always", "verify-full, verify-ca, require, prefer or disable"),
            ("host=db sslmode=require sslrootcert=/ca.pem", "sslrootcert needs"),
            ("user=w", "names no host"),
            ("host=db colour=red", "colour"),
            ("host=db password='open", ""),
        ];
        for (text, words) in cases {
            let error = text.parse::<Address>().unwrap_err().to_string();
            let error = format!("{error}: {:?}", text.parse::<Address>());
            assert!(error.contains(words), "{text}: {error}");
        }
        let address: Address = "host=db sslrootcert=/nowhere/ca.pem".parse().unwrap();
        assert!(address.tls().unwrap_err().contains("/nowhere/ca.pem"));
    }
}
