//! The hunt for gaps over as many entries as are wanted, on a private cluster; with `--open`, while a transaction stays
//! open in another database of it. Prints what was found and fails if anything is missed, told twice, or missing.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::indexing_slicing,
    reason = "a program that hunts fails by panicking"
)]

#[path = "../tests/support/mod.rs"]
mod support;

use clampward_testkit::TestDatabase;
use sqlx::{Connection, PgConnection};
use std::sync::Arc;
use support::hunt::hunt;
use support::world::World;

#[tokio::main]
async fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let entries = arguments
        .iter()
        .find_map(|text| text.parse().ok())
        .unwrap_or(100_000);
    let world = Arc::new(World::new().await);
    let other = TestDatabase::empty().await;
    let mut open = PgConnection::connect(&other.owner_url).await.unwrap();
    if arguments.iter().any(|text| text == "--open") {
        sqlx::raw_sql("create table held (n int); begin; insert into held values (1)")
            .execute(&mut open)
            .await
            .unwrap();
    }
    let begun = std::time::Instant::now();
    let found = hunt(Arc::clone(&world), entries).await;
    println!("{found:?} in {:.1} s", begun.elapsed().as_secs_f64());
    assert_eq!((found.recorded, found.seen), (entries, entries));
    assert_eq!((found.missed, found.twice, found.gaps), (0, 0, 0));
}
