//! What is kept between two starts: passwords, and of the first start the accounts and where the tablets are.
//!
//! One file that only its owner can read. Knows nothing of databases and services.

use super::account::Account;
use crate::failure::{Done, Failure, While};
use clampward_testkit::postgres::random_password;
use serde_json::{Map, Value};
use std::fs::{OpenOptions, Permissions};
use std::io::Write;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

/// The file in the data folder.
const NAME: &str = "kept.json";
/// The folder of the tablets at work.
const TABLETS: &str = "tablets";

/// The kept file and what it says.
pub struct Kept {
    path: PathBuf,
    cluster_password: String,
    service_password: String,
    /// Accounts by the database that they are in.
    accounts: Map<String, Value>,
    /// Folders of the tablets at work, by the database that knows them.
    tablets: Map<String, Value>,
}

impl Kept {
    /// Reads what was kept, or makes passwords for a first start.
    pub fn open(directory: &Path) -> Done<Self> {
        let doing = || format!("making {}", directory.display());
        std::fs::create_dir_all(directory).during(doing())?;
        // The account that runs PostgreSQL passes through; what is secret is closed by itself.
        std::fs::set_permissions(directory, Permissions::from_mode(0o755)).during(doing())?;
        let path = directory.join(NAME);
        if !path.exists() {
            let cluster_password = random_password().during("making a password")?;
            let service_password = random_password().during("making a password")?;
            let kept = Self {
                path,
                cluster_password,
                service_password,
                accounts: Map::new(),
                tablets: Map::new(),
            };
            kept.write()?;
            return Ok(kept);
        }
        let text = std::fs::read(&path).during(format!("reading {}", path.display()))?;
        let value: Value = serde_json::from_slice(&text).during(format!("reading {}", path.display()))?;
        let password = |name: &str| {
            let found = value.get(name).and_then(Value::as_str).map(str::to_owned);
            found.ok_or_else(|| Failure::new(format!("{} holds no {name}", path.display())))
        };
        let by_database = |name: &str| {
            value
                .get(name)
                .and_then(Value::as_object)
                .cloned()
                .unwrap_or_default()
        };
        Ok(Self {
            cluster_password: password("cluster_password")?,
            service_password: password("service_password")?,
            accounts: by_database("accounts"),
            tablets: by_database("tablets"),
            path,
        })
    }

    /// The superuser's password of a cluster that is started here.
    pub fn cluster_password(&self) -> &str {
        &self.cluster_password
    }

    /// The password that the service signs in to the database with.
    pub fn service_password(&self) -> &str {
        &self.service_password
    }

    /// The accounts that were made in this database, if it was started here before.
    pub fn accounts(&self, database: &str) -> Option<Vec<Account>> {
        self.accounts
            .get(database)?
            .as_array()?
            .iter()
            .map(Account::from_json)
            .collect()
    }

    /// The folder of the tablets at work that this database knows, if it was filled here with the invented fleet.
    pub fn tablets(&self, database: &str) -> Option<PathBuf> {
        Some(self.path.with_file_name(self.tablets.get(database)?.as_str()?))
    }

    /// Keeps the accounts of a first start, and a place for its tablets if it has some.
    pub fn keep(&mut self, database: &str, accounts: &[Account], has_tablets: bool) -> Done {
        let list = accounts.iter().map(Account::to_json).collect();
        self.accounts.insert(database.to_owned(), Value::Array(list));
        if has_tablets {
            // Another database with the same data folder has tablets of its own.
            let name = match self.tablets.len() {
                0 => TABLETS.to_owned(),
                others => format!("{TABLETS}-{}", others.saturating_add(1)),
            };
            self.tablets.insert(database.to_owned(), Value::String(name));
        }
        self.write()
    }

    /// Writes a new file and gives it the name in one step.
    fn write(&self) -> Done {
        let text = serde_json::json!({
            "cluster_password": self.cluster_password,
            "service_password": self.service_password,
            "accounts": self.accounts,
            "tablets": self.tablets,
        });
        let new = self.path.with_extension("new");
        let doing = || format!("writing {}", new.display());
        let mut file = OpenOptions::new()
            .create(true)
            .write(true)
            .truncate(true)
            .mode(0o600)
            .open(&new)
            .during(doing())?;
        file.write_all(format!("{text:#}\n").as_bytes()).during(doing())?;
        std::fs::rename(&new, &self.path).during(doing())
    }
}

#[cfg(test)]
mod tests {
    //! What was kept is found again, and only by its owner.

    use super::*;

    #[test]
    fn a_second_start_finds_passwords_and_the_accounts_of_the_same_database() {
        let folder = tempfile::tempdir().unwrap();
        let directory = folder.path().join("data");
        let mut first = Kept::open(&directory).unwrap();
        assert_eq!(first.accounts("here"), None);
        let account = Account {
            role: "safety".to_owned(),
            email: "a@b.example".to_owned(),
            password: "p \"q\"".to_owned(),
            yards: serde_json::json!(["y"]),
        };
        first.keep("here", std::slice::from_ref(&account), true).unwrap();
        first.keep("empty", &[], false).unwrap();
        first.keep("there", &[], true).unwrap();
        let second = Kept::open(&directory).unwrap();
        assert_eq!(second.cluster_password(), first.cluster_password());
        assert_eq!(second.service_password(), first.service_password());
        assert_ne!(second.service_password(), second.cluster_password());
        assert_eq!(second.accounts("here"), Some(vec![account]));
        assert_eq!(second.accounts("elsewhere"), None);
        assert_eq!(second.tablets("here"), Some(directory.join("tablets")));
        assert_eq!(second.tablets("there"), Some(directory.join("tablets-2")));
        assert_eq!(second.tablets("empty"), None);
        let mode = std::fs::metadata(directory.join(NAME))
            .unwrap()
            .permissions()
            .mode();
        assert_eq!(mode & 0o777, 0o600);
    }

    #[test]
    fn a_damaged_file_is_named_and_not_replaced() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(NAME), "{}").unwrap();
        let refusal = Kept::open(folder.path()).err().unwrap().to_string();
        assert!(
            refusal.contains("kept.json holds no cluster_password"),
            "{refusal}"
        );
    }
}
