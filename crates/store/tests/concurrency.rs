//! Many at once, on a real server: nothing is lost, nothing counts twice, every chain and position stays whole.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::ids::{ClampId, lockout_id};
use clampward_domain::reference::YardScope;
use clampward_domain::words::{Component, InspectionKind, LockoutReason};
use clampward_store::ledger::append;
use clampward_store::people::RevocationBody;
use clampward_store::{Mode, NewEntry, Recording, Store, StoreError, StoreOptions};
use clampward_testkit::within_waits;
use jiff::SignedDuration;
use std::collections::BTreeSet;
use support::Bench;
use support::world::*;
use tokio::task::JoinSet;

async fn hand_in(store: Store, mode: Mode, entry: NewEntry) -> clampward_store::Recorded {
    let author = author(entry.performed_by);
    let mut answers = store
        .record(Recording {
            author,
            mode,
            entries: vec![entry],
        })
        .await
        .unwrap();
    answers.remove(0)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn thirty_two_writers_on_eight_clamps_lose_nothing_and_keep_every_chain_whole() {
    const WRITERS: usize = 32;
    const EACH: usize = 12;
    let world = World::new().await;
    let mut clamps = Vec::new();
    for number in 0..8 {
        clamps.push(world.in_service(&format!("N{number}")).await);
    }
    world.bench.clock.advance(SignedDuration::from_hours(1));
    let mut writers = JoinSet::new();
    for writer in 0..WRITERS {
        let store = world.bench.store.clone();
        let entries: Vec<NewEntry> = (0..EACH)
            .map(|round| {
                let clamp = clamps[(writer * 7 + round * 3) % clamps.len()];
                match (writer + round) % 4 {
                    0 => world.entry(clamp, INSPECTOR, inspection(InspectionKind::Frequent)),
                    1 => world.entry(clamp, INSPECTOR, rejection("pin_bent")),
                    2 => world.entry(clamp, OPERATOR, tag_out(LockoutReason::Dropped)),
                    _ => {
                        // A return by name of whatever an earlier writer may have opened; what is not there yet waits.
                        let nothing = world.entry(clamp, LEAD, tag_out(LockoutReason::Precaution)).id;
                        let lockout = lockout_id(nothing, "precaution", "");
                        let other = lockout_id(nothing, "dropped", "");
                        world.entry(clamp, LEAD, return_after(nothing, nothing, lockout, other))
                    }
                }
            })
            .collect();
        writers.spawn(async move {
            let mut written = Vec::new();
            for entry in entries {
                written.push(hand_in(store.clone(), Mode::Record, entry).await);
            }
            written
        });
    }
    let written: Vec<_> = writers.join_all().await.into_iter().flatten().collect();
    assert_eq!(written.len(), WRITERS * EACH);
    let positions: BTreeSet<u64> = written.iter().map(|recorded| recorded.position).collect();
    assert_eq!(positions.len(), written.len(), "one position each");
    let report = world.bench.store.verify().await.unwrap();
    assert_eq!(report.violations, vec![]);
    let mut entries = 0;
    for clamp in clamps {
        entries += world
            .bench
            .store
            .clamp_now(clamp, &YardScope::All)
            .await
            .unwrap()
            .unwrap()
            .seq;
    }
    assert_eq!(entries, u64::try_from(WRITERS * EACH + 16).unwrap());
    let last = positions.last().copied().unwrap();
    assert_eq!(
        last - positions.first().copied().unwrap() + 1,
        u64::try_from(positions.len()).unwrap(),
        "gapless"
    );
    assert_eq!(report.rows, last);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn of_two_returns_at_once_one_has_the_effect() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    world.bench.clock.advance(SignedDuration::from_hours(1));
    let rejected = world.does(INSPECTOR, clamp, rejection("shackle_eye_worn")).await;
    let worn = lockout_id(rejected.id, "shackle_eye_worn", "");
    let repaired = world
        .does(TECHNICIAN, clamp, repair(Component::Shackle, worn))
        .await;
    let again = lockout_id(repaired.id, "not_reinspected", "");
    let inspected = world.does(INSPECTOR, clamp, after_repair(repaired.id)).await;
    world.bench.clock.advance(SignedDuration::from_hours(1));
    let mut signers = JoinSet::new();
    for _ in 0..2 {
        let entry = world.entry(clamp, LEAD, return_after(repaired.id, inspected.id, worn, again));
        signers.spawn(hand_in(world.bench.store.clone(), Mode::Record, entry));
    }
    let mut closed: Vec<usize> = signers
        .join_all()
        .await
        .into_iter()
        .map(|recorded| recorded.outcome.unwrap().closed.len())
        .collect();
    closed.sort_unstable();
    assert_eq!(closed, vec![0, 2]);
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    assert!(now.standing(world.bench.store.now()).fit);
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn the_same_entry_handed_in_by_many_connections_at_once_is_one_row() {
    let world = World::new().await;
    let clamp = world.registered("17").await;
    let entry = world.entry(clamp, INSPECTOR, inspection(InspectionKind::Initial));
    let registration = world.entry(ClampId::new(world.uuid()), LEAD, registration("18"));
    for entry in [entry, registration] {
        let mut tries = JoinSet::new();
        for _ in 0..12 {
            tries.spawn(hand_in(world.bench.store.clone(), Mode::Refuse, entry.clone()));
        }
        let answers = tries.join_all().await;
        assert_eq!(answers.iter().filter(|answer| !answer.already).count(), 1);
        assert!(
            answers
                .iter()
                .all(|answer| answer.position == answers[0].position && answer.outcome == answers[0].outcome)
        );
    }
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn an_inspection_judged_while_its_authors_competence_is_withdrawn_is_judged_again() {
    // Two transactions open at once: the inspection is judged, but before it appends, the competence is withdrawn and
    // that is committed. The append refuses the stale version; the second judgement knows of the withdrawal.
    let world = World::new().await;
    let clamp = world.registered("17").await;
    let store = &world.bench.store;
    let version = store
        .run_tx("test", async |tx| {
            store.reference_in(tx).await.map(|snapshot| snapshot.version)
        })
        .await
        .unwrap();
    let mut first_attempt = true;
    let body = RevocationBody {
        competence_id: INSPECTORS_COMPETENCE,
        revoked_from: "2026-01-01".parse().unwrap(),
        reason: None,
    };
    let mut judged_by = Vec::new();
    store
        .run_tx("test", async |tx| {
            let judged = store.reference_in(tx).await?.version;
            judged_by.push(judged);
            if std::mem::take(&mut first_attempt) {
                store
                    .revoke_competence(world.uuid(), ADMINISTRATOR, INSPECTOR, &body)
                    .await
                    .unwrap();
            }
            append(
                tx,
                vec![support::row(0x9999, support::id(0x99), tx.now())],
                judged,
                false,
            )
            .await
        })
        .await
        .unwrap();
    assert_eq!(judged_by, vec![version, version + 1]);
    let recorded = world
        .does(INSPECTOR, clamp, inspection(InspectionKind::Initial))
        .await;
    assert_eq!(recorded.outcome.unwrap().credited, Some(false));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn whichever_commits_first_an_inspection_is_not_credited_after_its_authors_competence_was_withdrawn() {
    let world = World::new().await;
    let mut clamps = Vec::new();
    for number in 0..12 {
        clamps.push(world.registered(&format!("N{number}")).await);
    }
    let mut writers = JoinSet::new();
    for clamp in &clamps {
        let entry = world.entry(*clamp, INSPECTOR, inspection(InspectionKind::Initial));
        writers.spawn(hand_in(world.bench.store.clone(), Mode::Record, entry));
    }
    let body = RevocationBody {
        competence_id: INSPECTORS_COMPETENCE,
        revoked_from: "2026-01-01".parse().unwrap(),
        reason: None,
    };
    world
        .bench
        .store
        .revoke_competence(world.uuid(), ADMINISTRATOR, INSPECTOR, &body)
        .await
        .unwrap();
    writers.join_all().await;
    // Before anything is worked off and after: nobody is told that such a clamp is fit.
    for _ in 0..2 {
        for clamp in &clamps {
            let now = world
                .bench
                .store
                .clamp_now(*clamp, &YardScope::All)
                .await
                .unwrap()
                .unwrap();
            assert!(!now.standing(world.bench.store.now()).fit);
        }
        while world.bench.store.reassess_pending(5).await.unwrap() > 0 {}
    }
    let report = world.bench.store.verify().await.unwrap();
    assert_eq!((report.violations, report.pending), (vec![], 0));
}

#[tokio::test]
async fn connections_that_died_while_idle_do_not_show() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    let mut owner = world.bench.owner().await;
    for _ in 0..2 {
        let ended: i64 = sqlx::query_scalar(
            "select count(pg_terminate_backend(pid, 5000)) from pg_stat_activity
             where datname = current_database() and usename = 'clampward_service'",
        )
        .fetch_one(&mut owner)
        .await
        .unwrap();
        assert!(ended > 0);
        let now = world
            .bench
            .store
            .clamp_now(clamp, &YardScope::All)
            .await
            .unwrap()
            .unwrap();
        assert!(now.standing(world.bench.store.now()).fit);
        world
            .does(INSPECTOR, clamp, inspection(InspectionKind::Frequent))
            .await;
    }
}

/// Goal: nothing that is done after somebody gave up is part of what they began: it would be locked, and lost. Method: whoever
/// asks gives up at each point at which they wait; what comes next on their connection must not find a transaction open.
#[tokio::test]
async fn a_transaction_that_is_given_up_anywhere_leaves_none_open() {
    let bench = Bench::new().await;
    let mut owner = bench.owner().await;
    let store = Store::connect(StoreOptions {
        url: bench.database.service_url.clone(),
        max_connections: 1,
        clock: bench.clock.clone(),
    })
    .await
    .unwrap();
    for waits in 0.. {
        let work = store.run_tx("test", async |tx| {
            run(tx, "select 1").await;
            Ok::<_, StoreError>(())
        });
        let finished = within_waits(waits, work).await;
        store.position().await.unwrap();
        let open: Vec<String> = sqlx::query_scalar(
            "select query from pg_stat_activity where datname = current_database()
               and usename = 'clampward_service' and state like 'idle in transaction%'",
        )
        .fetch_all(&mut owner)
        .await
        .unwrap();
        assert_eq!(open, Vec::<String>::new(), "given up after {waits} waits");
        if finished.is_some() {
            assert!(waits > 0, "never given up");
            return;
        }
    }
}

/// Waits until a statement of the service that contains `text` waits for a lock.
async fn until_waiting(owner: &mut sqlx::PgConnection, text: &str) {
    loop {
        let waits: bool = sqlx::query_scalar(
            "select exists (select from pg_stat_activity where datname = current_database()
               and usename = 'clampward_service' and wait_event_type = 'Lock' and query like '%' || $1 || '%')",
        )
        .bind(text)
        .fetch_one(&mut *owner)
        .await
        .unwrap();
        if waits {
            return;
        }
        tokio::task::yield_now().await;
    }
}

async fn run(owner: &mut sqlx::PgConnection, sql: &'static str) {
    sqlx::raw_sql(sql).execute(owner).await.unwrap();
}

fn revocation() -> RevocationBody {
    RevocationBody {
        competence_id: INSPECTORS_COMPETENCE,
        revoked_from: "2026-01-01".parse().unwrap(),
        reason: None,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_clamp_under_lock_does_not_hold_up_what_only_refers_to_it() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    let mut watch = world.bench.owner().await;
    let mut holder = world.bench.owner().await;
    run(
        &mut holder,
        "begin; lock table clamp_number in access exclusive mode",
    )
    .await;
    let entry = world.entry(clamp, OPERATOR, tag_out(LockoutReason::Dropped));
    let writing = tokio::spawn(hand_in(world.bench.store.clone(), Mode::Record, entry));
    until_waiting(&mut watch, "door.numbers_borne").await;
    // A change of reference data queues the clamp while it holds the head; the check of the reference must not wait.
    run(&mut watch, "begin; set local lock_timeout = '3s'").await;
    sqlx::query("insert into pending_reassessment (clamp_id, cause_position) values ($1, 1)")
        .bind(clamp.uuid())
        .execute(&mut watch)
        .await
        .unwrap();
    run(&mut watch, "rollback").await;
    run(&mut holder, "rollback").await;
    writing.await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_repeated_entry_is_answered_by_the_reference_data_of_its_answer() {
    let world = World::new().await;
    let clamp = world.registered("17").await;
    let entry = world.entry(clamp, INSPECTOR, inspection(InspectionKind::Initial));
    let first = hand_in(world.bench.store.clone(), Mode::Refuse, entry.clone()).await;
    assert!(first.state_now.unwrap().fit);
    let mut watch = world.bench.owner().await;
    let mut holder = world.bench.owner().await;
    run(&mut holder, "begin; select 1 from clamp for no key update").await;
    let again = tokio::spawn(hand_in(world.bench.store.clone(), Mode::Refuse, entry));
    until_waiting(&mut watch, "door.lock_clamps").await;
    world
        .bench
        .store
        .revoke_competence(world.uuid(), ADMINISTRATOR, INSPECTOR, &revocation())
        .await
        .unwrap();
    run(&mut holder, "rollback").await;
    let again = again.await.unwrap();
    assert!(again.already);
    assert!(!again.state_now.unwrap().fit);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn a_clamp_that_moves_away_while_it_is_read_is_never_answered_from_a_part_of_its_history() {
    let world = World::new().await;
    let clamp = ClampId::new(world.uuid());
    let registered = world.does(LEAD, clamp, registration("17")).await;
    world.does(LEAD, clamp, inspection(InspectionKind::Initial)).await;
    world
        .does(INSPECTOR, clamp, inspection(InspectionKind::Frequent))
        .await;
    world
        .bench
        .store
        .revoke_competence(world.uuid(), ADMINISTRATOR, INSPECTOR, &revocation())
        .await
        .unwrap();
    // Another process knows the new reference data; this one has to load them and is held up there.
    let other = Store::connect(StoreOptions {
        url: world.bench.database.service_url.clone(),
        max_connections: 4,
        clock: world.bench.clock.clone(),
    })
    .await
    .unwrap();
    other.reference().await.unwrap();
    let mut watch = world.bench.owner().await;
    let mut holder = world.bench.owner().await;
    run(
        &mut holder,
        "begin; lock table yard_version in access exclusive mode",
    )
    .await;
    let store = world.bench.store.clone();
    let reading = tokio::spawn(async move { store.clamp_now(clamp, &author(OPERATOR).yards).await });
    until_waiting(&mut watch, "reference.load_yards").await;
    world.bench.clock.advance(SignedDuration::from_hours(1));
    let moved = world.entry(clamp, LEAD, transfer(SOUTH, registered.id));
    hand_in(other.clone(), Mode::Refuse, moved).await;
    let dropped = world.entry(clamp, STRANGER, tag_out(LockoutReason::Dropped));
    hand_in(other.clone(), Mode::Refuse, dropped).await;
    run(&mut holder, "rollback").await;
    let answer = reading.await.unwrap().unwrap();
    assert!(answer.is_none(), "it is another yard's: {answer:?}");
}
