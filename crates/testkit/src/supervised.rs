//! Ties a program's life to its caller's.
//!
//! A destructor does not run after a kill, nor for a static. So the program is the child of a small shell that reads a
//! pipe held by the caller: whichever way the caller ends, the pipe closes and the shell ends the program. The shell is
//! in a process group of its own, so that Ctrl-C reaches the caller only, who then decides the order of stopping.

use std::ffi::OsString;
use std::fs::File;
use std::io;
use std::os::unix::process::CommandExt;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};

/// `$1` is the signal that stops the program, `$2` a folder to remove afterwards or nothing, the rest the program.
const SCRIPT: &str = r#"
signal=$1
remove=$2
shift 2
asked=
trap 'asked=1' USR1
exec 3<&0
"$@" 3<&- </dev/null &
program=$!
{ cat <&3 >/dev/null; kill -s USR1 $$; kill -s "$signal" "$program"; } 2>/dev/null &
exec 3<&- </dev/null
wait "$program"
code=$?
if [ -n "$asked" ]; then
    wait "$program"
    code=$?
    if [ -n "$remove" ]; then rm -rf "$remove"; fi
fi
exit "$code"
"#;

/// How the program is ended when its caller is gone or asks for it. A shell starts its background programs with `INT` and
/// `QUIT` ignored: those two only reach a program that, like PostgreSQL, sets its own answer to them.
#[derive(Clone, Copy, Debug)]
pub enum Ending<'path> {
    /// By this signal (`TERM`, …).
    Signal(&'static str),
    /// By this signal; then this folder is removed.
    SignalAndRemove(&'static str, &'path Path),
}

/// A program that ends with its caller at the latest. Dropping this ends it and waits.
#[derive(Debug)]
pub struct Supervised {
    shell: Child,
}

impl Supervised {
    /// Starts a program. `environment` is a command for `sh` that carries the account, folder and variables to use; the
    /// program's output goes to `log`.
    pub fn start(
        mut environment: Command,
        program: &Path,
        arguments: &[OsString],
        log: &File,
        ending: Ending<'_>,
    ) -> io::Result<Self> {
        environment.args(["-c", SCRIPT, "sh"]);
        match ending {
            Ending::Signal(signal) => environment.arg(signal).arg(""),
            Ending::SignalAndRemove(signal, directory) => environment.arg(signal).arg(directory),
        };
        environment.arg(program).args(arguments).process_group(0);
        environment
            .stdin(Stdio::piped())
            .stdout(log.try_clone()?)
            .stderr(log.try_clone()?);
        Ok(Self {
            shell: environment.spawn()?,
        })
    }

    /// How the program ended by itself, if it has.
    pub fn ended(&mut self) -> io::Result<Option<ExitStatus>> {
        self.shell.try_wait()
    }

    /// Ends the program and waits until it is gone.
    pub fn end(&mut self) -> io::Result<ExitStatus> {
        drop(self.shell.stdin.take());
        self.shell.wait()
    }
}

impl Drop for Supervised {
    fn drop(&mut self) {
        if let Err(error) = self.end() {
            eprintln!("a program that was started did not stop: {error}");
        }
    }
}

#[cfg(test)]
mod tests {
    //! A program ends when asked, by the signal it understands.

    use super::*;

    fn start(script: &str, ending: Ending<'_>) -> (Supervised, tempfile::NamedTempFile) {
        let log = tempfile::NamedTempFile::new().unwrap();
        let arguments = ["-c".into(), script.into()];
        let program = Path::new("/bin/sh");
        (
            Supervised::start(Command::new("sh"), program, &arguments, log.as_file(), ending).unwrap(),
            log,
        )
    }

    #[test]
    fn a_program_that_ends_by_itself_is_seen_and_its_code_kept() {
        let (mut program, log) = start("echo said; exit 7", Ending::Signal("TERM"));
        let status = loop {
            if let Some(status) = program.ended().unwrap() {
                break status;
            }
            std::thread::yield_now();
        };
        assert_eq!(status.code(), Some(7));
        assert_eq!(std::fs::read_to_string(log.path()).unwrap(), "said\n");
    }

    #[test]
    fn a_program_gets_the_signal_it_was_started_with_and_its_folder_goes() {
        let folder = tempfile::tempdir().unwrap().keep();
        // It says when it listens, so that the signal cannot come too early.
        let script = "trap 'echo ended in order; exit 0' TERM; echo listening; while :; do sleep 0.01; done";
        let (mut program, log) = start(script, Ending::SignalAndRemove("TERM", &folder));
        while !std::fs::read_to_string(log.path()).unwrap().contains("listening") {
            std::thread::yield_now();
        }
        assert!(program.end().unwrap().success());
        assert!(
            std::fs::read_to_string(log.path())
                .unwrap()
                .contains("ended in order")
        );
        assert!(!folder.exists());
    }
}
