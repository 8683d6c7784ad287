//! Safety bulletins over the fleet: no clamp in scope is forgotten, none is held twice, whoever is at it and whenever it dies.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::bulletin::{Bulletin, InScopeBecause, SerialRange, Serials, hold_id};
use clampward_domain::entry::{
    Amended, Body, Confirmed, Inspected, Issued, Release, Retired, ReturnedToService,
};
use clampward_domain::ids::{BulletinId, ClampId, EntryId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::{
    AmendmentField, ExceptionalReason, Ground, InspectionKind, LockoutReason, Role, Status,
};
use clampward_store::bulletins::{Accounted, BulletinClampFilter, BulletinError, NotFound, Progress};
use clampward_store::{Mode, Store};
use jiff::SignedDuration;
use sqlx::AssertSqlSafe;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;
use support::world::*;
use uuid::Uuid;

async fn open(world: &World, bulletin: &Bulletin) -> BulletinId {
    let id = BulletinId::new(world.uuid());
    let store = &world.bench.store;
    let opened = store
        .open_bulletin(world.uuid(), LEAD, id, bulletin)
        .await
        .unwrap();
    assert_eq!(opened.bulletin, *bulletin);
    world.bench.clock.advance(SignedDuration::from_mins(1));
    id
}

/// What the worker does, to its end.
async fn work(store: &Store) -> u64 {
    let mut held = 0;
    loop {
        let caught = store.catch_for_bulletins().await.unwrap();
        let part = store.hold_for_bulletins().await.unwrap();
        held += caught.held + part.held;
        if !caught.has_more && !part.has_more {
            return held;
        }
    }
}

/// The clamps that a bulletin holds, as the entries say, each with the number of its holds.
async fn holds(world: &World, id: BulletinId) -> BTreeMap<ClampId, i64> {
    let mut owner = world.bench.owner().await;
    let rows: Vec<(Uuid, i64)> = sqlx::query_as(
        "select stream, count(*) from ledger
          where kind = 'tagged_out' and convert_from(bytes, 'UTF8')::jsonb -> 'body' ->> 'bulletin' = $1::text group by stream",
    )
    .bind(id.uuid())
    .fetch_all(&mut owner)
    .await
    .unwrap();
    rows.into_iter()
        .map(|(clamp, holds)| (ClampId::new(clamp), holds))
        .collect()
}

#[track_caller]
fn once(held: &BTreeMap<ClampId, i64>, clamps: &[ClampId]) {
    let expected: BTreeMap<ClampId, i64> = clamps.iter().map(|clamp| (*clamp, 1)).collect();
    assert_eq!(*held, expected);
}

async fn progress(world: &World, id: BulletinId) -> Progress {
    let store = &world.bench.store;
    store.bulletin_progress(&YardScope::All, id).await.unwrap()
}

/// A clamp of the south yard.
async fn southern(world: &World, number: &str) -> ClampId {
    let clamp = ClampId::new(world.uuid());
    let mut body = registration(number);
    body.yard_id = SOUTH;
    world.does(LEAD, clamp, body).await;
    clamp
}

fn range(first: &str, last: &str) -> Bulletin {
    let mut bulletin = about(MODEL, &[]);
    bulletin.scope.serials = Some(Serials {
        ranges: vec![SerialRange {
            first: first.to_owned(),
            last: last.to_owned(),
        }],
        ..Serials::default()
    });
    bulletin
}

/// Nothing that is stored differs from what is recorded.
async fn is_sound(world: &World) {
    let report = world.bench.store.verify().await.unwrap();
    assert!(report.violations.is_empty(), "{:?}", report.violations);
}

fn scrapped() -> Retired {
    serde_json::from_value(serde_json::json!({
        "reason": "bent", "made_unusable": "cut through", "witness": "Eva Holt"
    }))
    .unwrap()
}

/// Goal: a bulletin reaches every yard, whatever state a clamp is in, and nobody else. Method: clamps of two yards inside and
/// outside a range, out of service, without a number, of another maker, scrapped.
#[tokio::test]
async fn every_clamp_in_scope_of_every_yard_is_held_and_no_other() {
    let world = World::new().await;
    let north = world.in_service("A100").await;
    let south = southern(&world, "A150").await;
    let end = southern(&world, "A199").await;
    let out = world.in_service("A120").await;
    world.does(LEAD, out, tag_out(LockoutReason::Dropped)).await;
    let unnumbered = ClampId::new(world.uuid());
    let mut body = registration("A130");
    body.serial_number = None;
    world.does(LEAD, unnumbered, body).await;
    let outside = world.in_service("A200").await;
    let others = ClampId::new(world.uuid());
    let mut body = registration("A101");
    body.model_id = OTHER_MAKERS_MODEL;
    world.does(LEAD, others, body).await;
    let gone = world.in_service("A140").await;
    world.does(LEAD, gone, scrapped()).await;

    let bulletin = range("A100", "A199");
    let preview = world.bench.store.preview_bulletin(&bulletin.scope).await.unwrap();
    assert_eq!(preview.all.in_scope, 5);
    assert_eq!(preview.all.barred, 2);
    assert_eq!(preview.all.because[&InScopeBecause::Named], 4);
    assert_eq!(preview.all.because[&InScopeBecause::SerialUnknown], 1);
    assert_eq!(preview.yards[&NORTH].in_scope, 3);
    assert_eq!(preview.yards[&SOUTH].in_scope, 2);

    let id = open(&world, &bulletin).await;
    assert_eq!(work(&world.bench.store).await, 5);
    let in_scope = [north, south, end, out, unnumbered];
    once(&holds(&world, id).await, &in_scope);
    for clamp in in_scope {
        let read = world.bench.store.clamp_now(clamp, &YardScope::All).await.unwrap();
        let state = read.unwrap().state;
        let hold = state
            .open_lockouts()
            .into_iter()
            .find(|lockout| lockout.bulletin == Some(id))
            .unwrap();
        assert_eq!(hold.opened_by_entry, hold_id(id, clamp));
        assert_eq!(hold.opened_by, LEAD);
    }
    for clamp in [outside, others] {
        let read = world.bench.store.clamp_now(clamp, &YardScope::All).await.unwrap();
        assert!(
            read.unwrap()
                .state
                .open_lockouts()
                .iter()
                .all(|lockout| lockout.bulletin.is_none())
        );
    }
    // Done again, nothing is new.
    assert_eq!(work(&world.bench.store).await, 0);
    let progress = progress(&world, id).await;
    assert!(progress.is_held && progress.is_caught_up && !progress.is_complete());
    assert_eq!(progress.all.outstanding, 5);
    assert_eq!(progress.yards[&NORTH].outstanding, 3);
    is_sound(&world).await;
}

/// Goal: a bulletin bars from when it is opened, whoever is late in writing the holds. Method: the answer before anybody has been
/// at it, after the hold, and after the return.
#[tokio::test]
async fn whoever_asks_before_the_hold_is_written_is_told_no() {
    let world = World::new().await;
    let store = &world.bench.store;
    let clamp = world.in_service("A100").await;
    let other = world.in_service("A200").await;
    let fit = async |clamp| {
        let now = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
        let standing = now.standing(store.now());
        (standing.fit, standing.status, standing.reasons.len())
    };
    let before = fit(clamp).await;
    assert!(before.0);
    open(&world, &range("A100", "A199")).await;
    assert_eq!(fit(clamp).await, (false, Status::TaggedOut, 1));
    assert!(fit(other).await.0);
    // Nor is it issued.
    let issued: Issued = serde_json::from_value(serde_json::json!({"issued_to_name": "gang 4"})).unwrap();
    let refused = world.record(Mode::Refuse, world.entry(clamp, LEAD, issued)).await;
    assert!(refused.is_err(), "{refused:?}");
    assert_eq!(work(store).await, 1);
    assert_eq!(fit(clamp).await, (false, Status::TaggedOut, 1));
    is_sound(&world).await;
}

/// Goal: damage in one place keeps no other clamp free. Method: a state that cannot be read among those that can.
#[tokio::test]
async fn a_clamp_that_cannot_be_read_is_passed_over_and_told() {
    let world = World::new().await;
    let mut good = Vec::new();
    for number in ["A100", "A101", "A103", "A104"] {
        good.push(world.in_service(number).await);
    }
    let broken = world.in_service("A102").await;
    let mut owner = world.bench.owner().await;
    let sql = format!("update clamp set state = '{{\"clamp\": 7}}'::json where id = '{broken}'");
    sqlx::query(AssertSqlSafe(sql)).execute(&mut owner).await.unwrap();
    let id = open(&world, &range("A100", "A199")).await;
    work(&world.bench.store).await;
    once(&holds(&world, id).await, &good);
    let progress = progress(&world, id).await;
    assert!(progress.is_held);
    assert_eq!(progress.failed, vec![broken]);
}

/// Goal: what comes to light later is held, too. Method: registered, identified otherwise and brought back while the bulletin is
/// open; told of after it was closed, from before and from after that.
#[tokio::test]
async fn a_clamp_that_comes_to_light_later_is_held() {
    let world = World::new().await;
    let store = &world.bench.store;
    world
        .account(STRANGER_SAFETY, "OtherSafety", &[Role::Safety], YardScope::All)
        .await;
    let renamed = ClampId::new(world.uuid());
    let registered = world.does(LEAD, renamed, registration("A500")).await.id;
    let misread = ClampId::new(world.uuid());
    let misread_registered = world.does(LEAD, misread, registration("A501")).await.id;
    let gone = world.in_service("A140").await;
    let retirement = world.does(LEAD, gone, scrapped()).await.id;
    let id = open(&world, &range("A100", "A199")).await;
    assert_eq!(work(store).await, 0);

    let late = southern(&world, "A111").await;
    let amended = |field, value: &str, cites| Amended {
        cites,
        field,
        value: serde_json::json!(value),
        reason: "read again".to_owned(),
        document: Some("plate.jpg".to_owned()),
    };
    world
        .does(
            LEAD,
            renamed,
            amended(AmendmentField::SerialNumber, "A112", registered),
        )
        .await;
    assert_eq!(work(store).await, 2);
    let undone = world
        .does(
            LEAD,
            gone,
            amended(AmendmentField::RetirementUndone, "found whole", retirement),
        )
        .await
        .id;
    assert_eq!(work(store).await, 0, "a second person has not spoken");
    let mut second = world.entry(gone, STRANGER_SAFETY, Confirmed { confirms: undone });
    second.performed_at = store.now();
    let recording = clampward_store::Recording {
        author: clampward_store::Author {
            person: STRANGER_SAFETY,
            signed: true,
            device: None,
            yards: YardScope::All,
        },
        mode: Mode::Refuse,
        entries: vec![second],
    };
    store.record(recording).await.unwrap();
    assert_eq!(work(store).await, 1);
    once(&holds(&world, id).await, &[late, renamed, gone]);

    for clamp in [late, renamed, gone] {
        let word = not_found(clamp);
        store
            .note_not_found(world.uuid(), LEAD, &YardScope::All, id, &word)
            .await
            .unwrap();
    }
    let before = store.now();
    world.bench.clock.advance(SignedDuration::from_hours(1));
    store.close_bulletin(world.uuid(), LEAD, id).await.unwrap();
    world.bench.clock.advance(SignedDuration::from_hours(1));
    let told = async |number: &str, at| {
        let clamp = ClampId::new(world.uuid());
        let mut entry = world.entry(clamp, LEAD, registration(number));
        entry.performed_at = at;
        world.record(Mode::Record, entry).await.unwrap();
        clamp
    };
    let from_before = told("A121", before).await;
    let _after = told("A122", store.now()).await;
    assert_eq!(work(store).await, 1);
    // It was there all the time; that it is in scope is known only now.
    world
        .does(
            LEAD,
            misread,
            amended(AmendmentField::SerialNumber, "A113", misread_registered),
        )
        .await;
    assert_eq!(work(store).await, 1);
    once(
        &holds(&world, id).await,
        &[late, renamed, gone, from_before, misread],
    );
    is_sound(&world).await;
}

const STRANGER_SAFETY: clampward_domain::ids::PersonId =
    clampward_domain::ids::PersonId::new(Uuid::from_u128(0xc9));

fn not_found(clamp: ClampId) -> NotFound {
    NotFound {
        clamp_id: clamp,
        owner: LEAD,
        look_until: "2026-09-01".parse().unwrap(),
        note: "Not in the crib, not on hull 12".to_owned(),
    }
}

/// Goal: any number may be at it, and any of them may die. Method: four at once over six hundred clamps while others are
/// registered, each given up again and again in the middle; then one goes on to the end.
#[tokio::test(flavor = "multi_thread")]
async fn many_that_die_in_the_middle_hold_each_clamp_once() {
    let world = World::new().await;
    let mut in_scope = Vec::new();
    for number in (0..600).filter(|number| !(150..170).contains(number)) {
        let clamp = world.registered(&format!("A{number:04}")).await;
        if (100..=450).contains(&number) {
            in_scope.push(clamp);
        }
    }
    let id = open(&world, &range("A0100", "A0450")).await;
    let mut workers = tokio::task::JoinSet::new();
    let (cut, written) = (Arc::new(AtomicU64::new(0)), Arc::new(AtomicU64::new(0)));
    for worker in 0..4_u64 {
        let store = world.bench.store.clone();
        let (cut, written) = (Arc::clone(&cut), Arc::clone(&written));
        workers.spawn(async move {
            for turn in 0..12_u64 {
                // Cut off wherever it is.
                let patience = Duration::from_millis(5 + (worker * 17 + turn * 29) % 90 * 15);
                let caught = tokio::time::timeout(patience, store.catch_for_bulletins()).await;
                let held = tokio::time::timeout(patience, store.hold_for_bulletins()).await;
                for ended in [caught, held] {
                    match ended {
                        Ok(part) => written.fetch_add(part.unwrap().held, Ordering::Relaxed),
                        Err(_) => cut.fetch_add(1, Ordering::Relaxed),
                    };
                }
            }
        });
    }
    for number in 150..170 {
        in_scope.push(southern(&world, &format!("A{number:04}")).await);
    }
    while let Some(worker) = workers.join_next().await {
        worker.unwrap();
    }
    assert!(cut.load(Ordering::Relaxed) > 0, "nobody was cut off");
    assert!(written.load(Ordering::Relaxed) > 0, "nobody got anywhere");
    work(&world.bench.store).await;
    let held = holds(&world, id).await;
    once(&held, &in_scope);
    is_sound(&world).await;
}

/// Goal: one clamp that cannot be held keeps nobody else free, and is not forgotten. Method: a state that names a model which
/// nobody knows.
#[tokio::test]
async fn a_clamp_that_cannot_be_held_keeps_no_other_free_and_is_told() {
    let world = World::new().await;
    let good = world.in_service("A100").await;
    let broken = world.in_service("A101").await;
    let other = world.in_service("A102").await;
    let mut owner = world.bench.owner().await;
    let nobodys = Uuid::from_u128(0xdead);
    let sql = format!(
        "update clamp set state = replace(state::text, '{MODEL}', '{nobodys}')::json, model_id = '{nobodys}', maker_key = null
          where id = '{broken}'"
    );
    sqlx::query(AssertSqlSafe(sql)).execute(&mut owner).await.unwrap();
    let id = open(&world, &range("A100", "A199")).await;
    assert_eq!(work(&world.bench.store).await, 2);
    once(&holds(&world, id).await, &[good, other]);
    // Not held, and not fit either.
    let now = world
        .bench
        .store
        .clamp_now(broken, &YardScope::All)
        .await
        .unwrap();
    let standing = now.unwrap().standing(world.bench.store.now());
    assert_eq!(standing.status, Status::TaggedOut, "{standing:?}");
    let progress = progress(&world, id).await;
    assert_eq!(progress.failed, vec![broken]);
    let closing = world.bench.store.close_bulletin(world.uuid(), LEAD, id).await;
    assert!(
        matches!(closing, Err(BulletinError::NotAccountedFor(_))),
        "{closing:?}"
    );
    let seen = world
        .bench
        .store
        .bulletin_progress(&YardScope::Some(vec![SOUTH]), id)
        .await
        .unwrap();
    assert!(seen.failed.is_empty() && seen.yards.is_empty(), "{seen:?}");
}

fn inspected_for(id: BulletinId, lockout: clampward_domain::ids::LockoutId) -> Inspected {
    Inspected {
        bulletin: Some(id),
        lockouts: vec![lockout],
        exceptional_reason: Some(ExceptionalReason::Bulletin),
        dismantled: Some(true),
        crack_tested: Some(true),
        ..inspection(InspectionKind::Exceptional)
    }
}

/// Goal: a bulletin is closed at one hundred per cent and not before, with evidence for each clamp. Method: one returned, one
/// scrapped, one not found.
#[tokio::test]
async fn a_bulletin_is_closed_once_every_clamp_is_accounted_for() {
    let world = World::new().await;
    let store = &world.bench.store;
    let (returned, gone, missing) = (
        world.in_service("A100").await,
        world.in_service("A101").await,
        southern(&world, "A102").await,
    );
    let id = open(&world, &range("A100", "A199")).await;
    let closing = async || store.close_bulletin(world.uuid(), LEAD, id).await;
    let refused = |closing: Result<_, BulletinError>| match closing {
        Err(BulletinError::NotAccountedFor(progress)) => *progress,
        other => panic!("{other:?}"),
    };
    assert!(!refused(closing().await).is_held, "nobody has been at it");
    work(store).await;
    world.bench.clock.advance(SignedDuration::from_mins(1));
    assert_eq!(refused(closing().await).all.outstanding, 3);

    let list = async |accounted| {
        let filter = BulletinClampFilter {
            accounted,
            ..BulletinClampFilter::default()
        };
        store
            .bulletin_clamps(&YardScope::All, id, filter, None, 10)
            .await
            .unwrap()
    };
    let lockout = list(None)
        .await
        .into_iter()
        .find(|one| one.clamp == returned)
        .unwrap()
        .lockout;
    let inspection = world
        .does(INSPECTOR, returned, inspected_for(id, lockout))
        .await
        .id;
    let release = Release {
        lockout_id: lockout,
        ground: Ground::InspectedFit,
        repair_entry: None,
        inspection_entry: Some(inspection),
        proof_test_entry: None,
        correction_entry: None,
        maker_document: None,
        statement: None,
    };
    let back = world
        .does(
            LEAD,
            returned,
            ReturnedToService {
                releases: vec![release],
            },
        )
        .await
        .id;
    world.does(LEAD, gone, scrapped()).await;
    assert_eq!(refused(closing().await).all.outstanding, 1);
    let outside = YardScope::Some(vec![NORTH]);
    let word = not_found(missing);
    let unseen = store
        .note_not_found(world.uuid(), LEAD, &outside, id, &word)
        .await;
    assert!(matches!(unseen, Err(BulletinError::NotHeld)), "{unseen:?}");
    let unheld = store
        .note_not_found(world.uuid(), LEAD, &YardScope::All, id, &not_found(returned))
        .await;
    assert!(matches!(unheld, Err(BulletinError::NotHeld)), "{unheld:?}");
    store
        .note_not_found(world.uuid(), LEAD, &YardScope::All, id, &word)
        .await
        .unwrap();

    let accounted: BTreeMap<ClampId, Accounted> = list(None)
        .await
        .into_iter()
        .map(|one| (one.clamp, one.accounted))
        .collect();
    let expected = BTreeMap::from([
        (returned, Accounted::Returned),
        (gone, Accounted::Scrapped),
        (missing, Accounted::NotFound),
    ]);
    assert_eq!(accounted, expected);
    let evidence = list(Some(Accounted::Returned)).await;
    assert_eq!(evidence[0].returned_by, Some((back, Ground::InspectedFit)));
    let looked_for = list(Some(Accounted::NotFound)).await;
    assert_eq!(looked_for[0].looked_for, Some((LEAD, word.look_until)));

    let closed = closing().await.unwrap();
    assert!(closed.closed_at.is_some() && closed.closed_by == Some(LEAD));
    assert!(matches!(closing().await, Err(BulletinError::Closed)));
    // Not found closes the count, never the lock-out.
    let read = store.clamp_now(missing, &YardScope::All).await.unwrap().unwrap();
    let open: BTreeSet<_> = read
        .state
        .open_lockouts()
        .iter()
        .map(|open| open.bulletin)
        .collect();
    assert!(open.contains(&Some(id)));
    is_sound(&world).await;
}

/// Goal: a bulletin is one, and never changed. Method: opened twice, with its number written otherwise; two that are about the
/// same clamp, by different people.
#[tokio::test]
async fn a_number_of_an_issuer_is_one_bulletins_and_two_bulletins_hold_a_clamp_twice() {
    let world = World::new().await;
    let store = &world.bench.store;
    let first = open(&world, &about(MODEL, &["A100"])).await;
    let mut again = about(MODEL, &["A101"]);
    again.code = "ok-sb-1".to_owned();
    let id = BulletinId::new(world.uuid());
    let taken = store.open_bulletin(world.uuid(), LEAD, id, &again).await;
    assert!(matches!(taken, Err(BulletinError::Taken)), "{taken:?}");
    again.issued_by = "Halvorsund safety team".to_owned();
    again.scope.serials = None;
    store
        .open_bulletin(world.uuid(), ADMINISTRATOR, id, &again)
        .await
        .unwrap();
    // Both find it by reading on, each in a transaction of its own.
    let clamp = southern(&world, "A100").await;
    assert_eq!(work(store).await, 2);
    once(&holds(&world, first).await, &[clamp]);
    once(&holds(&world, id).await, &[clamp]);
    let both: Vec<EntryId> = vec![hold_id(first, clamp), hold_id(id, clamp)];
    let read = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
    let open = read.state.open_lockouts();
    for hold in both {
        assert!(open.iter().any(|lockout| lockout.opened_by_entry == hold));
    }
    is_sound(&world).await;
}

/// Goal: information bars nobody, and is read by every yard. Method: an entry of a clamp in scope, before and after.
#[tokio::test]
async fn information_bars_nothing() {
    let world = World::new().await;
    let clamp = world.in_service("A100").await;
    let mut bulletin = about(MODEL, &["A100"]);
    bulletin.class = clampward_domain::bulletin::BulletinClass::Information;
    bulletin.checks.clear();
    let id = open(&world, &bulletin).await;
    world.in_service("A101").await;
    assert_eq!(work(&world.bench.store).await, 0);
    let read = world.bench.store.clamp_now(clamp, &YardScope::All).await.unwrap();
    assert!(read.unwrap().state.open_lockouts().is_empty());
    let progress = progress(&world, id).await;
    assert_eq!(progress.unread, vec![NORTH, SOUTH]);
    let closing = world.bench.store.close_bulletin(world.uuid(), LEAD, id).await;
    assert!(
        matches!(closing, Err(BulletinError::NotAccountedFor(_))),
        "{closing:?}"
    );
}

/// Bodies are matched without a list in the tests that read them.
#[test]
fn a_hold_is_a_tag_out() {
    let body = clampward_domain::bulletin::hold(
        BulletinId::new(Uuid::nil()),
        &about(MODEL, &["A100"]),
        InScopeBecause::SerialUnknown,
    );
    assert!(matches!(body, Body::TaggedOut(tag) if tag.reason == LockoutReason::SafetyBulletin));
}
