//! How the command line reaches the daemon that runs by a configuration file: a local socket named after that file.
//!
//! The name is in Linux's abstract namespace, so that there is no file to leave behind, and it takes orders only from the user
//! the daemon runs as and from root. Must never carry anything but orders that a signal could give.

use std::io;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::net as blocking;
use std::path::Path;
use std::time::Duration;

use sha2::{Digest, Sha256};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{UnixListener, UnixStream};
use tokio_util::sync::CancellationToken;

use crate::journal::Hash;
use crate::reload::Reloader;

const RELOAD: &str = "reload\n";
/// Whoever connects says what they want by then.
const PATIENCE: Duration = Duration::from_secs(5);

/// Binds the socket of a daemon that runs by `config`.
pub fn bind(config: &Path) -> io::Result<UnixListener> {
    let listener = blocking::UnixListener::bind_addr(&address(config)?)?;
    listener.set_nonblocking(true)?;
    UnixListener::from_std(listener)
}

/// Takes orders until cancelled, one after the other.
pub async fn serve(listener: UnixListener, reloader: Reloader, cancel: CancellationToken) {
    while let Some(Ok((stream, _))) = cancel.run_until_cancelled(listener.accept()).await {
        if let Err(error) = take_order(stream, &reloader).await {
            tracing::warn!("an order by the local socket came to nothing: {error}");
        }
    }
}

/// True when a daemon runs by `config`.
pub fn is_running(config: &Path) -> io::Result<bool> {
    match blocking::UnixStream::connect_addr(&address(config)?) {
        Ok(_) => Ok(true),
        Err(error) if error.kind() == io::ErrorKind::ConnectionRefused => Ok(false),
        Err(error) => Err(error),
    }
}

async fn take_order(mut stream: UnixStream, reloader: &Reloader) -> io::Result<()> {
    let uid = stream.peer_cred()?.uid();
    if uid != 0 && uid != rustix::process::geteuid().as_raw() {
        return stream.write_all(b"no: only the user that the daemon runs as, and root, may order this\n").await;
    }
    let mut order = [0; RELOAD.len()];
    match tokio::time::timeout(PATIENCE, stream.read_exact(&mut order)).await? {
        // Somebody looked whether a daemon runs.
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => return Ok(()),
        read => read?,
    };
    let answer = if order == *RELOAD.as_bytes() {
        match reloader.reload(format!("the command line (user id {uid})")).await {
            Ok(reloaded) => format!("yes: {reloaded}\n"),
            Err(error) => format!("no: {error}\n"),
        }
    } else {
        "no: this is no order\n".to_owned()
    };
    stream.write_all(answer.as_bytes()).await
}

/// Has the daemon that runs by `config` read it again; what came of it in words, and whether it was done.
pub async fn reload(config: &Path) -> io::Result<(bool, String)> {
    let stream = blocking::UnixStream::connect_addr(&address(config)?)?;
    stream.set_nonblocking(true)?;
    let mut stream = UnixStream::from_std(stream)?;
    stream.write_all(RELOAD.as_bytes()).await?;
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await?;
    match answer.trim_end().split_once(": ") {
        Some(("yes", text)) => Ok((true, text.to_owned())),
        Some(("no", text)) => Ok((false, text.to_owned())),
        _ => Err(io::Error::new(io::ErrorKind::UnexpectedEof, "the daemon ended before it answered")),
    }
}

fn address(config: &Path) -> io::Result<blocking::SocketAddr> {
    let path = config.canonicalize()?;
    let name = Hash(Sha256::digest(path.as_os_str().as_encoded_bytes()).into());
    blocking::SocketAddr::from_abstract_name(format!("wattassay/{name}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reload::{ReloadError, Reloaded};

    #[tokio::test]
    async fn an_order_reaches_the_daemon_of_the_file_and_brings_its_answer_back() {
        let file = tempfile::NamedTempFile::new().unwrap();
        let refused = reload(file.path()).await.unwrap_err();
        assert_eq!(refused.kind(), io::ErrorKind::ConnectionRefused, "no daemon runs by it");
        assert!(!is_running(file.path()).unwrap());
        let listener = bind(file.path()).unwrap();
        assert!(is_running(file.path()).unwrap());
        assert!(bind(file.path()).is_err(), "a second daemon by the same file");
        let (reloader, mut orders) = Reloader::new();
        let cancel = CancellationToken::new();
        let served = tokio::spawn(serve(listener, reloader, cancel.clone()));
        for (answer, expected) in [
            (Ok(Reloaded::default()), (true, Reloaded::default().to_string())),
            (Err(ReloadError::NoFile), (false, ReloadError::NoFile.to_string())),
        ] {
            let asked = tokio::spawn({
                let path = file.path().to_owned();
                async move { reload(&path).await.unwrap() }
            });
            let order = orders.recv().await.unwrap();
            assert!(order.by.starts_with("the command line (user id "), "{}", order.by);
            order.done.send(answer).unwrap();
            assert_eq!(asked.await.unwrap(), expected);
        }
        cancel.cancel();
        served.await.unwrap();
    }
}
