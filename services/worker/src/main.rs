//! The worker's binary: configuration, wiring, shutdown. Nothing is decided here.

use clampward_process::clock::SystemClock;
use clampward_process::secret::{ServiceDatabase, SmtpPassword};
use clampward_process::targets::Targets;
use clampward_process::{chain, environment, told_to_stop};
use clampward_store::{Store, StoreOptions};
use clampward_worker::post::Security;
use clampward_worker::{Caller, CallerOptions, Post, PostOptions, Settings, Worker, webhook};
use clap::{CommandFactory, Parser, Subcommand, ValueEnum};
use std::error::Error;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use tracing_subscriber::EnvFilter;

/// How the log is written.
#[derive(Clone, Copy, ValueEnum)]
enum Format {
    /// One JSON object a line.
    Json,
    /// For people.
    Text,
}

/// Tells people what they need to know of plate clamps.
#[derive(Parser)]
#[command(name = "clampward-worker", version)]
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
    /// Work until told to stop. Any number of workers may run.
    Run(Box<Run>),
    /// Have mails that were given up tried again.
    RetryMails(RetryMails),
}

#[derive(clap::Args)]
struct Run {
    #[command(flatten)]
    database: ServiceDatabase,
    /// The mail server. Without one clamps are held and notices raised all the same, and nobody gets a mail.
    #[arg(long, env = "CLAMPWARD_SMTP_HOST")]
    smtp_host: Option<String>,
    /// Its port.
    #[arg(long, env = "CLAMPWARD_SMTP_PORT", default_value_t = 587)]
    smtp_port: u16,
    /// How it is reached.
    #[arg(long, env = "CLAMPWARD_SMTP_SECURITY", value_enum, default_value = "starttls")]
    smtp_security: Security,
    /// File with the certificate (PEM) of a certificate authority of one's own that the mail server's is signed by.
    #[arg(long, env = "CLAMPWARD_SMTP_AUTHORITY")]
    smtp_authority: Option<PathBuf>,
    /// Name to sign in at the mail server.
    #[arg(long, env = "CLAMPWARD_SMTP_USER")]
    smtp_user: Option<String>,
    #[command(flatten)]
    smtp_password: SmtpPassword,
    /// From whom mails come: `name <address>`, or an address. Needed with a mail server.
    #[arg(long, env = "CLAMPWARD_MAIL_FROM")]
    mail_from: Option<String>,
    /// The address under which people know the service, for links in mails.
    #[arg(long, env = "CLAMPWARD_PUBLIC_URL")]
    public_url: Option<String>,
    /// Mails that are handed over at once.
    #[arg(long, env = "CLAMPWARD_MAIL_SENDERS", default_value_t = 4)]
    mail_senders: usize,
    /// Where events may be delivered to: `host:port`, or `inside:host:port` for one with an address inside your network,
    /// separated by commas. Without one nothing is delivered. The service needs the same list.
    #[arg(long, env = "CLAMPWARD_WEBHOOK_TARGETS", default_value = "")]
    webhook_targets: Targets,
    /// File with the certificate (PEM) of a certificate authority of one's own that endpoints' are signed by.
    #[arg(long, env = "CLAMPWARD_WEBHOOK_AUTHORITY")]
    webhook_authority: Option<PathBuf>,
    /// Events that are delivered at once.
    #[arg(long, env = "CLAMPWARD_WEBHOOK_CALLERS", default_value_t = 4)]
    webhook_callers: usize,
}

#[derive(clap::Args)]
struct RetryMails {
    #[command(flatten)]
    database: ServiceDatabase,
    /// Those that were put together within so many days.
    #[arg(long, default_value_t = 30)]
    days: u16,
}

#[tokio::main]
async fn main() -> ExitCode {
    environment::refuse_unknown(Arguments::command(), "clampward-worker run --help");
    let arguments = Arguments::parse();
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("info"));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr);
    match arguments.log_format {
        Format::Json => log.json().flatten_event(true).init(),
        Format::Text => log.init(),
    }
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
        Command::Run(options) => work(*options).await,
        Command::RetryMails(options) => {
            let store = connect(options.database, 1)?;
            let mails = store.retry_dead_mails(options.days).await?;
            tracing::info!(mails, "mails that were given up are tried again");
            store.close().await;
            Ok(())
        }
    }
}

fn connect(database: ServiceDatabase, connections: u32) -> Result<Store, Box<dyn Error>> {
    Ok(Store::connect_lazy(StoreOptions {
        url: database.url()?,
        max_connections: connections,
        clock: Arc::new(SystemClock),
    })?)
}

/// The way to the mail server, if there is one. What is set to nothing is not set.
fn post(options: &Run) -> Result<Option<Post>, Box<dyn Error>> {
    let set = |text: &Option<String>| text.clone().filter(|text| !text.trim().is_empty());
    let Some(host) = set(&options.smtp_host) else {
        tracing::warn!(
            event = "no_mail_server",
            "no mail server is set: people see what they are told only when they ask for it"
        );
        return Ok(None);
    };
    let from = set(&options.mail_from).ok_or("CLAMPWARD_MAIL_FROM is needed with a mail server")?;
    let authority = options.smtp_authority.as_ref().map(std::fs::read).transpose()?;
    let credentials = match set(&options.smtp_user) {
        Some(user) => Some((user, options.smtp_password.password()?.unwrap_or_default())),
        None => None,
    };
    let post = Post::new(PostOptions {
        host,
        port: options.smtp_port,
        security: options.smtp_security,
        authority,
        credentials,
        from,
    })?;
    Ok(Some(post))
}

/// The way to endpoints, if any may be called.
fn caller(options: &Run) -> Result<Option<Caller>, Box<dyn Error>> {
    if options.webhook_targets.is_empty() {
        return Ok(None);
    }
    let set = options
        .webhook_authority
        .as_ref()
        .filter(|path| !path.as_os_str().is_empty());
    Ok(Some(Caller::new(CallerOptions {
        targets: options.webhook_targets.clone(),
        authority: set.map(std::fs::read).transpose()?,
        look_up: None,
        patience: webhook::PATIENCE,
    })?))
}

async fn work(options: Run) -> Result<(), Box<dyn Error>> {
    // Clamps are held whatever is wrong with the way to the mail server.
    let post = post(&options).unwrap_or_else(|error| {
        tracing::error!(event = "no_mail_server", error = %chain(error.as_ref()), "nobody gets a mail until this is mended");
        None
    });
    let caller = caller(&options).unwrap_or_else(|error| {
        tracing::error!(event = "no_webhooks", error = %chain(error.as_ref()), "no program is told of events until this is mended");
        None
    });
    // One raises notices, one holds for bulletins, one reads for webhooks, one is to spare.
    let at_once = options
        .mail_senders
        .saturating_add(options.webhook_callers)
        .saturating_add(4);
    let connections = u32::try_from(at_once).unwrap_or(12);
    let store = connect(options.database, connections)?;
    let settings = Settings {
        service: options.public_url.filter(|url| !url.trim().is_empty()),
        senders: options.mail_senders,
        callers: options.webhook_callers,
    };
    tracing::info!(version = env!("CARGO_PKG_VERSION"), "working");
    let mut worker = Worker::new(store, post, settings);
    if let Some(caller) = caller {
        worker = worker.calling(caller);
    }
    let is_well = worker.run_until(told_to_stop()).await;
    if !is_well {
        return Err("a part of the worker ended by itself".into());
    }
    tracing::info!("stopped");
    Ok(())
}
