//! The account that PostgreSQL runs as: the caller's own, or an unprivileged one when the caller is root.

use super::{ClusterError, while_doing};
use std::ffi::OsStr;
use std::os::unix::fs::chown;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Command, Stdio};

/// Accounts to try when called by root, the usual one first.
const UNPRIVILEGED: [&str; 2] = ["postgres", "nobody"];

/// Whom PostgreSQL's programs run as.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Account {
    /// The caller's own account.
    Own,
    /// Another account, because the caller is root.
    Other {
        /// Its name.
        name: String,
        /// Its user id.
        user: u32,
        /// Its group id.
        group: u32,
    },
}

impl Account {
    /// The caller's own account unless that is root; then `postgres`, else `nobody`.
    pub fn find() -> Result<Self, ClusterError> {
        if id(&["-u"]) != Some(0) {
            return Ok(Self::Own);
        }
        UNPRIVILEGED
            .iter()
            .find_map(|name| {
                let (user, group) = (id(&["-u", name])?, id(&["-g", name])?);
                Some(Self::Other {
                    name: (*name).to_owned(),
                    user,
                    group,
                })
            })
            .ok_or(ClusterError::NoAccount)
    }

    /// The account's name, for messages.
    pub fn name(&self) -> &str {
        match self {
            Self::Own => "that runs this",
            Self::Other { name, .. } => name,
        }
    }

    /// A command run by this account with an empty environment, away from the caller's folder.
    pub(super) fn command(&self, program: impl AsRef<OsStr>) -> Command {
        let mut command = Command::new(program);
        command
            .env_clear()
            .env("LC_ALL", "C")
            .env("PATH", "/usr/bin:/bin")
            .current_dir("/");
        if let Self::Other { user, group, .. } = self {
            command.uid(*user).gid(*group);
        }
        command
    }

    /// Hands a file or folder to this account.
    pub(super) fn own(&self, path: &Path) -> Result<(), ClusterError> {
        match self {
            Self::Own => Ok(()),
            Self::Other { user, group, .. } => chown(path, Some(*user), Some(*group)).map_err(while_doing(
                format!("handing {} to {}", path.display(), self.name()),
            )),
        }
    }

    /// Whether this account can write in the folder.
    pub fn can_reach(&self, directory: &Path) -> bool {
        self.command("sh")
            .args(["-c", "test -w \"$1\" && test -x \"$1\"", "sh"])
            .arg(directory)
            .stdin(Stdio::null())
            .status()
            .is_ok_and(|status| status.success())
    }
}

/// Asks `id` for a number.
fn id(arguments: &[&str]) -> Option<u32> {
    let output = Command::new("id")
        .args(arguments)
        .stderr(Stdio::null())
        .output()
        .ok()?;
    String::from_utf8(output.stdout).ok()?.trim().parse().ok()
}

#[cfg(test)]
mod tests {
    //! The account is never root.

    use super::*;

    #[test]
    fn postgresql_is_never_run_as_root() {
        let output = Account::find().unwrap().command("id").arg("-u").output().unwrap();
        assert_ne!(String::from_utf8(output.stdout).unwrap().trim(), "0");
    }

    #[test]
    fn a_folder_below_a_closed_one_is_out_of_reach_for_another_account() {
        // Only root can hand folders to another account; for anyone else their own folder is within reach.
        let account = Account::find().unwrap();
        let mode = std::os::unix::fs::PermissionsExt::from_mode(0o700);
        let closed = tempfile::Builder::new().permissions(mode).tempdir().unwrap();
        let below = closed.path().join("below");
        std::fs::create_dir(&below).unwrap();
        account.own(&below).unwrap();
        assert_eq!(account.can_reach(&below), account == Account::Own);
    }
}
