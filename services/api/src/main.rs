//! The service's binary: configuration, wiring, shutdown. Nothing is decided here.

use clampward_api::clock::SystemClock;
use clampward_api::config::{Config, Limits};
use clampward_api::healthcheck::{self, Question};
use clampward_api::logs::{self, Format};
use clampward_api::photos::{self, Photos, Place};
use clampward_api::secret::{OwnerDatabase, ServiceDatabase, ServicePassword};
use clampward_api::sign_in::{KeyRing, PUBLISHED_HOURS};
use clampward_api::{background, commands, environment, limits, openapi};
use clampward_process::targets::Targets;
use clampward_process::{chain, told_to_stop};
use clampward_store::{Clock, Store, StoreOptions};
use clap::error::ErrorKind;
use clap::{CommandFactory, Parser, Subcommand};
use jiff::SignedDuration;
use std::error::Error;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;
use tracing_subscriber::EnvFilter;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Connections of each role for what runs beside the requests.
const BACKGROUND_CONNECTIONS: u32 = 2;

/// Plate clamps over their whole life.
#[derive(Parser)]
#[command(name = "clampward-api", version)]
struct Arguments {
    /// How the log is written to standard error; `RUST_LOG` says what of it.
    #[arg(
        long,
        env = "CLAMPWARD_LOG_FORMAT",
        value_enum,
        default_value = "json",
        global = true
    )]
    log_format: Format,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Serve HTTP until told to stop.
    Serve(Box<Serve>),
    /// Bring the database to the present schema.
    Migrate(Migrate),
    /// Walk the whole ledger: chains, seals, positions, and every projection against its fold.
    Verify(Verify),
    /// Print the published contract.
    Openapi,
    /// Record the first administrator and print a password.
    CreateAdministrator(CreateAdministrator),
    /// Publish the next key that signs access tokens; it signs later, without a restart.
    RotateSigningKey(RotateSigningKey),
    /// Begin a new epoch of the ledger: every reader begins anew with a snapshot.
    Epoch(Epoch),
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
    /// Folder with the Ed25519 keys that sign access tokens (PKCS#8 PEM), shared by all processes; or one key file ending
    /// in .pem, which cannot be replaced. Made on the first start.
    #[arg(long, env = "CLAMPWARD_SIGNING_KEY", default_value = "signing-keys")]
    signing_key: PathBuf,
    /// Issuer of the tokens: the address under which people know the service.
    #[arg(long, env = "CLAMPWARD_ISSUER", default_value = "clampward")]
    issuer: String,
    /// Where photos are kept: a folder, made when the first one comes, or s3://bucket/prefix. All processes need the same.
    #[arg(long, env = "CLAMPWARD_PHOTOS", default_value = "photos")]
    photos: Place,
    /// Where events may be delivered to: `host:port`, or `inside:host:port` for one with an address inside your network,
    /// separated by commas. Only these can be recorded as webhook endpoints. The worker needs the same list.
    #[arg(long, env = "CLAMPWARD_WEBHOOK_TARGETS", default_value = "")]
    webhook_targets: Targets,
    /// Worker threads; as many as there are processors if left out.
    #[arg(long, env = "CLAMPWARD_WORKERS")]
    workers: Option<usize>,
    /// Most database connections per worker and database role.
    #[arg(long, env = "CLAMPWARD_CONNECTIONS", default_value_t = 8)]
    connections: u32,
    /// Where the counters for Prometheus are read (`/metrics`), for example 127.0.0.1:9090; off if left out. They are for
    /// operators: never let the world reach them.
    #[arg(long, env = "CLAMPWARD_METRICS_LISTEN")]
    metrics_listen: Option<SocketAddr>,
    /// The standby (its application_name) that must have what was recorded before devices may forget it; without one, what
    /// the database has flushed itself.
    #[arg(long, env = "CLAMPWARD_STANDBY")]
    standby: Option<String>,
    /// Seconds that a request may take.
    #[arg(long, env = "CLAMPWARD_REQUEST_SECONDS", default_value_t = limits::REQUEST.value, value_parser = clap::value_parser!(u64).range(1..=600))]
    request_seconds: u64,
    /// Told to stop: seconds for which `/readyz` says so before new connections are refused.
    #[arg(long, env = "CLAMPWARD_DRAIN_SECONDS", default_value_t = limits::DRAIN.value, value_parser = clap::value_parser!(u64).range(0..=600))]
    drain_seconds: u64,
    /// Exports at once.
    #[arg(long, env = "CLAMPWARD_EXPORTS_AT_ONCE", default_value_t = limits::EXPORTS.number(), value_parser = clap::value_parser!(u32).range(1..))]
    exports_at_once: u32,
    /// Lists and reports at once.
    #[arg(long, env = "CLAMPWARD_LISTS_AT_ONCE", default_value_t = limits::LISTS.number(), value_parser = clap::value_parser!(u32).range(1..))]
    lists_at_once: u32,
    /// Sign-ins at once, and other requests of those who are not signed in.
    #[arg(long, env = "CLAMPWARD_SIGN_INS_AT_ONCE", default_value_t = limits::SIGN_INS.number(), value_parser = clap::value_parser!(u32).range(1..))]
    sign_ins_at_once: u32,
    /// Writes at once.
    #[arg(long, env = "CLAMPWARD_WRITES_AT_ONCE", default_value_t = limits::WRITES.number(), value_parser = clap::value_parser!(u32).range(1..))]
    writes_at_once: u32,
    /// Fitness questions, lift checks and tag-outs at once.
    #[arg(long, env = "CLAMPWARD_FITNESS_AT_ONCE", default_value_t = limits::FITNESS.number(), value_parser = clap::value_parser!(u32).range(1..))]
    fitness_at_once: u32,
    /// Requests that one person or service account may send at once, and within the quota's seconds.
    #[arg(long, env = "CLAMPWARD_QUOTA_REQUESTS", default_value_t = limits::QUOTA.number(), value_parser = clap::value_parser!(u32).range(1..))]
    quota_requests: u32,
    /// Seconds after which a used-up quota is whole again.
    #[arg(long, env = "CLAMPWARD_QUOTA_SECONDS", default_value_t = limits::QUOTA_WINDOW.value, value_parser = clap::value_parser!(u64).range(1..=86_400))]
    quota_seconds: u64,
}

