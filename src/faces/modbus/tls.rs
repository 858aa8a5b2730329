//! Modbus/TCP Security (MB-TCP-Security v36): the same frames inside TLS 1.2 or 1.3, both sides with certificates, and what a
//! client may read by the role its certificate names.
//!
//! Must never serve a client whose certificate was not verified, nor fall back to plain TCP.

use std::io;
use std::time::Duration;

use tokio::net::TcpStream;
use tokio_rustls::server::TlsStream;
use x509_parser::asn1_rs::Utf8String;
use x509_parser::prelude::{FromDer, X509Certificate};

use crate::config::model::{ModbusRole, ModbusTlsConfig};
use crate::tls::{CertificateError, ReloadingTls, TlsFiles};

/// A handshake takes a few round trips; a client that has not finished by then is gone.
const HANDSHAKE: Duration = Duration::from_secs(10);

/// The extension that names the role.
const ROLE: &[u64] = &[1, 3, 6, 1, 4, 1, 50316, 802, 1];

/// Certificates, and which role may read what.
#[derive(Debug)]
pub struct Tls {
    files: ReloadingTls,
    roles: Vec<ModbusRole>,
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

impl Tls {
    /// Reads certificates and key.
    pub fn load(config: &ModbusTlsConfig) -> Result<Tls, CertificateError> {
        let files = TlsFiles {
            server: "Modbus server",
            table: "modbus_server.tls",
            certificate: config.certificate.clone(),
            key: config.key.clone(),
            client_authority: Some(config.client_authority.clone()),
            protocols: &[],
        };
        Ok(Tls { files: ReloadingTls::load(files)?, roles: config.roles.clone() })
    }

    /// Shakes hands; the client's rights come with the stream.
    pub async fn accept(&self, stream: TcpStream) -> io::Result<(TlsStream<TcpStream>, Rights)> {
        let shaking = async { self.files.newest().await.accept(stream).await };
        let stream = tokio::time::timeout(HANDSHAKE, shaking).await??;
        // A resumed session keeps its certificates, and the role with them (clause 8.4).
        let certificate = stream.get_ref().1.peer_certificates().and_then(<[_]>::first);
        let rights = certificate.map_or(Rights::NONE, |certificate| self.rights(certificate));
        Ok((stream, rights))
    }

    fn rights(&self, certificate: &[u8]) -> Rights {
        let role = role_of(certificate);
        let known = self.roles.iter().find(|known| role.as_ref() == Some(&known.name));
        known.map_or(Rights::NONE, |known| known.units.clone().map_or(Rights::All, Rights::Units))
    }
}

/// The one role of a certificate. None where there is none, more than one, or not a UTF8String.
pub fn role_of(certificate: &[u8]) -> Option<String> {
    let (_, certificate) = X509Certificate::from_der(certificate).ok()?;
    let is_role =
        |oid: &x509_parser::oid_registry::Oid<'_>| oid.iter().is_some_and(|arcs| arcs.eq(ROLE.iter().copied()));
    let mut roles = certificate.extensions().iter().filter(|extension| is_role(&extension.oid));
    let (role, None) = (roles.next()?, roles.next()) else { return None };
    let (rest, role) = Utf8String::from_der(role.value).ok()?;
    let role = role.string();
    (rest.is_empty() && !role.is_empty()).then_some(role)
}

#[cfg(test)]
#[path = "tls_tests.rs"]
mod tests;
