//! Another history behind the same numbers: a backup that was restored elsewhere, a standby that took over without the
//! last rows. Real programs on private clusters; readers are told, and those who lost nothing go on.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::ids::ClampId;
use clampward_domain::reference::YardScope;
use clampward_domain::words::LockoutReason;
use clampward_store::feed::{Cursor, Gone, Page, SnapshotPart};
use clampward_store::{Mode, Recording, Store, StoreOptions};
use clampward_testkit::postgres::{Account, Binaries, Cluster, ClusterOptions, Place};
use clampward_testkit::{SERVICE_PASSWORD, SERVICE_ROLE, TestDatabase, url_as};
use jiff::Timestamp;
use sqlx::{Connection, PgConnection};
use std::path::Path;
use std::process::Command;
use std::time::Duration;
use support::Bench;
use support::mirror::Mirror;
use support::world::*;

/// The name by which the standby is known.
const STANDBY: &str = "second";

fn only() -> YardScope {
    YardScope::Some(vec![NORTH])
}

async fn cursor(store: &Store) -> Cursor {
    store.begin_snapshot(NORTH).await.unwrap().unwrap().cursor
}

async fn pull(store: &Store, cursor: Cursor) -> Result<Page, Gone> {
    store
        .changes(&only(), &[cursor], 1_000)
        .await
        .unwrap()
        .parts
        .remove(0)
}

/// A page of one row.
async fn first_row(store: &Store, cursor: Cursor) -> Page {
    let changes = store.changes(&only(), &[cursor], 1).await.unwrap();
    changes.parts.into_iter().next().unwrap().unwrap()
}

/// How many rows come after a cursor.
async fn rows(store: &Store, cursor: Cursor) -> Result<usize, Gone> {
    pull(store, cursor).await.map(|page| page.rows.len())
}

async fn tag_outs(world: &World, store: &Store, clamp: ClampId, count: usize) {
    for _ in 0..count {
        let recording = Recording {
            author: author(OPERATOR),
            mode: Mode::Record,
            entries: vec![world.entry(clamp, OPERATOR, tag_out(LockoutReason::Dropped))],
        };
        store.record(recording).await.unwrap();
    }
}

/// Runs one of PostgreSQL's programs.
fn run(program: &str, arguments: &[&str]) {
    let output = Command::new(Binaries::find().unwrap().program(program))
        .args(arguments)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{program}: {said}");
}

fn cluster(place: Place) -> Cluster {
    let settings = [("max_connections", "100")];
    Cluster::start(ClusterOptions {
        place,
        password: None,
        settings: settings
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .to_vec(),
    })
    .unwrap()
}

async fn store_at(world: &World, url: &str) -> Store {
    Store::connect(StoreOptions {
        url: url.to_owned(),
        max_connections: 4,
        clock: world.bench.clock.clone(),
    })
    .await
    .unwrap()
}

#[tokio::test]
async fn four_after_a_dump_into_a_new_cluster_who_read_beyond_it_is_told_and_all_others_go_on() {
    let old = cluster(Place::Temporary);
    let world = World::on(Bench::on(TestDatabase::on(&old.url("postgres")).await).await).await;
    let store = &world.bench.store;
    let clamp = world.in_service("1").await;
    tag_outs(&world, store, clamp, 10).await;
    let within = cursor(store).await;
    tag_outs(&world, store, clamp, 10).await;
    let tail = cursor(store).await;
    let folder = tempfile::tempdir().unwrap();
    let dump = folder.path().join("clampward.dump");
    let dump = dump.to_str().unwrap();
    run(
        "pg_dump",
        &[
            "--format=custom",
            "--file",
            dump,
            "--dbname",
            world.bench.database.owner_url.split('?').next().unwrap(),
        ],
    );
    tag_outs(&world, store, clamp, 5).await;
    let beyond = cursor(store).await;

    let new = cluster(Place::Temporary);
    // The first migration makes the cluster's roles; the dump brings the rest.
    clampward_store::migrate(&new.url("postgres"), Some(SERVICE_PASSWORD))
        .await
        .unwrap();
    run(
        "createdb",
        &["--maintenance-db", &new.url("postgres"), "restored"],
    );
    run(
        "pg_restore",
        &["--exit-on-error", "--dbname", &new.url("restored"), dump],
    );
    let service = url_as(&new.url("restored"), SERVICE_ROLE, SERVICE_PASSWORD, None).unwrap();
    let restored = store_at(&world, &service).await;
    assert_eq!(restored.verify().await.unwrap().violations, vec![]);
    // Cursors that clients hold are still proven by the same key.
    assert_eq!(
        restored.cursor_key().await.unwrap(),
        store.cursor_key().await.unwrap()
    );
    assert_eq!(rows(&restored, beyond).await, Err(Gone::FromFuture));
    assert_eq!(
        (rows(&restored, within).await, rows(&restored, tail).await),
        (Ok(10), Ok(0))
    );
    // The numbers come back with other rows.
    tag_outs(&world, &restored, clamp, 8).await;
    assert_eq!(rows(&restored, beyond).await, Err(Gone::Diverged));
    assert_eq!(
        (rows(&restored, within).await, rows(&restored, tail).await),
        (Ok(18), Ok(8))
    );
    // Whoever was told begins again, and has what is there.
    let mut mirror = Mirror::new(vec![]);
    mirror.gain(&restored, NORTH).await;
    mirror.catch_up(&restored, &only()).await;
    mirror.assert_same(&restored, &[NORTH]).await;
    restored.close().await;
    drop(world);
}

