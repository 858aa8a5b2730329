//! Ctrl-C and SIGTERM, both of which mean: end cleanly now.

use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

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
