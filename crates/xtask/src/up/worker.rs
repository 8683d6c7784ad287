//! The worker as this command runs it, and a mail server on this machine that keeps what it is given.

use super::{ended_with, step};
use crate::failure::{Done, While};
use crate::workspace;
use clampward_testkit::mail::{MailCatcher, Pages};
use clampward_testkit::supervised::{Ending, Supervised};
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::Command;
use tokio::runtime::Runtime;

/// The running worker with its mails.
pub struct Worker {
    process: Supervised,
    log: PathBuf,
    pages: Pages,
    _catcher: MailCatcher,
}

impl Worker {
    /// Starts it; it ends with this program at the latest.
    pub fn start(directory: &Path, service_url: &str, public_url: &str, runtime: &Runtime) -> Done<Self> {
        let (catcher, pages) = runtime
            .block_on(async {
                let catcher = MailCatcher::start().await?;
                let pages = catcher.show().await?;
                Ok::<_, std::io::Error>((catcher, pages))
            })
            .during("starting a mail server on this machine")?;
        let log = directory.join("worker.log");
        let file = File::create(&log).during(format!("making {}", log.display()))?;
        let mut environment = Command::new("sh");
        environment
            .env("CLAMPWARD_DATABASE_URL", service_url)
            .env("CLAMPWARD_SMTP_HOST", "127.0.0.1")
            .env("CLAMPWARD_SMTP_PORT", catcher.port.to_string())
            .env("CLAMPWARD_SMTP_SECURITY", "none")
            .env("CLAMPWARD_MAIL_FROM", "Clampward <clampward@halvorsund.example>")
            .env("CLAMPWARD_PUBLIC_URL", public_url);
        let program = workspace::program("clampward-worker")?;
        let process = Supervised::start(
            environment,
            &program,
            &["run".into()],
            &file,
            Ending::Signal("TERM"),
        );
        Ok(Self {
            process: process.during("starting the worker")?,
            log,
            pages,
            _catcher: catcher,
        })
    }

    /// Where its mails are read.
    pub fn mails(&self) -> String {
        format!("http://127.0.0.1:{}", self.pages.port)
    }

    /// Fails when the worker ended by itself.
    pub fn check(&mut self) -> Done {
        match self.process.ended().during("watching the worker")? {
            None => Ok(()),
            Some(_) => Err(ended_with("the worker", &self.log)),
        }
    }

    /// Lets the worker finish what is under way and end.
    pub fn stop(mut self) -> Done {
        let status = self.process.end().during("stopping the worker")?;
        if !status.success() {
            step(&format!(
                "the worker ended with {status}; see {}",
                self.log.display()
            ));
        }
        Ok(())
    }
}
