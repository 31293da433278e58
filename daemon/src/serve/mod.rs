//! The live page: what the record says now, for people on the line and at a desk.
//!
//! Reads the record through its queries and asks for changes the way the commands do; knows no SQL
//! and no engine. The one invariant: reading goes on whatever happens here, and nothing is changed
//! except by a POST of someone who may.

use std::net::SocketAddr;
use std::sync::Arc;

use axum::Router;
use axum::routing::{get, post};
use minijinja::Environment;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

use crate::config::{Config, Serve};
use crate::health::Health;
use crate::store::What;
use access::Access;

pub mod access;
mod actions;
mod connection;
mod download;
mod events;
mod guard;
mod machine;
mod pages;
mod places;
#[cfg(test)]
mod tests;

pub use connection::serve;
pub use events::follow;

/// Pages that wait for news at the same time.
const LISTENERS_MAX: usize = 32;

/// Passes over the archive at the same time, whoever asks for them.
const PASSES_MAX: usize = 2;

/// What the handlers share.
pub struct Page {
    config: Arc<Config>,
    access: Arc<Access>,
    /// Names by which browsers may reach the page.
    hosts: Vec<String>,
    /// Changes whenever the record does.
    changed: watch::Receiver<u64>,
    /// How the program is.
    health: Arc<Health>,
    /// A place for each page that waits for news.
    listeners: Arc<Semaphore>,
    /// A place for each pass over the archive.
    passes: Arc<Semaphore>,
    /// The place for an audit pack that is being made.
    packs: Arc<Semaphore>,
    templates: Environment<'static>,
}

/// Why there is no live page.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The token file.
    #[error(transparent)]
    Token(#[from] access::TokenError),
    /// The address.
    #[error("the live page can not listen at {address}: {source}; change serve.listen")]
    Listen {
        /// The address.
        address: SocketAddr,
        /// The cause.
        source: std::io::Error,
    },
    /// A built-in template, which is a defect of this program.
    #[error("the live page is broken: {0}")]
    Template(String),
}

impl Page {
    /// The state of a page.
    ///
    /// # Errors
    ///
    /// When a built-in template is broken.
    pub fn new(
        config: Arc<Config>,
        settings: &Serve,
        access: Arc<Access>,
        (changed, health): (watch::Receiver<u64>, Arc<Health>),
    ) -> Result<Page, ServeError> {
        let mut hosts = settings.allowed_hosts.clone();
        hosts.extend(["localhost", "127.0.0.1", "[::1]"].map(str::to_owned));
        Ok(Page {
            config,
            access,
            hosts,
            changed,
            health,
            listeners: Arc::new(Semaphore::new(LISTENERS_MAX)),
            passes: Arc::new(Semaphore::new(PASSES_MAX)),
            packs: Arc::new(Semaphore::new(1)),
            templates: pages::templates()?,
        })
    }

    fn is_allowed(&self, host: &str) -> bool {
        self.hosts.iter().any(|allowed| allowed == host)
    }
}

/// Every route, behind everything a request has to pass.
pub fn app(page: Arc<Page>) -> Router {
    let with = |page: &Arc<Page>| Arc::clone(page);
    Router::new()
        .route("/", get(pages::now::show))
        .merge(of_alerts())
        .merge(of_streams())
        .merge(of_feeds())
        .merge(of_reports())
        .route("/events", get(events::stream))
        .route("/health", get(machine::health))
        .route("/metrics", get(machine::metrics))
        .route("/login", get(actions::ask_token).post(actions::sign_in))
        .route("/logout", post(actions::sign_out))
        .route("/style.css", get(pages::style))
        .route("/page.js", get(pages::script))
        .fallback(pages::nowhere)
        .method_not_allowed_fallback(pages::no_such_method)
        .layer(axum::middleware::from_fn_with_state(
            with(&page),
            guard::known,
        ))
        .layer(axum::middleware::from_fn(guard::same_site))
        .layer(axum::middleware::from_fn_with_state(
            with(&page),
            guard::host,
        ))
        .layer(axum::middleware::from_fn(guard::hardened))
        .with_state(page)
}

fn of_alerts() -> Router<Arc<Page>> {
    Router::new()
        .route("/alerts", get(pages::alerts::list))
        .route("/alerts/health", get(pages::health::show))
        .route("/alerts/{id}", get(pages::alerts::show))
        .route("/alerts/{id}/causes", get(pages::alerts::causes))
        .route("/alerts/{id}/boards.csv", get(pages::alerts::boards))
        .route(
            "/alerts/{id}/acknowledge",
            actions::on_alert(actions::acknowledge),
        )
        .route("/alerts/{id}/comment", actions::on_alert(actions::comment))
        .route("/alerts/{id}/shelve", actions::on_alert(actions::shelve))
        .route(
            "/alerts/{id}/unshelve",
            actions::on_alert(actions::unshelve),
        )
        .route("/alerts/{id}/close", actions::on_alert(actions::close))
}

fn of_streams() -> Router<Arc<Page>> {
    Router::new()
        .route("/streams", get(pages::streams::list))
        .route("/streams/{id}", get(pages::streams::show))
        .route("/streams/{id}/capability", get(pages::study::capability))
        .route("/streams/{id}/pads", get(pages::study::pads))
        .route("/streams/{id}/freeze", actions::on_stream(actions::freeze))
        .route(
            "/streams/{id}/restart",
            actions::on_stream(actions::restart),
        )
        .route(
            "/streams/{id}/out-of-service",
            actions::on_stream(actions::out_of_service),
        )
        .route(
            "/streams/{id}/in-service",
            actions::on_stream(actions::in_service),
        )
        .route(
            "/proposals/{id}/approve",
            actions::on_proposal(What::Approved),
        )
        .route(
            "/proposals/{id}/reject",
            actions::on_proposal(What::Rejected),
        )
}

fn of_reports() -> Router<Arc<Page>> {
    Router::new()
        .route("/reports", get(pages::reports::list))
        .route(
            "/reports/shift/{start}/{revision}",
            get(pages::reports::shift),
        )
        .route("/reports/packs/{name}/{file}", get(pages::reports::of_pack))
        .route("/reports/packs", post(actions::make_pack))
}

fn of_feeds() -> Router<Arc<Page>> {
    Router::new()
        .route("/feeds", get(pages::feeds::show))
        .route(
            "/silences/{id}/acknowledge",
            actions::on_feeds(actions::see_silence),
        )
        .route(
            "/quarantine/{id}/retry",
            actions::on_feeds(actions::read_again),
        )
        .route(
            "/quarantine/{id}/discard",
            actions::on_feeds(actions::discard),
        )
}

/// Opens an address.
///
/// # Errors
///
/// When it can not be had.
pub async fn open(address: SocketAddr) -> Result<TcpListener, ServeError> {
    let failed = |source| ServeError::Listen { address, source };
    let listener = TcpListener::bind(address).await.map_err(failed)?;
    let address = listener.local_addr().map_err(failed)?;
    tracing::info!(address = %format!("http://{address}/"), "the live page");
    Ok(listener)
}