/// A standby of a cluster in a folder, which is not started yet.
fn standby_of(primary: &Cluster, folder: &Path) {
    let data = folder.join("data");
    let from = format!("{}?application_name={STANDBY}", primary.url("postgres"));
    let data = data.to_str().unwrap();
    run(
        "pg_basebackup",
        &[
            "--pgdata",
            data,
            "--write-recovery-conf",
            "--checkpoint=fast",
            "--dbname",
            &from,
        ],
    );
    if let Account::Other { user, group, .. } = Account::find().unwrap() {
        let given = Command::new("chown")
            .args(["-R", &format!("{user}:{group}"), data])
            .status()
            .unwrap();
        assert!(given.success());
    }
}

#[tokio::test]
async fn five_a_standby_that_takes_over_without_the_last_rows_tells_those_who_read_them() {
    let primary = cluster(Place::Temporary);
    let world = World::on(Bench::on(TestDatabase::on(&primary.url("postgres")).await).await).await;
    let store = &world.bench.store;
    store.require_standby(STANDBY.to_owned());
    let early = cursor(store).await;
    let clamp = world.in_service("1").await;
    assert_eq!(
        store.stable_position().await.unwrap(),
        0,
        "no standby has anything yet"
    );
    let folder = tempfile::Builder::new()
        .prefix("clampward-standby-")
        .tempdir_in("/tmp")
        .unwrap();
    std::fs::set_permissions(folder.path(), std::os::unix::fs::PermissionsExt::from_mode(0o755)).unwrap();
    let home = folder.path().join("standby");
    std::fs::create_dir(&home).unwrap();
    standby_of(&primary, &home);
    let standby = cluster(Place::Kept(home.clone()));
    let head = store.position().await.unwrap();
    let mut looks = 0;
    while store.stable_position().await.unwrap() < head {
        looks += 1;
        assert!(looks < 400, "the standby follows");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let service = |cluster: &Cluster| {
        let url = cluster.url(&world.bench.database.name);
        url_as(&url, SERVICE_ROLE, SERVICE_PASSWORD, None).unwrap()
    };
    let kept = cursor(store).await;
    assert!(first_row(store, early).await.next.unwrap().position < kept.position);
    // The standby goes, and the primary records what only it has.
    standby.stop().unwrap();
    tag_outs(&world, store, clamp, 20).await;
    let lost = cursor(store).await;
    assert_eq!(
        store.stable_position().await.unwrap(),
        head,
        "what the standby has not is not stable"
    );
    assert_eq!(rows(store, kept).await, Ok(20));
    // One row of many, which both have, with the clamp as it was after rows that only the primary has.
    let ahead = first_row(store, early).await;
    assert!(ahead.more && ahead.next.unwrap().position < kept.position);
    assert_eq!(ahead.clamps[0].position, lost.position);
    let SnapshotPart::Clamps(part, _) = store.snapshot_clamps(kept, None, 100).await.unwrap() else {
        panic!("a part");
    };
    assert_eq!(part.position, kept.position);
    // The primary is lost. What is left follows nobody any more, but does not know it: it cannot say that anything is gone.
    let name = world.bench.database.name.clone();
    store.close().await;
    primary.stop().unwrap();
    let standby = cluster(Place::Kept(home));
    let second = store_at(&world, &service(&standby)).await;
    let behind = pull(&second, lost).await.unwrap();
    assert_eq!((behind.rows.len(), behind.next, behind.more), (0, None, false));
    // What it does not know is no knowledge: what was known before stays as old as it is.
    assert_eq!(
        (behind.known_position, behind.known_at),
        (lost.position, Timestamp::UNIX_EPOCH)
    );
    assert_eq!(rows(&second, ahead.next.unwrap()).await, Ok(0));
    assert_eq!(
        second.snapshot_clamps(part, None, 100).await.unwrap(),
        SnapshotPart::Wait
    );
    let other = Cursor { epoch: 9, ..lost };
    assert_eq!(rows(&second, other).await, Ok(0));
    assert_eq!(rows(&second, kept).await, Ok(0));
    // It takes over.
    let mut admin = PgConnection::connect(&standby.url(&name)).await.unwrap();
    let promoted: bool = sqlx::query_scalar("select pg_promote(true, 60)")
        .fetch_one(&mut admin)
        .await
        .unwrap();
    assert!(promoted);
    assert_eq!(rows(&second, lost).await, Err(Gone::FromFuture));
    assert_eq!(rows(&second, kept).await, Ok(0));
    assert_eq!(rows(&second, ahead.next.unwrap()).await, Err(Gone::FromFuture));
    assert_eq!(rows(&second, part).await, Err(Gone::FromFuture));
    tag_outs(&world, &second, clamp, 25).await;
    assert_eq!(rows(&second, lost).await, Err(Gone::Diverged));
    assert_eq!(rows(&second, kept).await, Ok(25));
    assert_eq!(rows(&second, ahead.next.unwrap()).await, Err(Gone::Diverged));
    assert_eq!(
        second.snapshot_clamps(part, None, 100).await.unwrap(),
        SnapshotPart::Gone(Gone::Diverged)
    );
    assert_eq!(second.verify().await.unwrap().violations, vec![]);
    second.close().await;
}
