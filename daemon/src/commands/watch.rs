//! `driftvane watch`: watches until it is told to stop.

use std::sync::Arc;

use anyhow::Context;

use tokio::task::JoinSet;

use crate::alerts::{Courier, Reach};
use crate::config::Config;
use crate::ingest::Ingest;
use crate::{run, serve};

/// Watches until the process is asked to end, and serves the live page where it is configured.
///
/// # Errors
///
/// When the record can not be opened or fails, or the page can not listen.
pub async fn watch(config: Arc<Config>) -> anyhow::Result<()> {
    let ingest = Ingest::open(Arc::clone(&config), super::replay::threads())?;
    tracing::info!(feeds = config.feeds.len(), folder = %config.data_folder.display(), "watching");
    let courier = Courier::start(&config, Reach::All)?;
    // Dropped with this function: whoever reads a page then is cut off, which loses nothing.
    let _page = live_page(&config).await?;
    let watched = run::watch(ingest, asked_to_end()?, |outcome| {
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
    .await;
    tokio::task::block_in_place(|| courier.finish());
    watched?;
    tracing::info!("stopped");
    Ok(())
}

/// The tasks of the live page; none where it is not configured.
async fn live_page(config: &Arc<Config>) -> anyhow::Result<JoinSet<()>> {
    let mut tasks = JoinSet::new();
    let (Some(settings), Some((listener, access))) = (&config.serve, serve::open(config).await?)
    else {
        return Ok(tasks);
    };
    let (changes, changed) = tokio::sync::watch::channel(0);
    let page = serve::Page::new(Arc::clone(config), settings, access, changed)?;
    tasks.spawn(serve::follow(config.data_folder.clone(), changes));
    tasks.spawn(serve::serve(listener, serve::app(Arc::new(page))));
    Ok(tasks)
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
