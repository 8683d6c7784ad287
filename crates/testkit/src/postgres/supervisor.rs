//! Ties a server's life to its caller's.
//!
//! A destructor does not run after a kill, nor for a static. So the server is the child of a small shell that reads a
//! pipe held by the caller: whichever way the caller ends, the pipe closes and the shell ends the server. The shell is
//! in a process group of its own, so that Ctrl-C reaches the caller only, who then decides the order of stopping.

use super::account::Account;
use super::{ClusterError, while_doing};
use std::ffi::OsString;
use std::fs::File;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Stdio};

/// `$1` is the signal that stops the server, `$2` a folder to remove afterwards or nothing, the rest the server.
const SCRIPT: &str = r#"
signal=$1
remove=$2
shift 2
asked=
trap 'asked=1' USR1
exec 3<&0
"$@" 3<&- </dev/null &
server=$!
{ cat <&3 >/dev/null; kill -s USR1 $$; kill -s "$signal" "$server"; } 2>/dev/null &
exec 3<&- </dev/null
wait "$server"
code=$?
if [ -n "$asked" ]; then
    wait "$server"
    code=$?
    if [ -n "$remove" ]; then rm -rf "$remove"; fi
fi
exit "$code"
"#;

/// How the server is ended when its caller is gone.
#[derive(Clone, Copy, Debug)]
pub(super) enum Ending<'path> {
    /// In good order, keeping its data.
    Keep,
    /// At once, removing this folder.
    Remove(&'path Path),
}

/// Starts a server that ends when the returned child's standard input closes.
pub(super) fn supervise(
    account: &Account,
    server: &Path,
    arguments: &[OsString],
    log: &File,
    ending: Ending<'_>,
) -> Result<Child, ClusterError> {
    let again = || {
        log.try_clone()
            .map(Stdio::from)
            .map_err(while_doing("opening the server's log"))
    };
    let mut command = account.command("sh");
    command.args(["-c", SCRIPT, "sh"]);
    match ending {
        Ending::Keep => command.arg("INT").arg(""),
        Ending::Remove(directory) => command.arg("QUIT").arg(directory),
    };
    command.arg(server).args(arguments).process_group(0);
    command
        .stdin(Stdio::piped())
        .stdout(again()?)
        .stderr(again()?)
        .spawn()
        .map_err(while_doing("starting PostgreSQL"))
}

/// Ends the server by closing the pipe and waits until it is gone.
pub(super) fn end(child: &mut Child) -> Result<(), ClusterError> {
    drop(child.stdin.take());
    child
        .wait()
        .map(|_| ())
        .map_err(while_doing("waiting for PostgreSQL to stop"))
}
