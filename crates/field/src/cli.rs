//! The commands of `clampward-field`: arguments, wiring, and what is printed. Decides nothing about clamps.
//!
//! Everything that is asked for on a terminal can be given as an option, a file or, for password and short code, in the
//! environment, so that a program can drive it; and what a person would type may come from a pipe, a line for each
//! question. Answers for programs are one line of JSON with `--json`.

mod ask;
mod device;
mod dialogue;
mod files;
mod inspect;
mod person;
mod record;
mod releases;
mod say;
mod sync;

use crate::clock::Clock;
use crate::database::{Database, setting};
use crate::device::Identity;
use crate::failure::{Done, Failure};
use crate::keys::DeviceSecret;
use crate::random::Random;
use crate::transport::{Http, check_address};
use clap::{Parser, Subcommand};
use jiff::SignedDuration;
use std::io::{BufRead, IsTerminal, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Plate clamps on a tablet, with and without a network.
///
/// This device records and reminds. The maker's instructions, the competent person and local law decide.
#[derive(Parser)]
#[command(name = "clampward-field", version)]
pub struct Arguments {
    /// The folder of this device: its database and its secret.
    #[arg(
        long,
        env = "CLAMPWARD_FIELD_DIR",
        default_value = "clampward-field",
        global = true
    )]
    dir: PathBuf,
    /// Answer in one line of JSON.
    #[arg(long, global = true)]
    json: bool,
    /// The service's address for this command, should it have another one than at the enrolment.
    #[arg(long, env = "CLAMPWARD_FIELD_SERVER", global = true, value_name = "ADDRESS")]
    server: Option<String>,
    /// Who is working: the e-mail address that was signed in with.
    #[arg(long = "as", env = "CLAMPWARD_FIELD_AS", global = true)]
    who: Option<String>,
    /// The short code. For tests and programs only: whoever can read this program's environment can read it.
    #[arg(
        long,
        env = "CLAMPWARD_FIELD_CODE",
        hide_env_values = true,
        global = true,
        hide = true
    )]
    short_code: Option<String>,
    /// The password. For tests and programs only, as the short code.
    #[arg(
        long,
        env = "CLAMPWARD_FIELD_PASSWORD",
        hide_env_values = true,
        global = true,
        hide = true
    )]
    password: Option<String>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Make this device one of the company's, with the one-time code of a yard lead.
    Enrol {
        /// The service's address.
        address: String,
        /// The code.
        code: String,
    },
    /// Sign in on this device once with e-mail and password, and choose a short code to sign entries with.
    SignIn {
        /// E-mail address.
        email: String,
    },
    /// Send what was written and fetch what happened.
    Sync,
    /// What is known of a clamp.
    Clamp {
        /// The mark on it.
        mark: String,
    },
    /// Inspect a clamp: criterion by criterion, asked one by one; or all answers at once, from a file or a pipe.
    Inspect(inspect::Inspect),
    /// Tag a clamp out.
    TagOut(record::TagOut),
    /// Record a period's lifts.
    Use(record::Use),
    /// May this clamp be used? The exit status is 0 only for yes.
    MayLift {
        /// The mark on it.
        mark: String,
    },
    /// What was written here and is not settled.
    Queue {
        /// Also what the service has already.
        #[arg(long)]
        all: bool,
    },
    /// Return a clamp to service: names every open lock-out and its ground.
    Return(releases::Return),
    /// Write what is unsent into a file that somebody else can bring in.
    Export {
        /// The file.
        file: PathBuf,
    },
    /// Bring in such a file of another device, signed in as a person.
    Import {
        /// The file.
        file: PathBuf,
    },
}

/// What the binary gives the commands.
pub struct Host<'a> {
    /// The clocks.
    pub clock: &'a dyn Clock,
    /// Randomness.
    pub random: &'a dyn Random,
}

/// What every command works with.
struct Desk<'a> {
    host: &'a Host<'a>,
    dir: PathBuf,
    json: bool,
    server: Option<String>,
    who: Option<String>,
    short_code: Option<String>,
    password: Option<String>,
    database: Database,
}

