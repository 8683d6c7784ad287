//! Sixteen write, one reads each millisecond: nothing is missed, nothing comes twice, no position is missing. The long run
//! is an example program: `cargo run --release -p clampward-store --example gap_hunt -- 100000`.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_testkit::TestDatabase;
use sqlx::{Connection, PgConnection};
use std::sync::Arc;
use support::hunt::{Found, hunt};
use support::world::World;

fn nothing_lost(found: &Found, entries: usize) {
    println!("{found:?}");
    assert_eq!((found.recorded, found.seen), (entries, entries), "{found:?}");
    assert_eq!((found.missed, found.twice, found.gaps), (0, 0, 0), "{found:?}");
    assert!(found.taken_back > entries / 15 && found.polls > 10, "{found:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn one_sixteen_writers_and_a_reader_who_misses_nothing() {
    let world = Arc::new(World::new().await);
    nothing_lost(&hunt(Arc::clone(&world), 2_500).await, 2_500);
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn one_the_same_while_a_transaction_stays_open_in_another_database_of_the_cluster() {
    let world = Arc::new(World::new().await);
    let other = TestDatabase::empty().await;
    let mut open = PgConnection::connect(&other.owner_url).await.unwrap();
    sqlx::raw_sql("create table held (n int); begin; insert into held values (1)")
        .execute(&mut open)
        .await
        .unwrap();
    nothing_lost(&hunt(world, 1_000).await, 1_000);
    sqlx::raw_sql("commit").execute(&mut open).await.unwrap();
}
