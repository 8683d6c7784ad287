//! Single entries that arrive together share a commit, and nothing else: each has its own outcome.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::entry::{Release, ReturnedToService};
use clampward_domain::ids::{ClampId, lockout_id};
use clampward_domain::words::{Ground, InspectionKind, LockoutReason};
use clampward_store::{Mode, NewEntry, RecordError, Recorded, Recording, Store};
use jiff::SignedDuration;
use support::world::*;
use tokio::task::JoinSet;

async fn hand_in(store: Store, entry: NewEntry) -> Result<Recorded, RecordError> {
    let recording = Recording {
        author: author(entry.performed_by),
        mode: Mode::Refuse,
        entries: vec![entry],
    };
    store.record(recording).await.map(|mut all| all.remove(0))
}

/// How many transactions wrote the rows after a position.
async fn transactions_after(world: &World, position: u64) -> (i64, i64) {
    sqlx::query_as("select count(*), count(distinct xmin::text) from ledger where position > $1")
        .bind(i64::try_from(position).unwrap())
        .fetch_one(&mut world.bench.owner().await)
        .await
        .unwrap()
}

#[tokio::test]
async fn of_entries_that_arrive_together_each_has_its_own_outcome_and_a_refusal_spoils_no_other() {
    let world = World::new().await;
    let mut clamps = Vec::new();
    for number in 0..12 {
        clamps.push(world.in_service(&format!("N{number}")).await);
    }
    let before = world.bench.store.position().await.unwrap();
    world.bench.clock.advance(SignedDuration::from_hours(1));
    let unsupported = |clamp: ClampId| {
        let body = ReturnedToService {
            releases: vec![Release {
                lockout_id: lockout_id(
                    world.entry(clamp, LEAD, tag_out(LockoutReason::Dropped)).id,
                    "dropped",
                    "",
                ),
                ground: Ground::Reinspected,
                repair_entry: None,
                inspection_entry: None,
                proof_test_entry: None,
                correction_entry: None,
                maker_document: None,
                statement: None,
            }],
        };
        world.entry(clamp, LEAD, body)
    };
    let mut running = JoinSet::new();
    for (place, clamp) in clamps.iter().enumerate() {
        let entry = match place % 4 {
            0 => world.entry(*clamp, INSPECTOR, inspection(InspectionKind::Frequent)),
            1 => world.entry(*clamp, OPERATOR, tag_out(LockoutReason::Dropped)),
            2 => unsupported(*clamp),
            // Of another yard than the author's.
            _ => world.entry(*clamp, STRANGER, inspection(InspectionKind::Frequent)),
        };
        let store = world.bench.store.clone();
        running.spawn(async move { (place, hand_in(store, entry).await) });
    }
    // A second one about the first clamp, and one about a clamp that is not there.
    let again = world.entry(clamps[0], INSPECTOR, rejection("pin_bent"));
    let store = world.bench.store.clone();
    running.spawn(async move { (100, hand_in(store, again).await) });
    let nowhere = world.entry(
        ClampId::new(world.uuid()),
        LEAD,
        inspection(InspectionKind::Frequent),
    );
    let store = world.bench.store.clone();
    running.spawn(async move { (101, hand_in(store, nowhere).await) });

    while let Some(done) = running.join_next().await {
        let (place, outcome) = done.unwrap();
        match place {
            100 => assert!(!outcome.unwrap().state_now.unwrap().fit, "found bent"),
            101 => assert!(matches!(outcome, Err(RecordError::NotFound { .. }))),
            place if place % 4 == 0 => assert!(outcome.unwrap().outcome.unwrap().not_credited.is_empty()),
            place if place % 4 == 1 => assert!(!outcome.unwrap().state_now.unwrap().fit),
            place if place % 4 == 2 => {
                assert!(matches!(outcome, Err(RecordError::Refused { .. })), "{outcome:?}");
            }
            _ => assert!(
                matches!(outcome, Err(RecordError::NotFound { .. })),
                "{outcome:?}"
            ),
        }
    }
    let (rows, transactions) = transactions_after(&world, before).await;
    assert_eq!(
        rows, 7,
        "three inspections, three tag-outs, the second entry of the first clamp"
    );
    assert!(
        transactions < rows,
        "{transactions} transactions: nothing came together"
    );
    let report = world.bench.store.verify().await.unwrap();
    assert!(report.violations.is_empty(), "{:?}", report.violations);
}

#[tokio::test]
async fn the_same_entry_handed_in_many_times_at_once_is_recorded_once_and_an_id_used_for_something_else_is_refused()
 {
    let world = World::new().await;
    let (one, other) = (world.in_service("1").await, world.in_service("2").await);
    let before = world.bench.store.position().await.unwrap();
    let entry = world.entry(one, OPERATOR, tag_out(LockoutReason::Dropped));
    let mut stolen = world.entry(other, OPERATOR, tag_out(LockoutReason::Dropped));
    stolen.id = entry.id;
    let mut running = JoinSet::new();
    for _ in 0..6 {
        running.spawn(hand_in(world.bench.store.clone(), entry.clone()));
    }
    running.spawn(hand_in(world.bench.store.clone(), stolen));
    let (mut fresh, mut already, mut refused) = (0, 0, 0);
    while let Some(done) = running.join_next().await {
        match done.unwrap() {
            Ok(recorded) if recorded.already => already += 1,
            Ok(_) => fresh += 1,
            Err(RecordError::IdReused { .. }) => refused += 1,
            Err(error) => panic!("{error}"),
        }
    }
    assert_eq!((fresh, already, refused), (1, 5, 1));
    assert_eq!(world.bench.store.position().await.unwrap(), before + 1);
}

#[tokio::test]
async fn an_entry_about_a_clamp_that_somebody_holds_does_not_hold_up_the_others() {
    let world = World::new().await;
    let mut clamps = Vec::new();
    for number in 0..4 {
        clamps.push(world.in_service(&format!("N{number}")).await);
    }
    let mut holder = world.bench.owner().await;
    sqlx::query("begin").execute(&mut holder).await.unwrap();
    sqlx::query("select 1 from clamp where id = $1 for no key update")
        .bind(clamps[0].uuid())
        .execute(&mut holder)
        .await
        .unwrap();
    let mut running = JoinSet::new();
    for (place, clamp) in clamps.iter().enumerate() {
        let store = world.bench.store.clone();
        let entry = world.entry(*clamp, OPERATOR, tag_out(LockoutReason::Dropped));
        running.spawn(async move { (place, hand_in(store, entry).await.unwrap()) });
    }
    for _ in 1..clamps.len() {
        let (place, recorded) = running.join_next().await.unwrap().unwrap();
        assert_ne!(place, 0, "its clamp is held");
        assert!(!recorded.already);
    }
    sqlx::query("rollback").execute(&mut holder).await.unwrap();
    let (place, recorded) = running.join_next().await.unwrap().unwrap();
    assert_eq!(place, 0);
    assert!(!recorded.state_now.unwrap().fit);
}
