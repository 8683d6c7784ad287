//! Putting the service together, and taking it apart: the same for the binary and for tests.

use crate::catalogue::Catalogue;
use crate::config::Config;
use crate::extract::Services;
use crate::frame::Frame;
use crate::metrics::{Metrics, Watched};
use crate::quota::Quotas;
use crate::readiness::Readiness;
use crate::shedding::Shedder;
use crate::sign_in::{HashError, Hasher, Tokens};
use crate::waiting::Waiting;
use crate::{docs, frame, limits as table, metrics, openapi, routes};
use actix_web::dev::{Server, ServerHandle};
use actix_web::web::{Data, PayloadConfig};
use actix_web::{App, HttpRequest, HttpServer, middleware, rt, web};
use clampward_store::{Clock, Store, StoreError, StoreOptions};
use std::future::Future;
use std::net::SocketAddr;
use std::rc::Rc;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use utoipa_actix_web::AppExt;

/// Pause between two rounds of housekeeping.
const HOUSEKEEPING: Duration = Duration::from_secs(5);

/// How much of a request's time a statement may take.
const STATEMENT_SHARE: f64 = 0.8;

/// Why the service cannot start.
#[derive(Debug, thiserror::Error)]
pub enum BuildError {
    /// The database address is not one, or the database does not answer.
    #[error("database")]
    Store(#[from] StoreError),
    /// No randomness for sign-in.
    #[error("sign-in")]
    SignIn(#[from] HashError),
    /// The address is taken or not allowed.
    #[error("cannot listen")]
    Listen(#[from] std::io::Error),
}

/// A server that is ready to run.
pub struct Running {
    /// The address it listens at.
    pub address: SocketAddr,
    /// The address at which its counters are read.
    pub metrics_address: Option<SocketAddr>,
    /// Runs until it is stopped.
    pub server: Server,
    metrics: Option<Server>,
    readiness: Arc<Readiness>,
    drain: Duration,
}

impl Running {
    /// Stops it.
    pub fn handle(&self) -> ServerHandle {
        self.server.handle()
    }
    /// Serves until it is told to stop; then says so at `/readyz`, after a while takes no new connections, and finishes
    /// what is under way.
    pub async fn serve_until(self, told: impl Future<Output = ()>) -> std::io::Result<()> {
        let handle = self.server.handle();
        let metrics_handle = self.metrics.as_ref().map(Server::handle);
        let mut server = rt::spawn(self.server);
        let metrics = self.metrics.map(rt::spawn);
        tokio::select! {
            ended = &mut server => return ended.unwrap_or_else(|error| Err(std::io::Error::other(error))),
            () = told => {}
        }
        self.readiness.drain();
        tracing::info!(seconds = self.drain.as_secs(), "stopping: not ready any more");
        tokio::time::sleep(self.drain).await;
        tracing::info!("stopping: no new connections");
        handle.stop(true).await;
        let ended = server
            .await
            .unwrap_or_else(|error| Err(std::io::Error::other(error)));
        if let (Some(handle), Some(metrics)) = (metrics_handle, metrics) {
            handle.stop(false).await;
            metrics.abort();
        }
        ended
    }
}

/// Builds the server. Every worker has connections of its own, opened when they are first needed.
pub fn build(config: Config) -> Result<Running, BuildError> {
    let Config {
        listen,
        metrics_listen,
        database_url,
        standby,
        connections_per_worker,
        workers,
        signing_keys,
        issuer,
        photos,
        webhook_targets,
        clock,
        limits,
    } = config;
    let hasher = Arc::new(Hasher::new(limits.hash_slots)?);
    let document = Arc::new(openapi::document());
    let catalogue = Arc::new(Catalogue::of(&document));
    let shedder = Arc::new(Shedder::new(&limits));
    let quotas = Arc::new(Quotas::new(&limits));
    let readiness = Arc::new(Readiness::default());
    let counters = Arc::new(match metrics_listen {
        Some(_) => Metrics::new(&catalogue),
        None => Metrics::off(),
    });
    let connect = {
        let clock = Arc::clone(&clock);
        move |max_connections| {
            let clock = Arc::clone(&clock);
            let options = StoreOptions {
                url: database_url.clone(),
                max_connections,
                clock,
            };
            // The database gives up before the request is given up, so that whoever waits learns why.
            let store = Store::connect_lazy_within(options, limits.request.mul_f64(STATEMENT_SHARE))?;
            if let Some(standby) = &standby {
                store.require_standby(standby.clone());
            }
            Ok::<_, StoreError>(store)
        }
    };
    let stores = Arc::new(Mutex::new(Vec::new()));
    let waiting = Arc::new(Waiting::new(table::PULLS_WAITING.count(), readiness.draining()));
    let watched = Watched {
        shedder: Arc::clone(&shedder),
        quotas: Arc::clone(&quotas),
        hasher: Arc::clone(&hasher),
        stores: Arc::clone(&stores),
        store: connect(1)?,
    };
    rt::spawn(keep_house(Arc::clone(&quotas), Arc::clone(&counters)));
    // Not a task of this thread alone: those are dropped outside the runtime, and this one may have a connection.
    tokio::spawn(Arc::clone(&waiting).look(connect(1)?));
    let shared = (Arc::clone(&readiness), Arc::clone(&counters), waiting);
    let server = HttpServer::new(move || {
        let (readiness, counters, waiting) = &shared;
        let tokens = Arc::new(Tokens::new(Arc::clone(&signing_keys), issuer.clone()));
        let services = connect(connections_per_worker).map(|store| {
            stores
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .push(store.clone());
            Data::new(Services {
                store,
                tokens,
                hasher: Arc::clone(&hasher),
                quotas: Arc::clone(&quotas),
                readiness: Arc::clone(readiness),
                waiting: Arc::clone(waiting),
                photos: Arc::clone(&photos),
                webhook_targets: Arc::clone(&webhook_targets),
                limits,
            })
        });
        let addresses = Arc::new(openapi::Addresses::of(&document));
        let around = Rc::new(Frame {
            clock: Arc::<dyn Clock>::clone(&clock),
            catalogue: Arc::clone(&catalogue),
            shedder: Arc::clone(&shedder),
            quotas: Arc::clone(&quotas),
            metrics: Arc::clone(counters),
            readiness: Arc::clone(readiness),
            deadline: limits.request,
        });
        let app = App::new()
            .into_utoipa_app()
            .configure(routes::register)
            .into_app();
        let app = match services {
            Ok(services) => app.app_data(services),
            Err(error) => {
                tracing::error!(error = %crate::reply::chain(&error), "a worker starts without its database");
                app
            }
        };
        app.app_data(PayloadConfig::new(table::BODY.count()))
            .configure(docs::register)
            .default_service(web::to(move |request: HttpRequest| {
                let allowed = addresses.methods_of(request.path());
                let response = frame::unknown(request.method(), &allowed);
                std::future::ready(response)
            }))
            .wrap(middleware::from_fn(move |request, next| {
                frame::frame(Rc::clone(&around), request, next)
            }))
    })
    .workers(workers)
    .disable_signals()
    .shutdown_timeout(table::SHUTDOWN.value)
    .client_request_timeout(table::REQUEST_HEAD.duration())
    .client_disconnect_timeout(table::DISCONNECT.duration())
    .keep_alive(table::KEEP_ALIVE.duration())
    // A compressed answer leaves in several pieces; without this each but the first would wait for the reader's
    // acknowledgement of the one before, which a reader sends after 40 ms.
    .tcp_nodelay(true)
    .bind(listen)?;
    let address = server.addrs().first().copied().unwrap_or(listen);
    let metrics = metrics_listen
        .map(|listen| metrics::serve(listen, counters, watched))
        .transpose()?;
    let (metrics_address, metrics) = metrics.unzip();
    Ok(Running {
        address,
        metrics_address,
        server: server.run(),
        metrics,
        readiness,
        drain: limits.drain,
    })
}

/// Runs as long as the process.
async fn keep_house(quotas: Arc<Quotas>, counters: Arc<Metrics>) {
    loop {
        tokio::time::sleep(HOUSEKEEPING).await;
        quotas.forget_idle();
        counters.upkeep();
    }
}
