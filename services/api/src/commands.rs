//! What the binary does beside serving.

use crate::random;
use crate::sign_in::{Guest, Hasher, generate_password, replace_key};
use clampward_domain::ids::PersonId;
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use clampward_store::people::{AccountBody, AccountKind, PeopleError};
use clampward_store::{Clock, Store, StoreOptions};
use jiff::SignedDuration;
use std::error::Error;
use std::io::Write;
use std::path::Path;
use std::sync::Arc;

/// The first administrator.
pub struct NewAdministrator {
    /// The service's own database sign-in.
    pub database_url: String,
    /// E-mail address.
    pub email: String,
    /// Name.
    pub name: String,
    /// Although there is one already.
    pub another: bool,
}

/// Writes a line to standard output.
pub fn print(text: &str) -> std::io::Result<()> {
    writeln!(std::io::stdout().lock(), "{text}")
}

/// Records an administrator for all yards and answers the password that was made for them.
///
/// Refused where an enabled administrator exists, unless another one is asked for by name.
pub async fn create_administrator(
    new: NewAdministrator,
    clock: Arc<dyn Clock>,
) -> Result<String, Box<dyn Error>> {
    let store = Store::connect(StoreOptions {
        url: new.database_url,
        max_connections: 1,
        clock,
    })
    .await?;
    let password = generate_password()?;
    let hasher = Hasher::new(1)?;
    let place = hasher.place(Guest::default()).await?;
    let hash = hasher.hash(place, password.clone()).await?;
    let body = AccountBody {
        kind: AccountKind::Person,
        email: new.email.trim().to_lowercase(),
        name: new.name,
        roles: vec![Role::Administrator],
        yards: YardScope::All,
        enabled: true,
    };
    let now = store.now();
    let person = PersonId::new(random::id(now)?);
    let recorded = store
        .create_administrator(random::id(now)?, person, &body, &hash, new.another)
        .await;
    store.close().await;
    match recorded {
        Ok(_) => Ok(password),
        Err(PeopleError::AdministratorExists) => {
            Err("there is an administrator already; give --force-another to record one more".into())
        }
        Err(error) => Err(error.into()),
    }
}

/// Verifies the whole database, prints what was looked at and every violation as JSON, and fails if there is one.
pub async fn verify(database_url: String, clock: Arc<dyn Clock>) -> Result<(), Box<dyn Error>> {
    let store = Store::connect(StoreOptions {
        url: database_url,
        max_connections: 1,
        clock,
    })
    .await?;
    let report = store.verify().await?;
    store.close().await;
    print(&serde_json::to_string_pretty(&report)?)?;
    if report.is_clean() {
        Ok(())
    } else {
        Err(format!("{} violation(s) found", report.violations.len()).into())
    }
}

/// Raises the epoch of the ledger and prints the new one.
pub async fn raise_epoch(owner_url: &str, reason: &str, clock: &dyn Clock) -> Result<(), Box<dyn Error>> {
    let epoch = clampward_store::feed::raise_epoch(owner_url, reason, clock.now()).await?;
    print(&epoch.to_string())?;
    Ok(())
}

/// Publishes the next signing key and prints its name and when it begins to sign.
pub fn rotate_signing_key(
    folder: &Path,
    clock: &dyn Clock,
    signs_after: SignedDuration,
) -> Result<(), Box<dyn Error>> {
    if folder.is_file() {
        return Err(format!(
            "{} is one key file, which cannot be replaced: make a folder, move the file into it, and name the folder",
            folder.display()
        )
        .into());
    }
    let made = replace_key(folder, clock.now(), signs_after)?;
    print(&serde_json::to_string_pretty(&made)?)?;
    Ok(())
}
