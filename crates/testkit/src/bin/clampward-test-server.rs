//! Holds one test server for many test programs.
//!
//! Prints one line of JSON, `{"url", "kind"}`, when the server accepts connections, and ends it when standard input
//! closes. Decides nothing itself: see the library's `server` module.

use clampward_testkit::server::TestServer;
use std::io::Read;
use std::process::ExitCode;

fn main() -> ExitCode {
    match hold() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("clampward-test-server: {error}");
            ExitCode::FAILURE
        }
    }
}

fn hold() -> Result<(), Box<dyn std::error::Error>> {
    let server = TestServer::start()?;
    println!(
        "{}",
        serde_json::json!({"url": server.url(), "kind": server.kind().to_string()})
    );
    let mut ignored = Vec::new();
    std::io::stdin().read_to_end(&mut ignored)?;
    server.stop()?;
    Ok(())
}
