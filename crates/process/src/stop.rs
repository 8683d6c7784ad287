//! How a process is told to stop.

use tokio::signal::unix::{SignalKind, signal};

/// Until the process is told to stop: by SIGTERM, or by SIGINT from a terminal.
pub async fn told_to_stop() {
    let signals = signal(SignalKind::terminate())
        .and_then(|terminate| Ok((terminate, signal(SignalKind::interrupt())?)));
    match signals {
        Ok((mut terminate, mut interrupt)) => {
            tokio::select! {
                _ = terminate.recv() => tracing::info!(signal = "SIGTERM", "told to stop"),
                _ = interrupt.recv() => tracing::info!(signal = "SIGINT", "told to stop"),
            }
        }
        Err(error) => {
            tracing::error!(error = %error, "signals cannot be received; only a kill will stop this process");
            std::future::pending().await
        }
    }
}
