//! Where PostgreSQL's server programs are on this machine. Starts none of them but `pg_config`.

use super::ClusterError;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Where Debian and its relatives keep one folder per major version.
const VERSIONED: &str = "/usr/lib/postgresql";

/// A folder with `initdb`, `postgres` and `pg_ctl` of one version.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Binaries {
    directory: PathBuf,
}

impl Binaries {
    /// The newest PostgreSQL on this machine.
    pub fn find() -> Result<Self, ClusterError> {
        Self::all().into_iter().next().ok_or(ClusterError::NoBinaries)
    }

    /// The binaries that can serve an existing cluster, or the newest for a cluster yet to be made.
    pub(super) fn for_data(data: &Path) -> Result<Self, ClusterError> {
        let Ok(version) = std::fs::read_to_string(data.join("PG_VERSION")) else {
            return Self::find();
        };
        let version = version.trim();
        let all = Self::all();
        if all.is_empty() {
            return Err(ClusterError::NoBinaries);
        }
        all.into_iter()
            .find(|binaries| binaries.major().as_deref() == Some(version))
            .ok_or_else(|| ClusterError::OtherVersion {
                directory: data.to_owned(),
                version: version.to_owned(),
            })
    }

    /// The path of one program.
    pub fn program(&self, name: &str) -> PathBuf {
        self.directory.join(name)
    }

    /// Every installed version, the newest of the versioned folders first, then PATH, then what `pg_config` names.
    fn all() -> Vec<Self> {
        let path = std::env::var_os("PATH").unwrap_or_default();
        versioned(Path::new(VERSIONED))
            .into_iter()
            .chain(on_path(&path))
            .chain(from_pg_config())
            .map(|directory| Self { directory })
            .filter(Self::is_complete)
            .collect()
    }

    fn is_complete(&self) -> bool {
        ["initdb", "postgres", "pg_ctl"]
            .iter()
            .all(|name| self.program(name).is_file())
    }

    /// The major version, from `postgres --version` ("postgres (PostgreSQL) 15.13 (…)").
    fn major(&self) -> Option<String> {
        let output = Command::new(self.program("postgres"))
            .arg("--version")
            .output()
            .ok()?;
        let text = String::from_utf8(output.stdout).ok()?;
        let number = text
            .split_whitespace()
            .find(|word| word.starts_with(|c: char| c.is_ascii_digit()))?;
        number
            .split(|c: char| !c.is_ascii_digit())
            .next()
            .map(str::to_owned)
    }
}

fn versioned(parent: &Path) -> Vec<PathBuf> {
    let mut found: Vec<(u32, PathBuf)> = std::fs::read_dir(parent)
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| {
            Some((
                entry.file_name().to_str()?.parse().ok()?,
                entry.path().join("bin"),
            ))
        })
        .collect();
    found.sort();
    found.into_iter().rev().map(|(_, directory)| directory).collect()
}

fn on_path(path: &OsStr) -> Vec<PathBuf> {
    std::env::split_paths(path)
        .filter_map(|directory| {
            // A link on PATH points to the folder that also holds what `initdb` looks for beside itself.
            directory
                .join("initdb")
                .canonicalize()
                .ok()?
                .parent()
                .map(Path::to_owned)
        })
        .collect()
}

fn from_pg_config() -> Option<PathBuf> {
    let output = Command::new("pg_config").arg("--bindir").output().ok()?;
    Some(PathBuf::from(String::from_utf8(output.stdout).ok()?.trim()))
}

#[cfg(test)]
mod tests {
    //! Choosing among installed versions.

    use super::*;

    #[test]
    fn the_newest_version_comes_first_by_number_not_by_letter() {
        let parent = tempfile::tempdir().unwrap();
        for name in ["9", "15", "100", "current"] {
            std::fs::create_dir_all(parent.path().join(name).join("bin")).unwrap();
        }
        let found = versioned(parent.path());
        let names: Vec<_> = found
            .iter()
            .map(|path| path.parent().unwrap().file_name().unwrap())
            .collect();
        assert_eq!(names, ["100", "15", "9"]);
    }

    #[test]
    fn data_of_a_version_that_is_not_installed_are_refused_by_name() {
        let data = tempfile::tempdir().unwrap();
        std::fs::write(data.path().join("PG_VERSION"), "7\n").unwrap();
        let refusal = Binaries::for_data(data.path()).unwrap_err().to_string();
        assert!(
            refusal.contains("PostgreSQL 7, which is not installed"),
            "{refusal}"
        );
    }
}
