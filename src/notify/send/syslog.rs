//! Syslog receivers: UDP (RFC 5426), TCP with counted octets (RFC 6587) and TLS (RFC 5425).
//!
//! Syslog has no answer. Over TCP and TLS a line counts as delivered when the receiver, having been told the end of the stream,
//! closes it: a receiver that hangs does not. Over UDP it counts as delivered when it was sent and no refusal came back. Must
//! never fall back from TLS to anything else.

use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::UdpSocket;

use super::syslog_line::line;
use super::{Failure, tls};
use crate::notify::outbox_file::Waiting;
use crate::notify::settings::{Syslog, SyslogTransport};

/// A host without a receiver says so at once, if it says anything.
const REFUSAL: Duration = Duration::from_millis(200);

pub(super) async fn deliver(syslog: &Syslog, waiting: &Waiting) -> Result<String, Failure> {
    let host = rustix::system::uname().nodename().to_string_lossy().into_owned();
    let line = line(syslog.facility, syslog.enterprise, &host, std::process::id(), waiting);
    let counted = format!("{} {line}", line.len());
    match syslog.transport {
        SyslogTransport::Udp => datagram(syslog, line.as_bytes()).await,
        SyslogTransport::Tcp => stream(tls::connect(&syslog.host, syslog.port).await?, counted.as_bytes()).await,
        SyslogTransport::Tls => {
            let ca_file = syslog.ca_file.as_deref();
            stream(tls::connect_tls(&syslog.host, syslog.port, ca_file).await?, counted.as_bytes()).await
        }
    }
}

async fn datagram(syslog: &Syslog, line: &[u8]) -> Result<String, Failure> {
    let (host, port) = (syslog.host.trim_start_matches('[').trim_end_matches(']'), syslog.port);
    let failed = |error: std::io::Error| Failure::unreachable(format!("cannot send to {host} port {port}: {error}"));
    // A name may have addresses of which only some have a receiver.
    let mut result = Err(Failure::unreachable(format!("{host} has no address")));
    for address in tokio::net::lookup_host((host, port)).await.map_err(failed)? {
        result = send_to(address, line).await.map_err(failed);
        if result.is_ok() {
            break;
        }
    }
    result.map(|()| "sent (UDP does not say whether it arrived)".to_owned())
}

async fn send_to(address: std::net::SocketAddr, line: &[u8]) -> std::io::Result<()> {
    let any = if address.is_ipv4() { "0.0.0.0:0" } else { "[::]:0" };
    let socket = UdpSocket::bind(any).await?;
    socket.connect(address).await?;
    socket.send(line).await?;
    match tokio::time::timeout(REFUSAL, socket.recv(&mut [0; 16])).await {
        Ok(Err(refused)) => Err(refused),
        _ => Ok(()),
    }
}

async fn stream(mut stream: impl AsyncRead + AsyncWrite + Unpin, bytes: &[u8]) -> Result<String, Failure> {
    let failed = |error: std::io::Error| Failure::unreachable(format!("the connection failed: {error}"));
    stream.write_all(bytes).await.map_err(failed)?;
    stream.flush().await.map_err(failed)?;
    stream.shutdown().await.map_err(failed)?;
    let mut ignored = [0; 256];
    loop {
        match stream.read(&mut ignored).await {
            Ok(0) => break,
            Ok(_) => {}
            // Receivers often close without TLS's own farewell.
            Err(error) if error.kind() == std::io::ErrorKind::UnexpectedEof => break,
            Err(error) => return Err(failed(error)),
        }
    }
    Ok("taken, and the connection closed by the receiver".to_owned())
}