impl Desk<'_> {
    fn secret_path(&self) -> PathBuf {
        self.dir.join("device-secret")
    }
    fn secret(&self) -> Done<DeviceSecret> {
        DeviceSecret::read(&self.secret_path())
    }
    /// Who this device is, and where the service is now.
    fn identity(&self) -> Done<Identity> {
        let mut identity = crate::device::identity(self.database.connection())?;
        if let Some(server) = &self.server {
            server.trim_end_matches('/').clone_into(&mut identity.server);
        }
        Ok(identity)
    }
    /// How far the service's clock is ahead of this device's, as far as is known.
    fn ahead(&self) -> Done<SignedDuration> {
        let contact: Option<crate::clock::Contact> = setting(self.database.connection(), "contact")?;
        Ok(contact.map_or(SignedDuration::ZERO, |contact| {
            contact.server_time.duration_since(contact.asked.wall)
        }))
    }
    /// A connection as this device.
    fn http<'b>(&'b self, secret: &'b DeviceSecret) -> Done<Http<'b>> {
        let identity = self.identity()?;
        check_address(&identity.server)?;
        let server = identity.server.clone();
        Ok(Http::new(
            &server,
            Some(identity),
            secret,
            self.host.clock,
            self.host.random,
            self.ahead()?,
        ))
    }
    /// Whether a person sits at a terminal and may be asked.
    fn interactive(&self) -> bool {
        !self.json && std::io::stdin().is_terminal()
    }
    /// Asks for a line: a person at a terminal, or whatever a pipe holds next. Nothing: the pipe is at its end.
    fn next_line(&self, question: &str) -> Done<Option<String>> {
        let failed = |cause| Failure::File {
            path: "standard input".to_owned(),
            cause,
        };
        if self.interactive() {
            let mut error = std::io::stderr();
            write!(error, "{question} ").map_err(failed)?;
            error.flush().map_err(failed)?;
        } else if std::io::stdin().is_terminal() {
            // With `--json` a program asks, and nobody looks at the terminal.
            return Ok(None);
        }
        let mut line = String::new();
        let read = std::io::stdin().lock().read_line(&mut line).map_err(failed)?;
        Ok((read > 0).then(|| line.trim().to_owned()))
    }
    /// The same where there must be an answer.
    fn prompt(&self, question: &str) -> Done<String> {
        self.next_line(question)?.ok_or_else(|| {
            Failure::refused(format!(
                "nobody is there to answer {question:?}: give it as an option (see --help) or as a line of standard input"
            ))
        })
    }
    /// The same without showing what is typed.
    fn prompt_hidden(&self, question: &str) -> Done<String> {
        let echo = |word: &str| {
            let _ = std::process::Command::new("stty").arg(word).status();
        };
        if self.interactive() {
            echo("-echo");
        }
        let line = self.prompt(question);
        if self.interactive() {
            echo("echo");
            eprintln!();
        }
        line
    }
}

/// Runs a command. The exit status is 0 for done (of `may-lift`: for yes), 1 for a "no", 2 for a failure, 3 where another
/// process is synchronising the folder.
pub fn run(arguments: Arguments, host: &Host<'_>) -> ExitCode {
    let json = arguments.json;
    match command(arguments, host) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(failure) => {
            if json {
                println!("{}", serde_json::json!({"error": failure.to_string()}));
            }
            eprintln!("{failure}");
            ExitCode::from(if matches!(failure, Failure::UnderWay) {
                3
            } else {
                2
            })
        }
    }
}

fn command(arguments: Arguments, host: &Host<'_>) -> Done<bool> {
    let Arguments {
        dir,
        json,
        server,
        who,
        short_code,
        password,
        command,
    } = arguments;
    if matches!(command, Command::Enrol { .. }) {
        crate::private::folder(&dir)?;
    } else if !dir.join("field.sqlite").exists() {
        return Err(Failure::refused(format!(
            "{} is no device's folder: run `clampward-field enrol <server> <code>` first",
            dir.display()
        )));
    }
    let database = Database::open(&dir.join("field.sqlite"))?;
    let mut desk = Desk {
        host,
        dir,
        json,
        server,
        who,
        short_code,
        password,
        database,
    };
    match command {
        Command::Enrol { address, code } => device::enrol(&mut desk, &address, &code),
        Command::SignIn { email } => device::sign_in(&mut desk, &email),
        Command::Sync => sync::sync(&mut desk),
        Command::Clamp { mark } => ask::clamp(&desk, &mark),
        Command::Inspect(inspect) => inspect::inspect(&mut desk, inspect),
        Command::TagOut(tag_out) => record::tag_out(&mut desk, tag_out),
        Command::Use(use_clamp) => record::use_clamp(&mut desk, use_clamp),
        Command::MayLift { mark } => ask::may_lift(&desk, &mark),
        Command::Queue { all } => sync::queue(&desk, all),
        Command::Return(back) => releases::return_to_service(&mut desk, back),
        Command::Export { file } => files::export(&desk, &file),
        Command::Import { file } => files::import(&desk, &file),
    }
}
