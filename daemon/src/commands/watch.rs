//! `driftvane watch`: watches until it is told to stop.
//!
//! Brings the loop, the live page, the signals of the system and the service manager together. The
//! one invariant: one configuration is in force for all of it; what could fail of a new one is done
//! before it changes anything that runs.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinSet;

use crate::alerts::{Announcer, Courier, Reach};
use crate::config::{Config, read};
use crate::health::Health;
use crate::ingest::Ingest;
use crate::run::{self, Wish};
use crate::serve::access::Access;
use crate::service::Service;
use crate::{clock, serve};

/// How long the loop may take to end once it is asked to; then the process ends in the middle of a
/// batch, of which nothing is kept and everything is read again.
const STOP_PATIENCE: Duration = Duration::from_secs(3);

/// Watches until the process is asked to end, and serves the live page where it is configured.
///
/// # Errors
///
/// When the record can not be opened or fails, or the page can not listen.
pub async fn watch(config: Arc<Config>, config_path: &Path) -> anyhow::Result<()> {
    // Before anything is opened: from now on a stop is one in order.
    let signals = Signals::heard()?;
    let health = Arc::<Health>::default();
    let mut announcer = Announcer::default();
    let mut open = || {
        let threads = super::replay::threads();
        run::open(&config, threads, &health, &mut announcer)
    };
    let mut opened = open()?;
    let service = Arc::new(Service::of_environment());
    let mut tasks = JoinSet::new();
    let mut wishes = listen(&mut tasks, signals, &health, &service);
    let mut page = LivePage::default();
    page.start(page.prepare(&config, &health).await?);
    service.ready();
    tasks.spawn(Arc::clone(&service).follow(Arc::clone(&health)));
    // The page is there all the while. A new configuration is read when there is a record for it.
    let ingest = loop {
        match opened {
            Some(ingest) => break ingest,
            None if is_to_stop(&mut wishes).await => return Ok(()),
            None => opened = tokio::task::block_in_place(&mut open)?,
        }
    };
    tracing::info!(feeds = config.feeds.len(), folder = %config.data_folder.display(), "watching");
    let mut courier = Some(Courier::start(&config, Reach::All)?);
    let wish = async || wishes.recv().await.unwrap_or(Wish::Stop);
    let reload = async |ingest: &mut Ingest| {
        service.reloading();
        let reloaded = reload(ingest, config_path, (&mut page, &mut courier)).await;
        if let Err(problems) = &reloaded {
            tracing::error!("the old configuration stays, the new one can not be used: {problems}");
        }
        service.ready();
        reloaded.is_ok()
    };
    let watched = run::watch(ingest, wish, reload, |outcome| {
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
    tokio::task::block_in_place(|| courier.into_iter().for_each(Courier::finish));
    watched?;
    tracing::info!("stopped");
    Ok(())
}

/// Waits until it is time to look for room on a full disk; tells whether the program is to end.
async fn is_to_stop(wishes: &mut mpsc::Receiver<Wish>) -> bool {
    let pause = tokio::time::sleep(Duration::from_millis(run::ROOM_EVERY_MS));
    tokio::pin!(pause);
    loop {
        tokio::select! {
            wish = wishes.recv() => match wish {
                Some(Wish::Reload) => {}
                Some(Wish::Stop) | None => return true,
            },
            () = &mut pause => return false,
        }
    }
}

/// The signals of the system that are meant for the program.
struct Signals {
    terminate: Signal,
    interrupt: Signal,
    hang_up: Signal,
}

impl Signals {
    fn heard() -> anyhow::Result<Signals> {
        let heard = |kind| signal(kind).context("can not listen for signals");
        Ok(Signals {
            terminate: heard(SignalKind::terminate())?,
            interrupt: heard(SignalKind::interrupt())?,
            hang_up: heard(SignalKind::hangup())?,
        })
    }
}

/// What the signals ask for. A stop is known to the loop at once, and carried out without it where
/// it takes too long.
fn listen(
    tasks: &mut JoinSet<()>,
    mut signals: Signals,
    health: &Arc<Health>,
    service: &Arc<Service>,
) -> mpsc::Receiver<Wish> {
    let (health, service) = (Arc::clone(health), Arc::clone(service));
    // One is enough: a configuration that is about to be read is the newest.
    let (wish, wishes) = mpsc::channel(1);
    tasks.spawn(async move {
        loop {
            tokio::select! {
                _ = signals.terminate.recv() => break,
                _ = signals.interrupt.recv() => break,
                _ = signals.hang_up.recv() => match wish.try_send(Wish::Reload) {
                    Ok(()) | Err(_) => {}
                },
            }
        }
        health.ask_to_stop();
        service.stopping();
        let stop = async {
            match wish.send(Wish::Stop).await {
                Ok(()) | Err(_) => {}
            }
            std::future::pending::<()>().await;
        };
        if tokio::time::timeout(STOP_PATIENCE, stop).await.is_err() {
            tracing::info!("stopped before all was done; what was under way is done again");
            std::process::exit(0);
        }
    });
    wishes
}

/// Goes on with the configuration as it is now, or leaves everything as it was.
async fn reload(
    ingest: &mut Ingest,
    config_path: &Path,
    (page, courier): (&mut LivePage, &mut Option<Courier>),
) -> anyhow::Result<()> {
    let text =
        std::fs::read_to_string(config_path).with_context(|| config_path.display().to_string())?;
    let config = Arc::new(config_of(&text, config_path)?);
    let old = &ingest.config().data_folder;
    anyhow::ensure!(
        config.data_folder == *old,
        "store.folder is another one; to use it, stop and start again"
    );
    let prepared = page.prepare(&config, ingest.health()).await?;
    let next = Courier::prepare(&config, Reach::All)?;
    let taken = tokio::task::block_in_place(|| ingest.reconfigure(Arc::clone(&config)));
    if let Err(error) = taken {
        next.cancel();
        return Err(error.into());
    }
    // From here on nothing can fail.
    page.start(prepared);
    *courier = Some(next.take_over(courier.take()));
    let digest = blake3::hash(text.as_bytes()).to_hex();
    let subject = format!("{}, BLAKE3 {digest}", config_path.display());
    let noted = ingest.store().note_reload(&subject, clock::now());
    // Where the record can not be written, the loop finds out by itself and says so.
    if let Err(error) = noted {
        tracing::error!(%error, "the new configuration is used, but the audit trail lacks it");
    }
    tracing::info!(config = %config_path.display(), %digest, "the configuration was read again");
    Ok(())
}

fn config_of(text: &str, path: &Path) -> anyhow::Result<Config> {
    let absolute = std::path::absolute(path)?;
    let base = absolute.parent().unwrap_or(Path::new("/"));
    read::read(text, base).map_err(|problems| anyhow::anyhow!("{}:\n{problems}", path.display()))
}

/// The live page: its socket, and the tasks that answer there.
#[derive(Default)]
struct LivePage {
    listener: Option<Arc<TcpListener>>,
    /// Who is signed in.
    access: Option<Arc<Access>>,
    address: Option<SocketAddr>,
    /// They end with it: whoever reads a page then is cut off, which loses nothing.
    _tasks: JoinSet<()>,
}

/// A page that only has to be started.
struct Prepared {
    listener: Arc<TcpListener>,
    address: SocketAddr,
    access: Arc<Access>,
    page: serve::Page,
    changes: watch::Sender<u64>,
    health: Arc<Health>,
    folder: PathBuf,
}

impl LivePage {
    /// Gets what the configuration asks for; what runs goes on.
    async fn prepare(
        &self,
        config: &Arc<Config>,
        health: &Arc<Health>,
    ) -> Result<Option<Prepared>, serve::ServeError> {
        let Some(settings) = &config.serve else {
            return Ok(None);
        };
        let access = Arc::new(Access::read(settings.tokens.as_deref())?);
        let listener = match &self.listener {
            Some(listener) if self.address == Some(settings.listen) => Arc::clone(listener),
            _ => Arc::new(serve::open(settings.listen).await?),
        };
        let (changes, changed) = watch::channel(0);
        let told = (changed, Arc::clone(health));
        let own = Arc::clone(&access);
        Ok(Some(Prepared {
            listener,
            address: settings.listen,
            access,
            page: serve::Page::new(Arc::clone(config), settings, own, told)?,
            changes,
            health: Arc::clone(health),
            folder: config.data_folder.clone(),
        }))
    }

    /// Answers with what was prepared, and no longer with what was before.
    fn start(&mut self, prepared: Option<Prepared>) {
        let Some(prepared) = prepared else {
            *self = LivePage::default();
            return;
        };
        let Prepared {
            listener,
            address,
            access,
            page,
            changes,
            health,
            folder,
        } = prepared;
        if let Some(before) = &self.access {
            access.inherit(before);
        }
        let mut tasks = JoinSet::new();
        tasks.spawn(serve::follow(folder, health, changes));
        let app = serve::app(Arc::new(page));
        tasks.spawn(serve::serve(Arc::clone(&listener), app));
        *self = LivePage {
            listener: Some(listener),
            access: Some(access),
            address: Some(address),
            _tasks: tasks,
        };
    }
}
