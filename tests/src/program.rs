//! Programs of this workspace, started as processes of their own.

use std::net::TcpListener;
use std::path::PathBuf;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// How long a program may take to be ready.
const READY: Duration = Duration::from_secs(60);

/// The root of the workspace.
pub fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .parent()
        .expect("tests lie in the workspace")
        .to_owned()
}

/// Builds a binary of the workspace, if it is not up to date, and answers where it is.
pub fn binary(name: &str) -> PathBuf {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut build = Command::new(cargo);
    for (variable, _) in std::env::vars_os() {
        // What cargo says about this package would make it build others anew.
        let text = variable.to_string_lossy();
        if text.starts_with("CARGO_PKG_") || text.starts_with("CARGO_MANIFEST_") {
            build.env_remove(&variable);
        }
    }
    let built = build
        .args(["build", "--quiet", "--locked", "--bin", name])
        .current_dir(root())
        .status()
        .expect("cargo runs");
    assert!(built.success(), "{name} does not build");
    let test = std::env::current_exe().expect("this test is a file");
    // target/debug/deps/this-test → target/debug/name
    test.ancestors().nth(2).expect("a target folder").join(name)
}

/// A port that was free a moment ago.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0")
        .and_then(|listener| listener.local_addr())
        .expect("a free port")
        .port()
}

/// A running service; killed at the latest when dropped.
pub struct Service {
    child: Child,
    /// Its address.
    pub url: String,
}

impl Service {
    /// Starts the service on a database and waits until it is ready.
    pub fn start(binary: &PathBuf, database_url: &str, signing_key: &PathBuf, port: u16) -> Self {
        Self::start_with(binary, database_url, signing_key, port, |_| {})
    }

    /// The same with settings of its own.
    pub fn start_with(
        binary: &PathBuf,
        database_url: &str,
        signing_key: &PathBuf,
        port: u16,
        settings: impl FnOnce(&mut Command),
    ) -> Self {
        let mut command = Command::new(binary);
        command
            .arg("serve")
            .env("CLAMPWARD_DATABASE_URL", database_url)
            .env("CLAMPWARD_LISTEN", format!("127.0.0.1:{port}"))
            .env("CLAMPWARD_SIGNING_KEY", signing_key)
            .env("CLAMPWARD_PHOTOS", signing_key.with_file_name("photos"))
            .stdin(Stdio::null())
            .stderr(Stdio::null());
        settings(&mut command);
        let child = command.spawn().expect("the service starts");
        let mut service = Self {
            child,
            url: format!("http://127.0.0.1:{port}"),
        };
        let begun = Instant::now();
        while ureq::get(format!("{}/readyz", service.url)).call().is_err() {
            assert!(begun.elapsed() < READY, "the service did not get ready");
            // The port that was free a moment ago may be somebody else's for another one.
            if matches!(service.child.try_wait(), Ok(Some(_))) {
                service.child = command.spawn().expect("the service starts");
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        service
    }

    /// Its process.
    pub fn process_id(&self) -> u32 {
        self.child.id()
    }

    /// Tells it to stop as whoever runs services does: SIGTERM.
    pub fn tell_to_stop(&self) {
        let kill = format!("kill -s TERM {}", self.child.id());
        let told = Command::new("sh").args(["-c", &kill]).status().expect("a shell");
        assert!(told.success());
    }

    /// Waits until it has ended by itself.
    pub fn ended(mut self) -> ExitStatus {
        self.child.wait().expect("it ends")
    }

    /// Ends it as a power cut would: SIGKILL, nothing is finished.
    pub fn kill(mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it ends");
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        // Already gone if the test killed it.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
