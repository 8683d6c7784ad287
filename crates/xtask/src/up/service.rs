//! The service as this command runs it: built, migrated, started, watched, stopped. Speaks just enough HTTP to ask
//! whether it is ready.

use super::{ended_with, step};
use crate::failure::{Done, Failure, While};
use crate::workspace;
use clampward_testkit::supervised::{Ending, Supervised};
use std::fs::File;
use std::io::{Read, Write};
use std::net::{Ipv4Addr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

/// How long the service may take to get ready.
const READY: Duration = Duration::from_secs(60);
/// How often it is asked.
const POLL: Duration = Duration::from_millis(50);
/// How long one answer may take.
const ANSWER: Duration = Duration::from_secs(5);

/// Builds the service's binary, the worker's and the field client's, with cargo's own progress.
pub fn build() -> Done {
    let mut cargo = workspace::cargo()?;
    cargo
        .args([
            "build",
            "--bin",
            "clampward-api",
            "--bin",
            "clampward-worker",
            "--bin",
            crate::field::PROGRAM,
        ])
        .stdout(Stdio::from(std::io::stderr()));
    let status = cargo.status().during("running cargo")?;
    if status.success() {
        Ok(())
    } else {
        Err(Failure::new("the service does not build"))
    }
}

/// Brings the database to the present schema.
pub fn migrate(owner_url: &str, service_password: &str) -> Done {
    let mut command = Command::new(workspace::program("clampward-api")?);
    command
        .arg("migrate")
        .env("CLAMPWARD_OWNER_URL", owner_url)
        .env("CLAMPWARD_SERVICE_PASSWORD", service_password);
    answer(&mut command).map(|_| ()).during("migrating")
}

/// Records an administrator and answers the password that was made for them.
pub fn create_administrator(service_url: &str, email: &str) -> Done<String> {
    let mut command = Command::new(workspace::program("clampward-api")?);
    command
        .args(["create-administrator", "--email", email])
        .env("CLAMPWARD_DATABASE_URL", service_url);
    Ok(answer(&mut command)
        .during("recording the first administrator")?
        .trim()
        .to_owned())
}

/// What a command says, or why it failed.
fn answer(command: &mut Command) -> Done<String> {
    let output = command
        .stdin(Stdio::null())
        .output()
        .during("starting clampward-api")?;
    if !output.status.success() {
        return Err(Failure::new(String::from_utf8_lossy(&output.stderr).into_owned()));
    }
    String::from_utf8(output.stdout).during("reading what clampward-api says")
}

/// The running service.
pub struct Service {
    process: Supervised,
    port: u16,
    log: PathBuf,
}

impl Service {
    /// Starts it; it ends with this program at the latest.
    pub fn start(directory: &Path, service_url: &str, port: u16) -> Done<Self> {
        let log = directory.join("service.log");
        let file = File::create(&log).during(format!("making {}", log.display()))?;
        let mut environment = Command::new("sh");
        environment
            .env("CLAMPWARD_DATABASE_URL", service_url)
            .env("CLAMPWARD_LISTEN", format!("127.0.0.1:{port}"))
            .env("CLAMPWARD_SIGNING_KEY", directory.join("signing-key.pem"))
            .env("CLAMPWARD_PHOTOS", directory.join("photos"))
            // Of nobody (RFC 2606): the guide for ERP connections records it.
            .env("CLAMPWARD_WEBHOOK_TARGETS", "erp.halvorsund.example")
            // Nobody sends traffic here who would have to learn first that it stops, and tests ask without a pause.
            .env("CLAMPWARD_DRAIN_SECONDS", "0")
            .env("CLAMPWARD_QUOTA_REQUESTS", "1000000000");
        let program = workspace::program("clampward-api")?;
        let process = Supervised::start(
            environment,
            &program,
            &["serve".into()],
            &file,
            Ending::Signal("TERM"),
        );
        Ok(Self {
            process: process.during("starting the service")?,
            port,
            log,
        })
    }

    /// Where it answers.
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// Waits until `/readyz` says yes.
    pub fn wait_until_ready(&mut self) -> Done {
        let begin = Instant::now();
        while begin.elapsed() < READY {
            self.check()?;
            if is_ready(self.port) {
                return Ok(());
            }
            std::thread::sleep(POLL);
        }
        Err(Failure::new(format!(
            "the service does not get ready; the end of its log:\n{}",
            super::tail(&self.log)
        )))
    }

    /// Fails when the service ended by itself.
    pub fn check(&mut self) -> Done {
        match self.process.ended().during("watching the service")? {
            None => Ok(()),
            Some(_) => Err(ended_with("the service", &self.log)),
        }
    }

    /// Lets the service finish what is under way and end.
    pub fn stop(mut self) -> Done {
        let status = self.process.end().during("stopping the service")?;
        if !status.success() {
            step(&format!(
                "the service ended with {status}; see {}",
                self.log.display()
            ));
        }
        Ok(())
    }
}

/// Whether the service on this port answers 200 to `/readyz`.
fn is_ready(port: u16) -> bool {
    let ask = || -> std::io::Result<String> {
        let mut connection = TcpStream::connect((Ipv4Addr::LOCALHOST, port))?;
        connection.set_read_timeout(Some(ANSWER))?;
        connection.write_all(b"GET /readyz HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n")?;
        let mut text = String::new();
        connection.read_to_string(&mut text)?;
        Ok(text)
    };
    ask().is_ok_and(|text| text.starts_with("HTTP/1.1 200"))
}

#[cfg(test)]
mod tests {
    //! Only a 200 is ready.

    use super::*;
    use std::net::TcpListener;

    /// A service that gives one answer.
    fn answering(answer: &'static str) -> (u16, std::thread::JoinHandle<String>) {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let thread = std::thread::spawn(move || {
            let (mut connection, _) = listener.accept().unwrap();
            let mut asked = [0; 512];
            let length = connection.read(&mut asked).unwrap();
            connection.write_all(answer.as_bytes()).unwrap();
            String::from_utf8(asked[..length].to_vec()).unwrap()
        });
        (port, thread)
    }

    #[test]
    fn a_service_is_ready_when_it_says_200_and_not_before() {
        let (port, asked) = answering("HTTP/1.1 503 Service Unavailable\r\n\r\n");
        assert!(!is_ready(port));
        assert!(asked.join().unwrap().starts_with("GET /readyz HTTP/1.1\r\n"));
        let (port, asked) = answering("HTTP/1.1 200 OK\r\n\r\n");
        assert!(is_ready(port));
        asked.join().unwrap();
        assert!(!is_ready(port), "nobody listens any more");
    }
}
