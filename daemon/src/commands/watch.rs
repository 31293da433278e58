//! `driftvane watch`: watches until it is told to stop.

use std::sync::Arc;

use anyhow::Context;

use crate::config::Config;
use crate::ingest::Ingest;
use crate::run;

/// Watches until the process is asked to end.
///
/// # Errors
///
/// When the record can not be opened or fails.
pub async fn watch(config: Arc<Config>) -> anyhow::Result<()> {
    let ingest = Ingest::open(Arc::clone(&config), super::replay::threads())?;
    tracing::info!(feeds = config.feeds.len(), folder = %config.data_folder.display(), "watching");
    run::watch(ingest, asked_to_end()?, |outcome| {
        if outcome.accepted + outcome.quarantined + outcome.duplicate > 0 {
            tracing::info!(
                accepted = outcome.accepted,
                duplicate = outcome.duplicate,
                quarantined = outcome.quarantined,
                rows = outcome.rows,
                rejects = outcome.rejects,
                "files"
            );
        }
    })
    .await?;
    tracing::info!("stopped");
    Ok(())
}

fn asked_to_end() -> anyhow::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate()).context("can not listen for signals")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("can not listen for signals")?;
    Ok(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    })
}
