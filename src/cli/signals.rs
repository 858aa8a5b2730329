//! Ctrl-C and SIGTERM, both of which mean: end cleanly now; and SIGHUP: read the configuration again.

use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

use crate::reload::Reloader;

/// A token that is cancelled by the first signal. Must be called on a runtime.
pub(super) fn stop_token() -> anyhow::Result<CancellationToken> {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut terminate = signal(SignalKind::terminate())?;
    let token = CancellationToken::new();
    let stop = token.clone();
    tokio::spawn(async move {
        let name = tokio::select! {
            _ = interrupt.recv() => "Ctrl-C",
            _ = terminate.recv() => "SIGTERM",
        };
        tracing::info!("stopping ({name})");
        stop.cancel();
    });
    Ok(token)
}

/// Has every SIGHUP read the configuration again; what comes of it is told by the daemon. Must be called on a runtime.
pub(super) fn reload_on_hangup(reloader: Reloader) -> anyhow::Result<()> {
    let mut hangup = signal(SignalKind::hangup())?;
    tokio::spawn(async move {
        while hangup.recv().await.is_some() {
            // The daemon has told why it was refused.
            let _ = reloader.reload("SIGHUP").await;
        }
    });
    Ok(())
}
