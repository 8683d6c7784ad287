//! The service as it is measured: the release binary as it ships, and people signed in to it.

use super::http::Connection;
use crate::failure::{Done, Failure, While};
use crate::workspace;
use clampward_testkit::supervised::{Ending, Supervised};
use std::fs::File;
use std::net::TcpListener;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};
use tokio::runtime::Runtime;

/// How long the service may take to get ready.
const READY: Duration = Duration::from_secs(30);

/// A running service.
pub struct Service {
    process: Supervised,
    /// Its port on this machine.
    pub port: u16,
}

impl Service {
    /// Starts it and waits until it is ready.
    pub fn start(directory: &Path, name: &str, service_url: &str, runtime: &Runtime) -> Done<Self> {
        let port = TcpListener::bind("127.0.0.1:0")
            .and_then(|listener| listener.local_addr())
            .during("looking for a free port")?
            .port();
        let log = directory.join(format!("{name}.log"));
        let file = File::create(&log).during(format!("making {}", log.display()))?;
        let mut environment = Command::new("sh");
        environment
            .env("CLAMPWARD_DATABASE_URL", service_url)
            .env("CLAMPWARD_LISTEN", format!("127.0.0.1:{port}"))
            .env("CLAMPWARD_SIGNING_KEY", directory.join("signing-key.pem"))
            .env("CLAMPWARD_PHOTOS", directory.join("photos"))
            // A few people ask as much as a whole company.
            .env("CLAMPWARD_QUOTA_REQUESTS", "1000000")
            .env("CLAMPWARD_QUOTA_SECONDS", "1");
        let program = workspace::program_of("release", "clampward-api")?;
        let process = Supervised::start(
            environment,
            &program,
            &["serve".into()],
            &file,
            Ending::Signal("TERM"),
        )
        .during("starting the service")?;
        let service = Self { process, port };
        let begin = Instant::now();
        while !runtime.block_on(service.is_ready()) {
            if begin.elapsed() > READY {
                return Err(Failure::new(format!(
                    "the service does not get ready; see {}",
                    log.display()
                )));
            }
            std::thread::sleep(Duration::from_millis(50));
        }
        Ok(service)
    }

    async fn is_ready(&self) -> bool {
        let ask = async {
            let mut connection = Connection::open(self.port).await?;
            let request = format!("GET /readyz HTTP/1.1\r\nHost: 127.0.0.1:{}\r\n\r\n", self.port);
            connection.ask(request.as_bytes()).await.map(|(status, _)| status)
        };
        ask.await.is_ok_and(|status: u16| status == 200)
    }

    /// The access token of somebody of the invented company.
    pub async fn sign_in(&self, key: &str) -> Done<String> {
        let member = crate::demo::CAST
            .iter()
            .find(|member| member.key == key)
            .ok_or_else(|| Failure::new(format!("nobody is called {key}")))?;
        let body = serde_json::json!({"email": member.email(), "password": member.password()}).to_string();
        let request = format!(
            "POST /v1/auth/token HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nContent-Type: application/json\r\n\
             Content-Length: {}\r\n\r\n{body}",
            self.port,
            body.len()
        );
        let mut connection = Connection::open(self.port).await?;
        let (status, answer) = connection.ask(request.as_bytes()).await?;
        let said: serde_json::Value = serde_json::from_slice(answer).during("signing in")?;
        let token = said.get("access_token").and_then(serde_json::Value::as_str);
        token
            .map(str::to_owned)
            .ok_or_else(|| Failure::new(format!("signing in {key}: {status} {said}")))
    }

    /// What the operating system says of its process.
    pub fn status(&self) -> Done<String> {
        let listens = format!("CLAMPWARD_LISTEN=127.0.0.1:{}\0", self.port);
        let processes = std::fs::read_dir("/proc").during("looking for the service")?;
        processes
            .flatten()
            .map(|process| process.path())
            .find(|process| {
                let environment = std::fs::read(process.join("environ")).unwrap_or_default();
                let program = std::fs::read_to_string(process.join("comm")).unwrap_or_default();
                program.starts_with("clampward-api")
                    && String::from_utf8_lossy(&environment).contains(&listens)
            })
            .and_then(|process| std::fs::read_to_string(process.join("status")).ok())
            .ok_or_else(|| Failure::new("the service's process is not to be found"))
    }

    /// Lets it finish and end.
    pub fn stop(mut self) -> Done {
        self.process.end().map(|_| ()).during("stopping the service")
    }
}
