//! No server outlives the program that started it.
#![expect(
    clippy::unwrap_used,
    reason = "a test stops at the first thing that is not as it should be"
)]

use sqlx::{Connection, PgConnection};
use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};

/// Starts the holder with local binaries only; answers its server's URL.
fn holder() -> (Child, String) {
    let mut child = Command::new(env!("CARGO_BIN_EXE_clampward-test-server"))
        .env_remove("CLAMPWARD_TEST_DATABASE_URL")
        .env("DOCKER_HOST", "unix:///nowhere/at/all.sock")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut line = String::new();
    BufReader::new(child.stdout.take().unwrap())
        .read_line(&mut line)
        .unwrap();
    let answer: serde_json::Value = serde_json::from_str(&line).unwrap();
    (
        child,
        answer.pointer("/url").unwrap().as_str().unwrap().to_owned(),
    )
}

/// Starts a statement that only the end of the server can end.
async fn until_the_server_ends(url: &str) -> tokio::task::JoinHandle<bool> {
    let mut connection = PgConnection::connect(url).await.unwrap();
    tokio::spawn(async move {
        sqlx::query("select pg_sleep(3600)")
            .execute(&mut connection)
            .await
            .is_err()
    })
}

#[tokio::test]
async fn a_killed_program_leaves_no_server_behind() {
    let (mut child, url) = holder();
    let cut_off = until_the_server_ends(&url).await;
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(cut_off.await.unwrap());
}

#[tokio::test]
async fn the_holder_ends_its_server_when_its_input_closes() {
    let (mut child, url) = holder();
    let cut_off = until_the_server_ends(&url).await;
    drop(child.stdin.take());
    assert!(child.wait().unwrap().success());
    assert!(cut_off.await.unwrap());
    assert!(PgConnection::connect(&url).await.is_err());
}
