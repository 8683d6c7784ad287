//! Secrets that the binary is told: each on its own, or better in a file, as containers and systemd hand them over.
//!
//! An environment can be read by whoever looks at the process; a file has an owner and a mode. This never logs or repeats
//! what it reads: an error names the file and nothing in it.

use std::path::{Path, PathBuf};

/// Longest file that is taken for a secret.
const MAX_BYTES: u64 = 64 * 1024;

/// Why a secret cannot be had.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The file cannot be read.
    #[error("reading the secret in {}", path.display())]
    File {
        /// Which.
        path: PathBuf,
        /// What the system says.
        #[source]
        cause: std::io::Error,
    },
    /// The file holds nothing, more than a secret, or more than one line.
    #[error("{} holds no secret: one line of at most {MAX_BYTES} bytes is one", path.display())]
    Malformed {
        /// Which.
        path: PathBuf,
    },
}

/// The service's own database sign-in.
#[derive(clap::Args)]
#[group(id = "service_database", required = true, multiple = false)]
pub struct ServiceDatabase {
    /// The service's own database sign-in.
    #[arg(long, env = "CLAMPWARD_DATABASE_URL", hide_env_values = true)]
    database_url: Option<String>,
    /// File with the service's own database sign-in.
    #[arg(long, env = "CLAMPWARD_DATABASE_URL_FILE")]
    database_url_file: Option<PathBuf>,
}

impl ServiceDatabase {
    /// The address.
    pub fn url(self) -> Result<String, SecretError> {
        either(self.database_url, self.database_url_file.as_deref()).map(Option::unwrap_or_default)
    }
}

/// The database sign-in of whoever owns the tables: only migrations need it.
#[derive(clap::Args)]
#[group(id = "owner_database", required = true, multiple = false)]
pub struct OwnerDatabase {
    /// The owner's database sign-in.
    #[arg(long, env = "CLAMPWARD_OWNER_URL", hide_env_values = true)]
    owner_url: Option<String>,
    /// File with the owner's database sign-in.
    #[arg(long, env = "CLAMPWARD_OWNER_URL_FILE")]
    owner_url_file: Option<PathBuf>,
}

impl OwnerDatabase {
    /// The address.
    pub fn url(self) -> Result<String, SecretError> {
        either(self.owner_url, self.owner_url_file.as_deref()).map(Option::unwrap_or_default)
    }
}

/// The password by which the service shall sign in to the database, if it shall be set.
#[derive(clap::Args)]
#[group(id = "service_password_source", multiple = false)]
pub struct ServicePassword {
    /// Lets the service sign in by this password.
    #[arg(long, env = "CLAMPWARD_SERVICE_PASSWORD", hide_env_values = true)]
    service_password: Option<String>,
    /// File with the password by which the service may sign in.
    #[arg(long, env = "CLAMPWARD_SERVICE_PASSWORD_FILE")]
    service_password_file: Option<PathBuf>,
}

impl ServicePassword {
    /// The password.
    pub fn password(self) -> Result<Option<String>, SecretError> {
        either(self.service_password, self.service_password_file.as_deref())
    }
}

/// The password by which mails are handed over, if one is needed.
#[derive(clap::Args)]
#[group(id = "smtp_password_source", multiple = false)]
pub struct SmtpPassword {
    /// Password for the mail server.
    #[arg(long, env = "CLAMPWARD_SMTP_PASSWORD", hide_env_values = true)]
    smtp_password: Option<String>,
    /// File with the password for the mail server.
    #[arg(long, env = "CLAMPWARD_SMTP_PASSWORD_FILE")]
    smtp_password_file: Option<PathBuf>,
}

impl SmtpPassword {
    /// The password.
    pub fn password(&self) -> Result<Option<String>, SecretError> {
        either(self.smtp_password.clone(), self.smtp_password_file.as_deref())
    }
}

fn either(told: Option<String>, file: Option<&Path>) -> Result<Option<String>, SecretError> {
    match file {
        None => Ok(told),
        Some(path) => read(path).map(Some),
    }
}

/// The one line of a file, without its end.
fn read(path: &Path) -> Result<String, SecretError> {
    let failed = |cause| SecretError::File {
        path: path.to_owned(),
        cause,
    };
    let malformed = || SecretError::Malformed {
        path: path.to_owned(),
    };
    if std::fs::metadata(path).map_err(failed)?.len() > MAX_BYTES {
        return Err(malformed());
    }
    let text = std::fs::read_to_string(path).map_err(failed)?;
    let line = text.strip_suffix('\n').unwrap_or(&text);
    let line = line.strip_suffix('\r').unwrap_or(line);
    if line.trim().is_empty() || line.contains(['\n', '\r', '\0']) {
        return Err(malformed());
    }
    Ok(line.to_owned())
}

#[cfg(test)]
mod tests {
    //! Through the command line, as the binary reads it.

    use super::{OwnerDatabase, ServiceDatabase, ServicePassword};
    use clap::Parser;
    use std::path::PathBuf;

    #[derive(Parser)]
    struct Told {
        #[command(flatten)]
        service: ServiceDatabase,
        #[command(flatten)]
        owner: OwnerDatabase,
        #[command(flatten)]
        password: ServicePassword,
    }

    /// A file of this content, in a folder that goes with the test.
    fn file(content: &str) -> (tempfile::TempDir, PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("secret");
        std::fs::write(&path, content).unwrap();
        (folder, path)
    }

    fn told(arguments: &[&str]) -> Result<Told, clap::Error> {
        Told::try_parse_from(std::iter::once("told").chain(arguments.iter().copied()))
    }

    #[test]
    fn a_secret_is_taken_from_its_file_without_the_end_of_its_line() {
        let (_folder, path) = file("postgres://somebody:between us@db/clampward\n");
        let path = path.to_str().unwrap();
        let told = told(&[
            "--database-url-file",
            path,
            "--owner-url",
            "postgres://owner@db",
            "--service-password-file",
            path,
        ])
        .unwrap();
        let read = "postgres://somebody:between us@db/clampward";
        assert_eq!(told.service.url().unwrap(), read);
        assert_eq!(told.owner.url().unwrap(), "postgres://owner@db");
        assert_eq!(told.password.password().unwrap().as_deref(), Some(read));
    }

    #[test]
    fn a_secret_and_a_file_with_it_are_not_told_together_and_an_address_is_needed() {
        let both = [
            "--database-url",
            "a",
            "--database-url-file",
            "b",
            "--owner-url",
            "c",
        ];
        assert!(told(&both).is_err());
        assert!(told(&["--database-url", "a"]).is_err());
        let least = told(&["--database-url", "a", "--owner-url", "c"]).unwrap();
        assert_eq!(least.password.password().unwrap(), None);
    }

    #[test]
    fn a_file_that_is_missing_empty_or_no_single_line_is_refused_without_repeating_it() {
        for content in [
            "",
            "\n",
            "  \n",
            "hush\nHUSH\n",
            "hush\0HUSH",
            &"hush".repeat(20_000),
        ] {
            let (_folder, path) = file(content);
            let error = super::read(&path).unwrap_err().to_string();
            assert!(error.contains(path.to_str().unwrap()), "{error}");
            assert!(!error.to_lowercase().contains("hush"), "{error}");
        }
        let (folder, path) = file("gone");
        drop(folder);
        assert!(super::read(&path).is_err());
    }
}
