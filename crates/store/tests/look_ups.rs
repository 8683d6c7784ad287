//! Fitness look-ups that share a statement: nobody gets another's answer, and each reads after it was asked.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::ids::{ClampId, PersonId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::{InspectionKind, LockoutReason, Role};
use clampward_store::people::{
    AccountBody, AccountKey, AccountKind, NewSession, RevocationBody, SetPasswordToken,
};
use clampward_store::{LookedUp, Mode, Recording, Store};
use jiff::SignedDuration;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use support::world::*;
use tokio::task::JoinSet;
use uuid::Uuid;

/// The session that a person holds in these tests.
fn session(person: PersonId) -> Uuid {
    Uuid::from_u128(person.uuid().as_u128() + 0x5e55)
}

async fn signed_in(world: &World, people: &[PersonId]) {
    let store = &world.bench.store;
    for person in people {
        let token = SetPasswordToken {
            digest: [person.uuid().as_bytes().as_slice(), &[0; 16]].concat(),
            expires_at: store.now() + SignedDuration::from_hours(1),
        };
        store.issue_set_password_token(*person, &token).await.unwrap();
        store.set_password(&token.digest, "proven").await.unwrap();
        let opened = NewSession {
            family: session(*person),
            person: *person,
            token: [session(*person).as_bytes().as_slice(), &[0; 16]].concat(),
            expires_at: store.now() + SignedDuration::from_hours(12),
            account: AccountKey::of("nobody@example.test"),
            password_hash: "proven".to_owned(),
        };
        assert!(store.open_session(&opened).await.unwrap());
    }
}

