//! A service of its own with the invented fleet, for a step that talks to it over HTTP: what `cargo xtask up` starts, on a
//! free port, gone with everything it wrote when the step ends, however it ends.

use crate::failure::{Done, Failure, While};
use crate::workspace;
use clampward_testkit::supervised::{Ending, Supervised};
use std::fs::File;
use std::net::{Ipv4Addr, TcpListener};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

/// How long building, loading the fleet and starting may take.
const READY: Duration = Duration::from_secs(300);
/// How often the log is looked at meanwhile.
const LOOK: Duration = Duration::from_millis(200);
/// Not below the workspace: the account that runs PostgreSQL may not be let through to it.
const PARENT: &str = "/var/tmp";

/// The running service. Dropping it stops everything.
pub struct DemoService {
    process: Supervised,
    ready: String,
}

impl DemoService {
    /// Starts it and waits until it is ready.
    pub fn start() -> Done<Self> {
        let folder = Path::new(PARENT).join(format!("clampward-step-{}", std::process::id()));
        std::fs::create_dir_all(&folder).during(format!("making {}", folder.display()))?;
        let log = folder.join("up.log");
        let file = File::create(&log).during(format!("making {}", log.display()))?;
        // By its path: building the workspace may have replaced the file that this program was started from.
        let program = workspace::program("xtask")?;
        let port = free_port()?.to_string();
        let mut environment = Command::new("sh");
        environment.env_remove("DATABASE_URL");
        let arguments = [
            "up".into(),
            "--json".into(),
            "--port".into(),
            port.into(),
            "--data-dir".into(),
            folder.join("data").into(),
        ];
        let ending = Ending::SignalAndRemove("TERM", &folder);
        let process = Supervised::start(environment, &program, &arguments, &file, ending);
        let mut process = process.during("starting the service with the invented fleet")?;
        let ready = wait(&mut process, &log)?;
        Ok(Self { process, ready })
    }

    /// The line of JSON that tells the address and the accounts.
    pub fn ready(&self) -> &str {
        &self.ready
    }

    /// Fails when it ended by itself.
    pub fn check(&mut self) -> Done {
        match self.process.ended().during("watching the service")? {
            None => Ok(()),
            Some(status) => Err(Failure::new(format!("the service ended by itself with {status}"))),
        }
    }
}

/// Waits for the line that says it is ready.
fn wait(process: &mut Supervised, log: &PathBuf) -> Done<String> {
    let begin = Instant::now();
    while begin.elapsed() < READY {
        let text = std::fs::read_to_string(log).during(format!("reading {}", log.display()))?;
        let line = text.lines().find(|line| line.starts_with("{\"url\""));
        if let Some(line) = line
            && text.contains(&format!("{line}\n"))
        {
            return Ok(line.to_owned());
        }
        if process.ended().during("watching the service")?.is_some() {
            return Err(Failure::new(format!("the service did not start:\n{text}")));
        }
        std::thread::sleep(LOOK);
    }
    Err(Failure::new("the service does not get ready"))
}

/// A port that was free a moment ago.
fn free_port() -> Done<u16> {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0))
        .and_then(|listener| listener.local_addr())
        .map(|address| address.port())
        .during("finding a free port")
}