impl Serve {
    fn limits(&self) -> Limits {
        let count = |number: u32| usize::try_from(number).unwrap_or(usize::MAX);
        Limits {
            request: Duration::from_secs(self.request_seconds),
            drain: Duration::from_secs(self.drain_seconds),
            exports: count(self.exports_at_once),
            lists: count(self.lists_at_once),
            sign_ins: count(self.sign_ins_at_once),
            writes: count(self.writes_at_once),
            fitness: count(self.fitness_at_once),
            quota: self.quota_requests,
            quota_window: Duration::from_secs(self.quota_seconds),
            ..Limits::default()
        }
    }
}

#[derive(clap::Args)]
struct Migrate {
    #[command(flatten)]
    owner: OwnerDatabase,
    #[command(flatten)]
    service_password: ServicePassword,
}

#[derive(clap::Args)]
struct Epoch {
    #[command(flatten)]
    owner: OwnerDatabase,
    /// Why, for those who come after.
    #[arg(long)]
    reason: String,
}

#[derive(clap::Args)]
struct Verify {
    #[command(flatten)]
    database: ServiceDatabase,
}

#[derive(clap::Args)]
struct RotateSigningKey {
    /// Folder with the keys.
    #[arg(long, env = "CLAMPWARD_SIGNING_KEY", default_value = "signing-keys")]
    signing_key: PathBuf,
    /// Hours until the new key signs: whoever verifies tokens has read the published keys again by then. 0 only in an
    /// emergency, after taking the lost key's file away.
    #[arg(long, default_value_t = PUBLISHED_HOURS, value_parser = clap::value_parser!(i64).range(0..=8760))]
    signs_after_hours: i64,
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
    environment::refuse_unknown(Arguments::command(), "clampward-api serve --help");
    let arguments = Arguments::parse();
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    let subscriber = logs::subscriber(arguments.log_format, filter, std::io::stderr);
    if let Err(error) = tracing::subscriber::set_global_default(subscriber) {
        Arguments::command().error(ErrorKind::Io, error).exit();
    }
    logs::log_panics();
    match run(arguments.command).await {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            tracing::error!(error = %chain(error.as_ref()), "stopped");
            ExitCode::FAILURE
        }
    }
}

async fn run(command: Command) -> Result<(), Box<dyn Error>> {
    match command {
        Command::Serve(options) => serve(*options).await,
        Command::Migrate(options) => {
            let password = options.service_password.password()?;
            clampward_store::migrate(&options.owner.url()?, password.as_deref()).await?;
            tracing::info!("migrated");
            Ok(())
        }
        Command::Epoch(options) => {
            commands::raise_epoch(&options.owner.url()?, &options.reason, &SystemClock).await
        }
        Command::Verify(options) => commands::verify(options.database.url()?, Arc::new(SystemClock)).await,
        Command::Openapi => {
            commands::print(&openapi::text()?)?;
            Ok(())
        }
        Command::RotateSigningKey(options) => {
            let hours = SignedDuration::from_hours(options.signs_after_hours);
            commands::rotate_signing_key(&options.signing_key, &SystemClock, hours)
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
    let limits = options.limits();
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
    let photos = Arc::new(Photos::new(options.photos));
    let background = tokio::spawn(background::run(store.clone()));
    let sweeping = photos::sweep::begin(store.clone(), Arc::clone(&photos));
    let signing_keys = KeyRing::open(&options.signing_key, clock.now())?;
    if let Some(since) = signing_keys.is_overdue(clock.now()) {
        tracing::warn!(event = "signing_key_overdue", %since, "the signing key is to be replaced: clampward-api rotate-signing-key");
    }
    let reloading = tokio::spawn(background::reload_keys(Arc::clone(&signing_keys)));
    let running = clampward_api::build(Config {
        listen: options.listen,
        metrics_listen: options.metrics_listen,
        database_url,
        standby: options.standby,
        connections_per_worker: options.connections,
        workers,
        signing_keys,
        issuer: options.issuer,
        photos,
        webhook_targets: Arc::new(options.webhook_targets),
        clock,
        limits,
    })?;
    tracing::info!(address = %running.address, workers, version = env!("CARGO_PKG_VERSION"), "listening");
    if let Some(address) = running.metrics_address {
        tracing::info!(%address, "counters are read here");
    }
    running.serve_until(told_to_stop()).await?;
    background.abort();
    sweeping.abort();
    reloading.abort();
    store.close().await;
    tracing::info!("stopped");
    Ok(())
}
