//! A private cluster keeps its data, survives what a killed caller left, and is never shared by accident.

use super::*;
use sqlx::{Connection, PgConnection};
use tempfile::TempDir;

/// A folder that another account can reach, as a project's folder usually is.
fn open_folder() -> TempDir {
    tempfile::Builder::new()
        .permissions(Permissions::from_mode(0o755))
        .tempdir()
        .unwrap()
}

fn kept(folder: &TempDir) -> ClusterOptions {
    ClusterOptions {
        place: Place::Kept(folder.path().join("postgres")),
        password: Some("a-password".to_owned()),
        settings: vec![("max_connections".to_owned(), "17".to_owned())],
    }
}

async fn one(url: &str, statement: &'static str) -> Result<String, sqlx::Error> {
    let mut connection = PgConnection::connect(url).await?;
    sqlx::query_scalar(statement).fetch_one(&mut connection).await
}

#[tokio::test]
async fn a_kept_cluster_finds_its_data_again_and_asks_for_its_password() {
    let folder = open_folder();
    let cluster = Cluster::start(kept(&folder)).unwrap();
    let url = cluster.url("postgres");
    let mut connection = PgConnection::connect(&url).await.unwrap();
    sqlx::raw_sql("create table kept as select 'still here' as word")
        .execute(&mut connection)
        .await
        .unwrap();
    drop(connection);
    assert!(
        one(&url.replace("a-password", "another"), "select 'in'")
            .await
            .is_err()
    );
    cluster.stop().unwrap();
    assert!(
        one(&url, "select 'in'").await.is_err(),
        "a stopped cluster answers nobody"
    );

    let cluster = Cluster::start(kept(&folder)).unwrap();
    assert_eq!(
        one(&cluster.url("postgres"), "select word from kept")
            .await
            .unwrap(),
        "still here"
    );
    assert_eq!(
        one(&cluster.url("postgres"), "show max_connections")
            .await
            .unwrap(),
        "17"
    );
    assert_eq!(
        one(&cluster.url("postgres"), "show fsync").await.unwrap(),
        "on",
        "kept data are safe"
    );
}

#[tokio::test]
async fn a_trace_of_a_server_that_is_gone_does_not_stop_the_next_one() {
    // The number in the trace belongs to another living program: this test.
    let folder = open_folder();
    Cluster::start(kept(&folder)).unwrap().stop().unwrap();
    let trace = folder.path().join("postgres/data/postmaster.pid");
    std::fs::write(
        &trace,
        format!("{}\nx\n0\n1\n\n127.0.0.1\n0 0\nready   \n", std::process::id()),
    )
    .unwrap();
    let cluster = Cluster::start(kept(&folder)).unwrap();
    assert_eq!(one(&cluster.url("postgres"), "select 'in'").await.unwrap(), "in");
}

#[tokio::test]
async fn a_server_left_by_a_killed_caller_is_ended_first() {
    let folder = open_folder();
    Cluster::start(kept(&folder)).unwrap().stop().unwrap();
    let directory = folder.path().join("postgres").canonicalize().unwrap();
    let account = Account::find().unwrap();
    let binaries = Binaries::find().unwrap();
    let home = Home {
        binaries,
        account,
        directory,
    };
    let port = free_port().unwrap();
    let mut command = home.account.command(home.binaries.program("postgres"));
    command.args(home.arguments(port, &[])).stderr(Stdio::null());
    let mut left_behind = command.spawn().unwrap();
    assert!(
        home.wait_until_ready(&mut || left_behind.try_wait(), port)
            .unwrap()
    );

    let cluster = Cluster::start(kept(&folder)).unwrap();
    assert!(left_behind.wait().unwrap().success(), "ended in good order");
    assert_eq!(one(&cluster.url("postgres"), "select 'in'").await.unwrap(), "in");
}

#[test]
fn a_cluster_in_use_is_not_started_twice() {
    let folder = open_folder();
    let mut cluster = Cluster::start(kept(&folder)).unwrap();
    assert!(matches!(
        Cluster::start(kept(&folder)),
        Err(ClusterError::InUse { .. })
    ));
    assert!(cluster.is_running());
}

#[test]
fn a_half_made_cluster_is_made_again() {
    let folder = open_folder();
    let half_made = folder.path().join("postgres/data.new");
    std::fs::create_dir_all(half_made.join("base")).unwrap();
    assert!(Cluster::start(kept(&folder)).unwrap().is_running());
    assert!(!half_made.exists());
}

#[test]
fn a_cluster_that_cannot_start_says_why() {
    let mut options = ClusterOptions {
        place: Place::Temporary,
        password: None,
        settings: Vec::new(),
    };
    options
        .settings
        .push(("max_connections".to_owned(), "many".to_owned()));
    let refusal = Cluster::start(options).unwrap_err().to_string();
    assert!(refusal.contains("max_connections"), "{refusal}");
}
