//! The service's binary: configuration, wiring, shutdown. Nothing is decided here.

use clampward_api::clock::SystemClock;
use clampward_api::config::{Config, Limits};
use clampward_api::healthcheck::{self, Question};
use clampward_api::secret::{OwnerDatabase, ServiceDatabase, ServicePassword};
use clampward_api::sign_in::SigningKey;
use clampward_api::{background, commands, openapi};
use clampward_store::{Store, StoreOptions};
use clap::{Parser, Subcommand};
use std::error::Error;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use tracing_subscriber::EnvFilter;

/// Connections of each role for what runs beside the requests.
const BACKGROUND_CONNECTIONS: u32 = 2;

/// Plate clamps over their whole life.
#[derive(Parser)]
#[command(name = "clampward-api", version)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Serve HTTP until told to stop.
    Serve(Serve),
    /// Bring the database to the present schema.
    Migrate(Migrate),
    /// Walk the whole ledger: chains, seals, positions, and every projection against its fold.
    Verify(Verify),
    /// Print the published contract.
    Openapi,
    /// Record the first administrator and print a password.
    CreateAdministrator(CreateAdministrator),
    /// Ask the service on this machine how it is: for container engines and service managers.
    Healthcheck(Healthcheck),
}

#[derive(clap::Args)]
struct Serve {
    #[command(flatten)]
    database: ServiceDatabase,
    /// Where to listen.
    #[arg(long, env = "CLAMPWARD_LISTEN", default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// File with the Ed25519 key that signs access tokens (PKCS#8 PEM); made on the first start.
    #[arg(long, env = "CLAMPWARD_SIGNING_KEY", default_value = "signing-key.pem")]
    signing_key: PathBuf,
    /// Issuer of the tokens: the address under which people know the service.
    #[arg(long, env = "CLAMPWARD_ISSUER", default_value = "clampward")]
    issuer: String,
    /// Worker threads; as many as there are processors if left out.
    #[arg(long, env = "CLAMPWARD_WORKERS")]
    workers: Option<usize>,
    /// Most database connections per worker and database role.
    #[arg(long, env = "CLAMPWARD_CONNECTIONS", default_value_t = 8)]
    connections: u32,
}

#[derive(clap::Args)]
struct Migrate {
    #[command(flatten)]
    owner: OwnerDatabase,
    #[command(flatten)]
    service_password: ServicePassword,
}

#[derive(clap::Args)]
struct Verify {
    #[command(flatten)]
    database: ServiceDatabase,
}

#[derive(clap::Args)]
struct CreateAdministrator {
    #[command(flatten)]
    database: ServiceDatabase,
    /// E-mail address.
    #[arg(long)]
    email: String,
    /// Name.
    #[arg(long, default_value = "Administrator")]
    name: String,
    /// Record one although there is an administrator already.
    #[arg(long)]
    force_another: bool,
}

#[derive(clap::Args)]
struct Healthcheck {
    /// Where the service was told to listen.
    #[arg(long, env = "CLAMPWARD_LISTEN", default_value = "127.0.0.1:8080")]
    listen: SocketAddr,
    /// What to ask.
    #[arg(long, value_enum, default_value_t = Question::Alive)]
    question: Question,
}

#[actix_web::main]
async fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    tracing_subscriber::fmt()
        .json()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .init();
    match run(arguments.command).await {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            tracing::error!(error = %clampward_api::reply::chain(error.as_ref()), "stopped");
            ExitCode::FAILURE
        }
    }
}

async fn run(command: Command) -> Result<(), Box<dyn Error>> {
    match command {
        Command::Serve(options) => serve(options).await,
        Command::Migrate(options) => {
            let password = options.service_password.password()?;
            clampward_store::migrate(&options.owner.url()?, password.as_deref()).await?;
            tracing::info!("migrated");
            Ok(())
        }
        Command::Verify(options) => commands::verify(options.database.url()?, Arc::new(SystemClock)).await,
        Command::Openapi => {
            commands::print(&openapi::text()?)?;
            Ok(())
        }
        Command::CreateAdministrator(options) => {
            let new = commands::NewAdministrator {
                database_url: options.database.url()?,
                email: options.email,
                name: options.name,
                another: options.force_another,
            };
            let password = commands::create_administrator(new, Arc::new(SystemClock)).await?;
            commands::print(&password)?;
            Ok(())
        }
        Command::Healthcheck(options) => Ok(healthcheck::ask(options.listen, options.question)?),
    }
}

async fn serve(options: Serve) -> Result<(), Box<dyn Error>> {
    let workers = options
        .workers
        .or_else(|| std::thread::available_parallelism().ok().map(Into::into))
        .unwrap_or(1);
    let clock = Arc::new(SystemClock);
    let database_url = options.database.url()?;
    let store = Store::connect_lazy(StoreOptions {
        url: database_url.clone(),
        max_connections: BACKGROUND_CONNECTIONS,
        clock: clock.clone(),
    })?;
    let background = tokio::spawn(background::run(store.clone()));
    let running = clampward_api::build(Config {
        listen: options.listen,
        database_url,
        connections_per_worker: options.connections,
        workers,
        signing_key: SigningKey::load_or_create(&options.signing_key)?,
        issuer: options.issuer,
        clock,
        limits: Limits::default(),
    })?;
    tracing::info!(address = %running.address, workers, "listening");
    // Stops gracefully on SIGTERM and SIGINT: requests under way are finished first.
    running.server.await?;
    background.abort();
    store.close().await;
    tracing::info!("stopped");
    Ok(())
}