async fn look_up(store: &Store, person: PersonId, clamp: ClampId) -> LookedUp {
    store.look_up(person, session(person), clamp).await.unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn look_ups_of_different_people_and_yards_that_share_a_statement_never_mix() {
    const ROUNDS: usize = 40;
    let world = World::new().await;
    let people = [LEAD, INSPECTOR, OPERATOR, STRANGER];
    signed_in(&world, &people).await;
    let mut clamps = Vec::new();
    for number in 0..4 {
        let clamp = ClampId::new(world.uuid());
        let registered = world.does(LEAD, clamp, registration(&format!("N{number}"))).await;
        world.does(LEAD, clamp, inspection(InspectionKind::Initial)).await;
        let south = number % 2 == 1;
        if south {
            world.does(LEAD, clamp, transfer(SOUTH, registered.id)).await;
        }
        clamps.push((clamp, south));
    }
    let mut running = JoinSet::new();
    for round in 0..ROUNDS {
        for person in people {
            for (clamp, south) in clamps.clone() {
                let store = world.bench.store.clone();
                running.spawn(async move {
                    let found = look_up(&store, person, clamp).await;
                    let access = found.access.expect("everybody has an account");
                    let (roles, sees): (Vec<Role>, bool) = match person {
                        LEAD => (vec![Role::YardLead, Role::Safety], true),
                        INSPECTOR => (vec![Role::Inspector], !south),
                        OPERATOR => (vec![Role::Operator], !south),
                        STRANGER => (vec![Role::Operator], south),
                        other => panic!("{other}"),
                    };
                    assert_eq!(access.roles, roles, "round {round}");
                    assert_eq!(access.yards.covers(SOUTH), person == LEAD || person == STRANGER);
                    assert_eq!(found.clamp.is_some(), sees, "{person} {clamp}");
                    if let Some(found) = found.clamp {
                        assert_eq!(found.state.clamp, clamp);
                    }
                });
            }
        }
    }
    while let Some(done) = running.join_next().await {
        done.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn what_was_acknowledged_before_the_question_is_seen_and_the_position_never_goes_back() {
    const WRITES: usize = 60;
    let world = World::new().await;
    signed_in(&world, &[OPERATOR]).await;
    let mut clamps = Vec::new();
    for number in 0..3 {
        clamps.push(world.in_service(&format!("N{number}")).await);
    }
    // Per clamp: lock-outs acknowledged so far, and the position of the last one.
    let acknowledged: Arc<Vec<(AtomicU64, AtomicU64)>> =
        Arc::new(clamps.iter().map(|_| Default::default()).collect());
    let over = Arc::new(AtomicBool::new(false));
    let mut readers = JoinSet::new();
    for reader in 0..12 {
        let store = world.bench.store.clone();
        let acknowledged = Arc::clone(&acknowledged);
        let over = Arc::clone(&over);
        let clamps = clamps.clone();
        readers.spawn(async move {
            let mut turn = reader;
            let mut last = 0;
            let mut asked = 0_u64;
            while !over.load(Ordering::SeqCst) || asked < 20 {
                let place = turn % clamps.len();
                turn += 1;
                let count = acknowledged[place].0.load(Ordering::SeqCst);
                let position = acknowledged[place].1.load(Ordering::SeqCst);
                let found = look_up(&store, OPERATOR, clamps[place]).await.clamp.unwrap();
                let open = u64::try_from(found.state.open_lockouts().len()).unwrap();
                assert!(
                    open >= count,
                    "{open} lock-outs seen where {count} were acknowledged"
                );
                assert!(found.knowledge.position >= position);
                assert!(found.knowledge.position >= last, "knowledge went back");
                assert_eq!(found.standing(store.now()).fit, open == 0);
                last = found.knowledge.position;
                asked += 1;
            }
        });
    }
    for turn in 0..WRITES {
        let place = turn % clamps.len();
        let entry = world.entry(clamps[place], OPERATOR, tag_out(LockoutReason::Dropped));
        let recording = Recording {
            author: author(OPERATOR),
            mode: Mode::Record,
            entries: vec![entry],
        };
        let recorded = world.bench.store.record(recording).await.unwrap().remove(0);
        // The position first: a reader takes the count as what must be seen.
        acknowledged[place].1.store(recorded.position, Ordering::SeqCst);
        acknowledged[place].0.fetch_add(1, Ordering::SeqCst);
    }
    over.store(true, Ordering::SeqCst);
    while let Some(done) = readers.join_next().await {
        done.unwrap();
    }
}

/// Goal: what is recorded has happened, whatever a clock says. Method: a tag-out is read, and the question is put with an
/// instant before it, as a process does that looked at its clock before it waited, or whose clock is behind.
#[tokio::test]
async fn a_clock_that_is_behind_does_not_make_a_tagged_out_clamp_fit() {
    let world = World::new().await;
    let store = &world.bench.store;
    signed_in(&world, &[OPERATOR]).await;
    let clamp = world.in_service("31").await;
    let before = store.now();
    world.bench.clock.advance(SignedDuration::from_secs(1));
    world.does(LEAD, clamp, tag_out(LockoutReason::Dropped)).await;
    let read = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
    assert!(!read.standing(before).fit);
    let looked_up = look_up(store, OPERATOR, clamp).await.clamp.unwrap();
    assert!(!looked_up.standing(before).fit);
}

#[tokio::test]
async fn a_closed_account_and_an_ended_session_see_nothing_from_then_on() {
    let world = World::new().await;
    let store = &world.bench.store;
    signed_in(&world, &[OPERATOR, INSPECTOR]).await;
    let clamp = world.in_service("17").await;
    for person in [OPERATOR, INSPECTOR] {
        assert!(look_up(store, person, clamp).await.clamp.is_some());
    }
    let closed = AccountBody {
        kind: AccountKind::Person,
        email: "operator@example.test".to_owned(),
        name: "Operator".to_owned(),
        roles: vec![Role::Operator],
        yards: YardScope::Some(vec![NORTH]),
        enabled: false,
    };
    store
        .change_account(world.uuid(), ADMINISTRATOR, OPERATOR, 1, &closed)
        .await
        .unwrap();
    let found = look_up(store, OPERATOR, clamp).await;
    assert!(!found.access.unwrap().enabled);
    assert!(found.clamp.is_none());

    let token = [session(INSPECTOR).as_bytes().as_slice(), &[0; 16]].concat();
    store.end_session(&token).await.unwrap();
    let found = look_up(store, INSPECTOR, clamp).await;
    assert!(!found.access.unwrap().session_goes_on);
    assert!(found.clamp.is_none());

    // Somebody else's session, and nobody's.
    for (person, session) in [(LEAD, session(INSPECTOR)), (LEAD, Uuid::from_u128(1))] {
        let found = store.look_up(person, session, clamp).await.unwrap();
        assert!(!found.access.unwrap().session_goes_on);
        assert!(found.clamp.is_none());
    }
    let nobody = PersonId::new(Uuid::from_u128(1));
    let found = store.look_up(nobody, session(LEAD), clamp).await.unwrap();
    assert!(found.access.is_none() && found.clamp.is_none());
}

#[tokio::test]
async fn a_clamp_that_waits_to_be_reassessed_is_looked_up_by_what_it_comes_to_now() {
    let world = World::new().await;
    signed_in(&world, &[OPERATOR]).await;
    let clamp = world.in_service("17").await;
    let withdrawn = RevocationBody {
        competence_id: INSPECTORS_COMPETENCE,
        revoked_from: "2026-01-01".parse().unwrap(),
        reason: None,
    };
    let store = &world.bench.store;
    store
        .revoke_competence(world.uuid(), ADMINISTRATOR, INSPECTOR, &withdrawn)
        .await
        .unwrap();
    let found = look_up(store, OPERATOR, clamp).await.clamp.unwrap();
    assert!(!found.standing(store.now()).fit);
    assert_eq!(found.knowledge.position, store.position().await.unwrap());
}

#[tokio::test]
async fn look_ups_whose_connections_died_while_idle_and_callers_who_went_away_do_not_show() {
    let world = World::new().await;
    signed_in(&world, &[OPERATOR]).await;
    let clamp = world.in_service("17").await;
    let store = &world.bench.store;
    let mut owner = world.bench.owner().await;
    for _ in 0..2 {
        // Asked and dropped before the answer came: the next one is served all the same.
        let gone = store.look_up(OPERATOR, session(OPERATOR), clamp);
        tokio::select! {
            biased;
            _ = gone => {}
            () = std::future::ready(()) => {}
        }
        assert!(look_up(store, OPERATOR, clamp).await.clamp.is_some());
        sqlx::query(
            "select count(pg_terminate_backend(pid, 5000)) from pg_stat_activity
              where datname = current_database() and usename = 'clampward_service'",
        )
        .execute(&mut owner)
        .await
        .unwrap();
    }
}

/// Goal: who knew the old password is thrown out by a new one. Method: the password that a sign-in checked was replaced,
/// or the account closed, before its session begins.
#[tokio::test]
async fn a_session_begins_only_on_the_password_that_was_checked() {
    let world = World::new().await;
    let store = &world.bench.store;
    signed_in(&world, &[OPERATOR]).await;
    let late = |number: u8, hash: &str| NewSession {
        family: Uuid::from_u128(u128::from(number)),
        person: OPERATOR,
        token: vec![number; 32],
        expires_at: store.now() + SignedDuration::from_hours(12),
        account: AccountKey::of("operator@example.test"),
        password_hash: hash.to_owned(),
    };
    assert!(!store.open_session(&late(1, "the one before")).await.unwrap());
    assert!(store.open_session(&late(2, "proven")).await.unwrap());
    let closed = AccountBody {
        kind: AccountKind::Person,
        email: "operator@example.test".to_owned(),
        name: "Operator".to_owned(),
        roles: vec![Role::Operator],
        yards: YardScope::Some(vec![NORTH]),
        enabled: false,
    };
    store
        .change_account(world.uuid(), ADMINISTRATOR, OPERATOR, 1, &closed)
        .await
        .unwrap();
    assert!(!store.open_session(&late(3, "proven")).await.unwrap());
}
