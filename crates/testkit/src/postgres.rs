//! A private PostgreSQL cluster from the binaries on this machine.
//!
//! Finds the binaries, makes the cluster as an unprivileged account when called by root (PostgreSQL refuses root),
//! listens on loopback only, and never outlives the process that asked for it. Runs no SQL.

mod account;
mod binaries;
mod cluster;
mod pair;

pub use account::Account;
pub use binaries::Binaries;
pub use cluster::{Cluster, ClusterOptions, Place};
pub use pair::{Pair, STANDBY};

use std::io;
use std::path::PathBuf;

/// Why a private cluster could not be had.
#[derive(Debug, thiserror::Error)]
pub enum ClusterError {
    /// No PostgreSQL server binaries on this machine.
    #[error(
        "no PostgreSQL server binaries found (looked in /usr/lib/postgresql/*/bin, on PATH and where pg_config points); \
         install PostgreSQL, for example `apt-get install postgresql`"
    )]
    NoBinaries,
    /// The data were written by another major version than any installed one.
    #[error("{} was made by PostgreSQL {version}, which is not installed here", directory.display())]
    OtherVersion {
        /// The cluster's folder.
        directory: PathBuf,
        /// The major version that wrote it.
        version: String,
    },
    /// Called by root, and no unprivileged account to run as.
    #[error(
        "PostgreSQL does not run as root, and this machine has neither an account `postgres` nor `nobody`"
    )]
    NoAccount,
    /// The account cannot reach the folder.
    #[error("the account {account} cannot reach {}: a folder above it is closed to it", directory.display())]
    Unreachable {
        /// The cluster's folder.
        directory: PathBuf,
        /// The account that PostgreSQL runs as.
        account: String,
    },
    /// Another process uses this cluster.
    #[error("{} is in use by another process", directory.display())]
    InUse {
        /// The cluster's folder.
        directory: PathBuf,
    },
    /// A PostgreSQL program ended with an error.
    #[error("{program} failed:\n{output}")]
    Program {
        /// The program.
        program: &'static str,
        /// What it said.
        output: String,
    },
    /// The operating system refused something.
    #[error("{doing}: {source}")]
    System {
        /// What was being done.
        doing: String,
        /// The reason.
        source: io::Error,
    },
}

/// Adds what was being done to an error of the operating system.
fn while_doing(doing: impl Into<String>) -> impl FnOnce(io::Error) -> ClusterError {
    let doing = doing.into();
    move |source| ClusterError::System { doing, source }
}

/// A password that cannot be guessed: 128 bits from the operating system, in hexadecimal.
pub fn random_password() -> Result<String, ClusterError> {
    use std::io::Read;
    let mut bytes = [0_u8; 16];
    std::fs::File::open("/dev/urandom")
        .and_then(|mut source| source.read_exact(&mut bytes))
        .map_err(while_doing("reading random bytes"))?;
    Ok(bytes.iter().map(|byte| format!("{byte:02x}")).collect())
}
