//! The hunt for gaps: many write with delays between and some roll back after they had their number, one reads all the
//! time. What the reader has at the end is held against what is there.

use super::row;
use super::world::*;
use clampward_domain::entry::Received;
use clampward_domain::ids::ClampId;
use clampward_domain::reference::YardScope;
use clampward_store::feed::Cursor;
use clampward_store::ledger::append;
use clampward_store::reference::current_version;
use clampward_store::{Mode, Recording, Store, StoreError, StoreOptions};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;
use tokio::task::{JoinSet, LocalSet};

/// Who writes at once.
pub const WRITERS: usize = 16;
/// Clamps that they write about.
const CLAMPS: usize = 64;

/// What was found.
#[derive(Debug, PartialEq, Eq)]
pub struct Found {
    /// Entries that were recorded.
    pub recorded: usize,
    /// Transactions that were taken back after they had their number.
    pub taken_back: usize,
    /// Rows that the reader was told.
    pub seen: usize,
    /// Rows that went to the yard and were not told.
    pub missed: usize,
    /// Rows that were told twice, or that are not there.
    pub twice: usize,
    /// Positions that are missing in the ledger.
    pub gaps: i64,
    /// How often the reader asked.
    pub polls: usize,
}

/// Numbers that look random, the same in each run.
struct Dice(u64);

impl Dice {
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % sides
    }
    async fn wait(&mut self, micros: u64) {
        tokio::time::sleep(Duration::from_micros(self.roll(micros))).await;
    }
}

async fn another(world: &World) -> Store {
    Store::connect(StoreOptions {
        url: world.bench.database.service_url.clone(),
        max_connections: 16,
        clock: world.bench.clock.clone(),
    })
    .await
    .unwrap()
}

/// Hunts over so many entries.
pub async fn hunt(world: Arc<World>, entries: usize) -> Found {
    let mut clamps = Vec::new();
    for number in 0..CLAMPS {
        clamps.push(world.registered(&format!("hunted {number}")).await);
    }
    let from = world
        .bench
        .store
        .begin_snapshot(NORTH)
        .await
        .unwrap()
        .unwrap()
        .cursor;
    let done = Arc::new(AtomicBool::new(false));
    let reader = tokio::spawn(read(another(&world).await, from, Arc::clone(&done)));
    let begun = Arc::new(AtomicUsize::new(0));
    let store = another(&world).await;
    // One thread is enough: they wait for the database, each on a connection of its own.
    let together = LocalSet::new();
    let mut writers = JoinSet::new();
    for writer in 0..WRITERS {
        let one = write(
            Arc::clone(&world),
            store.clone(),
            clamps.clone(),
            Arc::clone(&begun),
            entries,
            writer,
        );
        writers.spawn_local_on(one, &together);
    }
    let written = together.run_until(writers.join_all()).await;
    done.store(true, Ordering::SeqCst);
    let (told, polls) = reader.await.unwrap();
    let seen: BTreeSet<i64> = told.iter().copied().collect();
    let mut owner = world.bench.owner().await;
    let there: Vec<i64> =
        sqlx::query_scalar("select position from delivered where yard_id = $1 and position > $2 order by 1")
            .bind(NORTH.uuid())
            .bind(from.position.cast_signed())
            .fetch_all(&mut owner)
            .await
            .unwrap();
    let there: BTreeSet<i64> = there.into_iter().collect();
    let gaps: i64 =
        sqlx::query_scalar("select (select position from ledger_head) - (select count(*) from ledger)")
            .fetch_one(&mut owner)
            .await
            .unwrap();
    Found {
        recorded: written.iter().map(|(recorded, _)| recorded).sum(),
        taken_back: written.iter().map(|(_, taken_back)| taken_back).sum(),
        seen: told.len(),
        missed: there.difference(&seen).count(),
        twice: told.len() - seen.intersection(&there).count(),
        gaps,
        polls,
    }
}

/// One writer: through the door, with waits between; a tenth is appended and then taken back.
async fn write(
    world: Arc<World>,
    store: Store,
    clamps: Vec<ClampId>,
    begun: Arc<AtomicUsize>,
    entries: usize,
    writer: usize,
) -> (usize, usize) {
    let mut dice = Dice(u64::try_from(writer).unwrap() + 7);
    let (mut recorded, mut taken_back) = (0, 0);
    while begun.fetch_add(1, Ordering::Relaxed) < entries {
        dice.wait(3_000).await;
        if dice.roll(9) == 0 {
            let number = world.uuid();
            let taken = store
                .run_tx("hunt", async |tx| {
                    let version = current_version(tx).await?;
                    let mut row = row(number.as_u128(), number, tx.now());
                    row.yards = vec![NORTH];
                    append(tx, vec![row], version, false).await?;
                    // Others wait behind the number that nobody will have.
                    tokio::time::sleep(Duration::from_micros(500)).await;
                    Err::<(), _>(StoreError::UnitOver)
                })
                .await;
            assert!(matches!(taken, Err(StoreError::UnitOver)), "{taken:?}");
            taken_back += 1;
        }
        let clamp = clamps[usize::try_from(dice.roll(64)).unwrap() % clamps.len()];
        let received: Received = serde_json::from_value(serde_json::json!({})).unwrap();
        let recording = Recording {
            author: author(LEAD),
            mode: Mode::Record,
            entries: vec![world.entry(clamp, LEAD, received)],
        };
        store.record(recording).await.unwrap();
        recorded += 1;
    }
    (recorded, taken_back)
}

/// The reader: a page each millisecond, until everything was written and nothing more comes.
async fn read(store: Store, mut cursor: Cursor, done: Arc<AtomicBool>) -> (Vec<i64>, usize) {
    let yards = YardScope::Some(vec![NORTH]);
    let mut told = Vec::new();
    let mut polls = 0;
    loop {
        let was_done = done.load(Ordering::SeqCst);
        let mut changes = store.changes(&yards, &[cursor], 1_000).await.unwrap();
        polls += 1;
        let page = changes.parts.remove(0).expect("a page");
        told.extend(page.rows.iter().map(|row| row.position.cast_signed()));
        match page.next {
            Some(next) => cursor = next,
            None if was_done => return (told, polls),
            None => tokio::time::sleep(Duration::from_millis(1)).await,
        }
    }
}
