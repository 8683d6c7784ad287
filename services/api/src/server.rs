//! Putting the service together: the same for the binary and for tests.

use crate::config::Config;
use crate::extract::Services;
use crate::sign_in::{HashError, Hasher, Tokens};
use crate::{frame, limits as table, openapi, routes};
use actix_web::dev::{Server, ServerHandle};
use actix_web::web::{Data, PayloadConfig};
use actix_web::{App, HttpRequest, HttpServer, middleware, web};
use clampward_store::{Clock, Store, StoreError, StoreOptions};
use std::net::SocketAddr;
use std::sync::Arc;
use utoipa_actix_web::AppExt;

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
    /// Runs until it is stopped.
    pub server: Server,
}

impl Running {
    /// Stops it.
    pub fn handle(&self) -> ServerHandle {
        self.server.handle()
    }
}

/// Builds the server. Every worker has connections of its own, opened when they are first needed.
pub fn build(config: Config) -> Result<Running, BuildError> {
    let Config {
        listen,
        database_url,
        connections_per_worker,
        workers,
        signing_key,
        issuer,
        clock,
        limits,
    } = config;
    let hasher = Arc::new(Hasher::new(limits.hash_slots)?);
    let document = Arc::new(openapi::document());
    let connect = {
        let clock = Arc::clone(&clock);
        move || {
            let clock = Arc::clone(&clock);
            Store::connect_lazy(StoreOptions {
                url: database_url.clone(),
                max_connections: connections_per_worker,
                clock,
            })
        }
    };
    connect()?;
    let server = HttpServer::new(move || {
        let tokens = Arc::new(Tokens::new(signing_key.clone(), issuer.clone()));
        let services =
            connect().map(|store| Data::new(Services::new(store, tokens, Arc::clone(&hasher), limits)));
        let addresses = Arc::new(openapi::Addresses::of(&document));
        let clock: Arc<dyn Clock> = Arc::clone(&clock);
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
            .configure(|config| routes::documentation(config, &document))
            .default_service(web::to(move |request: HttpRequest| {
                let allowed = addresses.methods_of(request.path());
                let response = frame::unknown(request.method(), &allowed);
                std::future::ready(response)
            }))
            .wrap(middleware::from_fn(move |request, next| {
                frame::frame(Arc::clone(&clock), request, next)
            }))
            .wrap(middleware::Compress::default())
    })
    .workers(workers)
    .shutdown_timeout(table::SHUTDOWN.value)
    .client_request_timeout(table::REQUEST_HEAD.duration())
    .client_disconnect_timeout(table::DISCONNECT.duration())
    .keep_alive(table::KEEP_ALIVE.duration())
    .bind(listen)?;
    let address = server.addrs().first().copied().unwrap_or(listen);
    Ok(Running {
        address,
        server: server.run(),
    })
}
