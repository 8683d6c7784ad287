//! Pushes against a real database: each element has an outcome of its own, nothing arrives twice, nothing that a device
//! wrote is lost, and what restricts bars whatever else is wrong with it.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::crediting::NotCreditedCode;
use clampward_domain::entry::{Inspected, JudgedBy, Received, ReturnedToService, Transferred};
use clampward_domain::ids::{ClampId, CompetenceId, EntryId, LockoutId, PersonId, lockout_id};
use clampward_domain::judge::RemarkCode;
use clampward_domain::reference::YardScope;
use clampward_domain::words::{Component, InspectionKind, LockoutReason, Role, RuleSetName};
use clampward_store::people::{AccountBody, RevocationBody};
use clampward_store::sync::held::{HeldFilter, HeldReason, HeldState, SettleError, Settler};
use clampward_store::sync::push::{BecameWhat, PushError};
use clampward_store::{Mode, Store, StoreOptions, ViolationKind};
use jiff::SignedDuration;
use sqlx::Executor;
use support::tablet::{Line, Tablet, held, raw, read, recorded, remarks};
use support::world::*;

async fn both() -> (World, Tablet) {
    let world = World::new().await;
    let tablet = Tablet::enrolled(&world, "Tablet-1", YardScope::Some(vec![NORTH])).await;
    (world, tablet)
}

async fn open_reasons(world: &World, clamp: ClampId) -> Vec<String> {
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    let open = now.state.open_lockouts();
    let mut reasons: Vec<String> = open.iter().map(|lockout| lockout.what().to_owned()).collect();
    reasons.sort_unstable();
    reasons
}

async fn is_fit(world: &World, clamp: ClampId) -> bool {
    let store = &world.bench.store;
    let now = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
    now.standing(store.now()).fit
}

async fn clean(world: &World) {
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

fn settler(world: &World, yards: YardScope) -> Settler {
    Settler {
        person: LEAD,
        yards,
        row_id: world.uuid(),
    }
}

#[tokio::test]
async fn a_push_whose_reply_was_lost_three_times_is_recorded_once_and_answered_as_the_first_time() {
    let (world, tablet) = both().await;
    let clamp = world.registered("17").await;
    let lines = [
        tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Initial)),
        tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped)),
    ];
    let first = tablet.pushes(&world, &lines).await;
    let outcome = recorded(&first.results[0]).outcome.clone();
    assert_eq!(outcome.as_ref().unwrap().credited, Some(true));
    for _ in 0..3 {
        tablet.passes(&world, 60_000);
        let again = tablet.pushes(&world, &lines).await;
        assert_eq!(again.position, first.position);
        for (now, then) in again.results.iter().zip(&first.results) {
            assert!(recorded(now).already && !recorded(then).already);
            assert_eq!(recorded(now).position, recorded(then).position);
            assert_eq!(recorded(now).outcome, recorded(then).outcome);
        }
        // Both are about one clamp: how it stands is told with the last.
        let states = again
            .results
            .iter()
            .map(|result| recorded(result).state_now.as_ref());
        let states: Vec<Option<bool>> = states.map(|state| state.map(|state| state.fit)).collect();
        assert_eq!(states, [None, Some(false)]);
    }
    clean(&world).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn two_connections_with_the_same_batch_in_opposite_order_record_it_once_without_an_error() {
    let world = World::new().await;
    let first = Tablet::enrolled(&world, "Tablet-1", YardScope::Some(vec![NORTH])).await;
    let other = Tablet::enrolled(&world, "Tablet-2", YardScope::Some(vec![NORTH])).await;
    let mut lines = Vec::new();
    for number in 0..20 {
        let clamp = world.registered(&format!("N{number}")).await;
        lines.push(first.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped)));
    }
    let before = world.bench.store.position().await.unwrap();
    let backwards: Vec<Line> = lines.iter().rev().cloned().collect();
    for round in 0..4 {
        let (one, two) = tokio::join!(first.pushes(&world, &lines), other.pushes(&world, &backwards));
        for result in one.results.iter().chain(&two.results) {
            assert!(recorded(result).already || round == 0);
        }
    }
    assert_eq!(world.bench.store.position().await.unwrap(), before + 20);
    // The same device on two connections at once: one of them is told that the other is under way.
    let mut more = lines.clone();
    more.extend((0..100).map(|_| {
        first.writes(
            &world,
            OPERATOR,
            lines[0].clamp_id.unwrap(),
            tag_out(LockoutReason::Dropped),
        )
    }));
    let elements: Vec<Vec<u8>> = more.iter().map(raw).collect();
    let store = &world.bench.store;
    let pushes = (0..4).map(|_| async { store.push(&first.push(&elements), &read).await });
    let mut went = 0;
    for done in futures(pushes.collect()).await {
        match done {
            Ok(_) => went += 1,
            Err(PushError::UnderWay) => {}
            Err(PushError::Store(error)) => panic!("{error}"),
        }
    }
    assert!(went >= 1);
    clean(&world).await;
}

#[tokio::test]
async fn eleven_the_same_where_the_database_prefers_repeatable_read() {
    let world = World::new().await;
    let first = Tablet::enrolled(&world, "Tablet-1", YardScope::Some(vec![NORTH])).await;
    let other = Tablet::enrolled(&world, "Tablet-2", YardScope::Some(vec![NORTH])).await;
    let mut lines = Vec::new();
    for number in 0..20 {
        let clamp = world.registered(&format!("N{number}")).await;
        lines.push(first.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped)));
    }
    let mut owner = world.bench.owner().await;
    owner
        .execute(
            "do $$ begin execute format('alter database %I set default_transaction_isolation = %L',
               current_database(), 'repeatable read'); end $$",
        )
        .await
        .unwrap();
    let mut stores = Vec::new();
    for _ in 0..2 {
        stores.push(
            Store::connect(StoreOptions {
                url: world.bench.database.service_url.clone(),
                max_connections: 4,
                clock: world.bench.clock.clone(),
            })
            .await
            .unwrap(),
        );
    }
    let elements: Vec<Vec<u8>> = lines.iter().map(raw).collect();
    let backwards: Vec<Vec<u8>> = elements.iter().rev().cloned().collect();
    let before = world.bench.store.position().await.unwrap();
    for _ in 0..4 {
        let (one, two) = (first.push(&elements), other.push(&backwards));
        let (one, two) = tokio::join!(stores[0].push(&one, &read), stores[1].push(&two, &read));
        for pushed in [one.unwrap(), two.unwrap()] {
            assert!(
                pushed
                    .results
                    .iter()
                    .all(|result| matches!(result.outcome, BecameWhat::Recorded(_)))
            );
        }
    }
    assert_eq!(world.bench.store.position().await.unwrap(), before + 20);
    clean(&world).await;
}

async fn futures<F: Future>(all: Vec<F>) -> Vec<F::Output> {
    let mut waiting: Vec<_> = all.into_iter().map(|one| (Box::pin(one), None)).collect();
    std::future::poll_fn(|context| {
        let mut pending = false;
        for (future, done) in &mut waiting {
            if done.is_none() {
                match future.as_mut().poll(context) {
                    std::task::Poll::Ready(output) => *done = Some(output),
                    std::task::Poll::Pending => pending = true,
                }
            }
        }
        if pending {
            std::task::Poll::Pending
        } else {
            std::task::Poll::Ready(())
        }
    })
    .await;
    waiting.into_iter().map(|(_, done)| done.unwrap()).collect()
}

#[tokio::test]
async fn an_id_that_was_used_for_something_else_is_refused_and_both_are_kept() {
    let (world, tablet) = both().await;
    let (one, other) = (world.in_service("17").await, world.in_service("18").await);
    let line = tablet.writes(&world, OPERATOR, one, Received { note: None });
    tablet.pushes(&world, std::slice::from_ref(&line)).await;
    let mut reused = tablet.writes(
        &world,
        OPERATOR,
        other,
        Received {
            note: Some("bent".to_owned()),
        },
    );
    reused.id = line.id;
    let before = world.bench.store.position().await.unwrap();
    for _ in 0..2 {
        let pushed = tablet.pushes(&world, &[reused.clone(), line.clone()]).await;
        assert_eq!(pushed.results[0].outcome, BecameWhat::Refused);
        assert!(recorded(&pushed.results[1]).already);
        assert_eq!(pushed.position, before + 1, "kept once");
    }
    let mut owner = world.bench.owner().await;
    let kept: Vec<u8> = sqlx::query_scalar("select bytes from ledger where kind = 'refused'")
        .fetch_one(&mut owner)
        .await
        .unwrap();
    let kept: serde_json::Value = serde_json::from_slice(&kept).unwrap();
    assert_eq!(kept["raw"].as_str().unwrap().as_bytes(), raw(&reused));
    // In one batch likewise; and what would restrict bars the clamp that it names all the same.
    let line = tablet.writes(&world, OPERATOR, one, Received { note: None });
    let mut rejects = tablet.writes(&world, INSPECTOR, other, rejection("pin_bent"));
    rejects.id = line.id;
    let pushed = tablet.pushes(&world, &[line, rejects]).await;
    assert!(!recorded(&pushed.results[0]).already);
    assert_eq!(pushed.results[1].outcome, BecameWhat::Refused);
    assert_eq!(open_reasons(&world, other).await, vec!["held"]);
    assert!(is_fit(&world, one).await && !is_fit(&world, other).await);
    clean(&world).await;
}

/// The owner makes the database fail on one entry, as a fault of ours would.
async fn fails_on(world: &World, id: EntryId) {
    let mut owner = world.bench.owner().await;
    owner
        .execute(sqlx::AssertSqlSafe(format!(
            "create or replace function fails() returns trigger language plpgsql as $$ begin
               if new.id = '{id}' then raise exception 'broken' using errcode = '23514'; end if; return new; end $$;
             create or replace trigger fails before insert on ledger for each row execute function fails();"
        )))
        .await
        .unwrap();
}

#[tokio::test]
async fn one_entry_on_which_the_database_fails_takes_nothing_else_with_it_and_is_held_after_five_tries() {
    let (world, tablet) = both().await;
    let mut lines = Vec::new();
    for number in 0..100 {
        let clamp = if number % 10 == 0 {
            Some(world.in_service(&format!("N{number}")).await)
        } else {
            None
        };
        let clamp = clamp.unwrap_or_else(|| lines.last().map(|line: &Line| line.clamp_id.unwrap()).unwrap());
        lines.push(tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Frequent)));
    }
    let broken = tablet.writes(
        &world,
        INSPECTOR,
        lines[37].clamp_id.unwrap(),
        rejection("pin_bent"),
    );
    lines[37] = broken.clone();
    fails_on(&world, broken.id).await;
    for attempt in 1..=6 {
        let pushed = tablet.pushes(&world, &lines).await;
        for (index, result) in pushed.results.iter().enumerate() {
            match (index, attempt) {
                (37, 1..=4) => assert_eq!(result.outcome, BecameWhat::Retry, "{attempt}"),
                (37, _) => assert_eq!(held(result).0, HeldReason::Internal, "{attempt}"),
                _ => assert_eq!(recorded(result).already, attempt > 1, "{index} {attempt}"),
            }
        }
    }
    assert_eq!(open_reasons(&world, broken.clamp_id.unwrap()).await, vec!["held"]);
    clean(&world).await;
}

#[tokio::test]
async fn one_element_on_which_the_handler_panics_takes_nothing_else_with_it_and_is_held_after_five_tries() {
    let (world, tablet) = both().await;
    let clamp = world.in_service("17").await;
    let other = world.in_service("18").await;
    let mut panics = tablet.writes(&world, OPERATOR, clamp, Received { note: None });
    panics.kind = "panics".to_owned();
    let good = tablet.writes(&world, OPERATOR, other, Received { note: None });
    for attempt in 1..=6 {
        let pushed = tablet.pushes(&world, &[panics.clone(), good.clone()]).await;
        assert_eq!(recorded(&pushed.results[1]).already, attempt > 1);
        if attempt < 5 {
            assert_eq!(pushed.results[0].outcome, BecameWhat::Retry);
        } else {
            assert_eq!(held(&pushed.results[0]).0, HeldReason::Internal);
        }
    }
    // What it says is not known, so that it may restrict.
    assert_eq!(open_reasons(&world, clamp).await, vec!["held"]);
    assert!(is_fit(&world, other).await);
    clean(&world).await;
}

#[tokio::test]
async fn a_tag_out_that_its_releaser_did_not_see_survives_in_every_order_of_the_pushes() {
    // Tag-out on A; return on B, which has not seen it. Whatever arrives first, nobody named this lock-out.
    for order in [[0, 1], [1, 0]] {
        let world = World::new().await;
        let a = Tablet::enrolled(&world, "Tablet-A", YardScope::Some(vec![NORTH])).await;
        let b = Tablet::enrolled(&world, "Tablet-B", YardScope::Some(vec![NORTH])).await;
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
        let tagged = a.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
        world.bench.clock.advance(SignedDuration::from_mins(1));
        let returned = b.writes(
            &world,
            LEAD,
            clamp,
            return_after(repaired.id, inspected.id, worn, again),
        );
        for which in order {
            let pushed = if which == 0 {
                a.pushes(&world, std::slice::from_ref(&tagged)).await
            } else {
                b.pushes(&world, std::slice::from_ref(&returned)).await
            };
            recorded(&pushed.results[0]);
        }
        assert_eq!(open_reasons(&world, clamp).await, vec!["dropped"], "{order:?}");
        assert!(!is_fit(&world, clamp).await);
        clean(&world).await;
    }
}

#[tokio::test]
async fn of_two_lock_outs_of_two_inspectors_a_return_closes_the_one_that_it_names() {
    let (world, tablet) = both().await;
    let clamp = world.in_service("17").await;
    tablet.passes(&world, 3_600_000);
    let mine = tablet.writes(&world, INSPECTOR, clamp, rejection("shackle_eye_worn"));
    tablet.passes(&world, 60_000);
    let theirs = tablet.writes(&world, LEAD, clamp, tag_out(LockoutReason::ShockSuspected));
    let worn = lockout_id(mine.id, "shackle_eye_worn", "");
    tablet.passes(&world, 60_000);
    let repaired = tablet.writes(&world, TECHNICIAN, clamp, repair(Component::Shackle, worn));
    tablet.passes(&world, 60_000);
    let inspected = tablet.writes(&world, INSPECTOR, clamp, after_repair(repaired.id));
    tablet.passes(&world, 60_000);
    let again = lockout_id(repaired.id, "not_reinspected", "");
    let returned = tablet.writes(
        &world,
        LEAD,
        clamp,
        return_after(repaired.id, inspected.id, worn, again),
    );
    let pushed = tablet
        .pushes(&world, &[returned, inspected, theirs, repaired, mine])
        .await;
    pushed.results.iter().for_each(|result| {
        recorded(result);
    });
    assert_eq!(open_reasons(&world, clamp).await, vec!["shock_suspected"]);
    clean(&world).await;
}

#[tokio::test]
async fn a_pass_that_was_made_before_a_rejection_and_arrives_after_it_frees_nothing() {
    let (world, tablet) = both().await;
    let clamp = world.in_service("17").await;
    tablet.passes(&world, 3_600_000);
    let passed = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Frequent));
    tablet.passes(&world, 3_600_000);
    world.does(INSPECTOR, clamp, rejection("pin_bent")).await;
    let pushed = tablet.pushes(&world, &[passed]).await;
    let codes = remarks(&pushed.results[0]);
    assert!(
        codes.contains(&RemarkCode::BackEntry) && codes.contains(&RemarkCode::StillTaggedOut),
        "{codes:?}"
    );
    assert!(!recorded(&pushed.results[0]).state_now.as_ref().unwrap().fit);
    assert_eq!(open_reasons(&world, clamp).await, vec!["pin_bent"]);
    clean(&world).await;
}

/// A clamp that was rejected for its shackle and repaired, and its repair: two lock-outs are open.
async fn a_repaired_clamp(world: &World, tablet: &Tablet) -> (ClampId, Repair) {
    let clamp = world.in_service("17").await;
    tablet.passes(world, 3_600_000);
    let rejected = world.does(INSPECTOR, clamp, rejection("shackle_eye_worn")).await;
    let worn = lockout_id(rejected.id, "shackle_eye_worn", "");
    let repaired = world
        .does(TECHNICIAN, clamp, repair(Component::Shackle, worn))
        .await;
    let again = lockout_id(repaired.id, "not_reinspected", "");
    let id = repaired.id;
    (clamp, Repair { id, worn, again })
}

/// A repair, and the lock-outs that stand until it was inspected and the clamp returned.
struct Repair {
    id: EntryId,
    worn: LockoutId,
    again: LockoutId,
}

impl Repair {
    fn returned(&self, inspected: EntryId) -> ReturnedToService {
        return_after(self.id, inspected, self.worn, self.again)
    }
}

async fn withdraw(world: &World, person: PersonId, competence_id: CompetenceId) {
    let body = RevocationBody {
        competence_id,
        revoked_from: "2026-01-01".parse().unwrap(),
        reason: None,
    };
    let store = &world.bench.store;
    store
        .revoke_competence(world.uuid(), ADMINISTRATOR, person, &body)
        .await
        .unwrap();
}

/// Both lock-outs of a repaired clamp still bar it.
async fn nothing_was_released(world: &World, clamp: ClampId) {
    assert_eq!(
        open_reasons(world, clamp).await,
        vec!["not_reinspected", "shackle_eye_worn"]
    );
    assert!(!is_fit(world, clamp).await);
    clean(world).await;
}

/// A clamp that was rejected, repaired and inspected again, and the lead's return to service, which waits on the tablet: it
/// releases everything if it arrives now.
async fn a_return_that_waits(world: &World, tablet: &Tablet) -> (ClampId, Line) {
    let (clamp, repaired) = a_repaired_clamp(world, tablet).await;
    let inspected = world.does(INSPECTOR, clamp, after_repair(repaired.id)).await;
    tablet.passes(world, 3_600_000);
    let returned = tablet.writes(world, LEAD, clamp, repaired.returned(inspected.id));
    tablet.passes(world, 3_600_000);
    (clamp, returned)
}

#[tokio::test]
async fn a_return_that_nothing_is_against_releases_what_it_names() {
    let (world, tablet) = both().await;
    let (clamp, returned) = a_return_that_waits(&world, &tablet).await;
    tablet.pushes(&world, &[returned]).await;
    assert_eq!(open_reasons(&world, clamp).await, Vec::<String>::new());
    assert!(is_fit(&world, clamp).await);
    clean(&world).await;
}

/// The lead's account becomes another one while the return waits: the return arrives and releases nothing.
async fn releases_nothing_once(change: impl FnOnce(&mut AccountBody)) {
    let (world, tablet) = both().await;
    let store = &world.bench.store;
    let (clamp, returned) = a_return_that_waits(&world, &tablet).await;
    let account = store.account(LEAD).await.unwrap().unwrap();
    let mut body = account.body;
    change(&mut body);
    store
        .change_account(world.uuid(), ADMINISTRATOR, LEAD, account.version, &body)
        .await
        .unwrap();
    let pushed = tablet.pushes(&world, &[returned]).await;
    assert!(remarks(&pushed.results[0]).contains(&RemarkCode::NotSigned));
    nothing_was_released(&world, clamp).await;
}

#[tokio::test]
async fn a_return_by_somebody_whose_account_was_closed_while_they_were_offline_releases_nothing() {
    releases_nothing_once(|body| body.enabled = false).await;
}

#[tokio::test]
async fn a_return_by_somebody_whose_role_was_taken_while_they_were_offline_releases_nothing() {
    releases_nothing_once(|body| body.roles = vec![Role::Inspector]).await;
}

#[tokio::test]
async fn a_return_by_somebody_whose_yards_were_taken_while_they_were_offline_releases_nothing() {
    releases_nothing_once(|body| body.yards = YardScope::Some(vec![SOUTH])).await;
}

#[tokio::test]
async fn twenty_three_a_return_by_somebody_whose_competence_was_withdrawn_while_they_were_offline_releases_nothing()
 {
    let (world, tablet) = both().await;
    let (clamp, returned) = a_return_that_waits(&world, &tablet).await;
    withdraw(&world, LEAD, LEADS_COMPETENCE).await;
    let pushed = tablet.pushes(&world, &[returned]).await;
    recorded(&pushed.results[0]);
    nothing_was_released(&world, clamp).await;
}

#[tokio::test]
async fn twenty_three_a_re_inspection_by_somebody_whose_competence_was_withdrawn_while_they_were_offline_frees_nothing()
 {
    let (world, tablet) = both().await;
    let (clamp, repaired) = a_repaired_clamp(&world, &tablet).await;
    tablet.passes(&world, 3_600_000);
    let inspected = tablet.writes(&world, INSPECTOR, clamp, after_repair(repaired.id));
    let mut lines = vec![inspected.clone()];
    tablet.passes(&world, 60_000);
    lines.push(tablet.writes(&world, LEAD, clamp, repaired.returned(inspected.id)));
    tablet.passes(&world, 3_600_000);
    withdraw(&world, INSPECTOR, INSPECTORS_COMPETENCE).await;
    let pushed = tablet.pushes(&world, &lines).await;
    let outcome = recorded(&pushed.results[0]).outcome.clone().unwrap();
    assert_eq!(outcome.credited, Some(false));
    nothing_was_released(&world, clamp).await;
}

#[tokio::test]
async fn what_nobody_signed_restricts_is_not_credited_and_releases_nothing() {
    let (world, tablet) = both().await;
    let clamp = world.registered("17").await;
    let mut inspected = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Initial));
    inspected.signed = false;
    // Whoever is no inspector signs for nothing; whoever is unknown neither.
    let by_a_store_keeper = tablet.writes(&world, STRANGER, clamp, inspection(InspectionKind::Initial));
    let by_nobody = tablet.writes(&world, person(0xdead), clamp, inspection(InspectionKind::Initial));
    let mut rejected = tablet.writes(&world, INSPECTOR, clamp, rejection("pin_bent"));
    rejected.signed = false;
    let pushed = tablet
        .pushes(&world, &[inspected, by_a_store_keeper, by_nobody, rejected])
        .await;
    for result in &pushed.results {
        let outcome = recorded(result).outcome.clone().unwrap();
        assert_eq!(outcome.credited, Some(false));
        assert!(
            outcome
                .not_credited
                .iter()
                .any(|why| why.code == NotCreditedCode::NotSigned)
        );
        assert!(remarks(result).contains(&RemarkCode::NotSigned));
    }
    assert_eq!(open_reasons(&world, clamp).await, vec!["pin_bent"]);
    clean(&world).await;
}

fn person(number: u128) -> clampward_domain::ids::PersonId {
    clampward_domain::ids::PersonId::new(support::id(number))
}

#[tokio::test]
async fn a_clock_that_is_days_ahead_or_behind_is_corrected_by_the_count_that_nobody_can_set() {
    let (world, tablet) = both().await;
    let clamp = world.registered("17").await;
    tablet.passes(&world, 7_200_000);
    let written_at = world.bench.store.now();
    let mut ahead = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Initial));
    ahead.performed_at = written_at.checked_add(SignedDuration::from_hours(72)).unwrap();
    let mut behind = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    behind.performed_at = written_at.checked_sub(SignedDuration::from_hours(72)).unwrap();
    // The clock was changed between the two and once more before the push: nothing of it counts.
    tablet.passes(&world, 3_600_000);
    let pushed = tablet.pushes(&world, &[ahead.clone(), behind.clone()]).await;
    let mut owner = world.bench.owner().await;
    for (line, result) in [&ahead, &behind].into_iter().zip(&pushed.results) {
        assert!(remarks(result).contains(&RemarkCode::ClockCorrected));
        let (performed, counted): (jiff_sqlx::Timestamp, jiff_sqlx::Timestamp) =
            sqlx::query_as("select performed_at, counted_at from ledger where id = $1")
                .bind(line.id.uuid())
                .fetch_one(&mut owner)
                .await
                .unwrap();
        assert_eq!(performed.to_jiff(), line.performed_at, "what was told is kept");
        assert_eq!(counted.to_jiff(), written_at);
    }
    clean(&world).await;
}

#[tokio::test]
async fn after_a_restart_without_network_a_time_ahead_counts_as_now_and_one_that_was_measured_before_as_measured()
 {
    let (world, mut tablet) = both().await;
    let clamp = world.registered("17").await;
    tablet.pushes(&world, &[]).await;
    tablet.passes(&world, 3_600_000);
    let measured_at = world.bench.store.now();
    let mut measured = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    measured.performed_at = "2026-06-01T00:00:00Z".parse().unwrap();
    // Started again; and once more before it came back, so that nothing ties the middle one to our time.
    tablet.boot = world.uuid();
    let mut unmeasured = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    unmeasured.performed_at = "2026-06-01T00:00:00Z".parse().unwrap();
    tablet.boot = world.uuid();
    world.bench.clock.advance(SignedDuration::from_hours(5));
    let pushed = tablet
        .pushes(&world, &[measured.clone(), unmeasured.clone()])
        .await;
    assert!(remarks(&pushed.results[0]).contains(&RemarkCode::ClockCorrected));
    assert!(remarks(&pushed.results[1]).contains(&RemarkCode::ClockAhead));
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    let opened: Vec<_> = now
        .state
        .open_lockouts()
        .iter()
        .map(|one| one.opened_at)
        .collect();
    assert_eq!(opened, vec![measured_at, world.bench.store.now()]);
}

#[tokio::test]
async fn numbers_that_never_arrived_are_named_until_they_do() {
    let (world, tablet) = both().await;
    let clamp = world.registered("17").await;
    let lines: Vec<Line> = (0..40)
        .map(|_| tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped)))
        .collect();
    let some: Vec<Line> = lines
        .iter()
        .filter(|line| line.device_seq % 10 < 7)
        .cloned()
        .collect();
    let pushed = tablet.pushes(&world, &some).await;
    assert_eq!(pushed.progress.received_to, 40);
    assert_eq!(
        pushed.progress.missing,
        vec![(7, 9), (17, 19), (27, 29), (37, 39)]
    );
    let pushed = tablet.pushes(&world, &lines[7..8]).await;
    assert_eq!(
        pushed.progress.missing,
        vec![(7, 7), (9, 9), (17, 19), (27, 29), (37, 39)]
    );
    let pushed = tablet.pushes(&world, &lines).await;
    assert_eq!(
        (pushed.progress.received_to, pushed.progress.missing),
        (40, vec![])
    );
    let receipts = world
        .bench
        .store
        .device_receipts(tablet.device, 1, 38, 10)
        .await
        .unwrap();
    let seen: Vec<_> = receipts
        .iter()
        .map(|one| (one.seq, one.entry, one.outcome.as_str()))
        .collect();
    let written: Vec<_> = lines[37..]
        .iter()
        .map(|line| (line.device_seq, line.id, "recorded"))
        .collect();
    assert_eq!(seen, written);
    assert!(receipts.iter().all(|receipt| receipt.position.is_some()));
}

#[tokio::test]
async fn a_copy_of_a_device_is_noticed_gets_another_number_and_nothing_of_either_is_lost() {
    let (world, tablet) = both().await;
    let clamp = world.registered("17").await;
    let mine = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    let mut copys = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    copys.device_seq = mine.device_seq;
    let first = tablet.pushes(&world, &[mine]).await;
    assert_eq!((first.new_number, first.results[0].remarks.len()), (None, 0));
    let second = tablet.pushes(&world, std::slice::from_ref(&copys)).await;
    assert!(!recorded(&second.results[0]).already);
    assert_eq!(second.results[0].remarks[0].code, RemarkCode::DeviceForked);
    assert_eq!(second.new_number, Some(2));
    // Told once, the number waits until it is used.
    let again = tablet.pushes(&world, &[copys]).await;
    assert_eq!(again.new_number, None, "the same again is no other entry");
    assert_eq!(open_reasons(&world, clamp).await.len(), 2);
}

#[tokio::test]
async fn what_names_no_known_clamp_is_held_and_recorded_by_itself_once_it_is_registered() {
    let (world, tablet) = both().await;
    let clamp = ClampId::new(world.uuid());
    let registered = tablet.writes(&world, LEAD, clamp, registration("77"));
    tablet.passes(&world, 60_000);
    let inspected = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Initial));
    tablet.passes(&world, 60_000);
    let mut tagged = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    (tagged.clamp_id, tagged.mark) = (None, Some("hm 77".to_owned()));
    let lines = [inspected.clone(), tagged.clone()];
    let early = tablet.pushes(&world, &lines).await;
    for result in &early.results {
        assert_eq!(held(result).0, HeldReason::UnknownClamp);
    }
    let again = tablet.pushes(&world, &lines).await;
    assert_eq!(again.position, early.position, "held once");
    tablet.passes(&world, 86_400_000);
    tablet.pushes(&world, &[registered]).await;
    let after = tablet.pushes(&world, &lines).await;
    let outcome = recorded(&after.results[0]).outcome.clone().unwrap();
    assert_eq!(outcome.credited, Some(true), "{:?}", outcome.not_credited);
    assert!(recorded(&after.results[0]).already && recorded(&after.results[1]).already);
    assert_eq!(open_reasons(&world, clamp).await, vec!["dropped"]);
    let all = world
        .bench
        .store
        .held_entries(&YardScope::Some(vec![NORTH]), &HeldFilter::default(), None, 10)
        .await
        .unwrap();
    assert!(all.iter().all(|one| one.state == HeldState::Replayed) && all.len() == 2);
    let receipts = world
        .bench
        .store
        .device_receipts(tablet.device, 1, 1, 10)
        .await
        .unwrap();
    assert!(
        receipts
            .iter()
            .all(|one| one.outcome == "recorded" && one.position.is_some())
    );
    clean(&world).await;
}

#[tokio::test]
async fn what_cannot_be_read_is_kept_as_it_came_and_bars_the_clamp_that_it_names() {
    let (world, tablet) = both().await;
    let (clamp, other) = (world.in_service("17").await, world.in_service("18").await);
    let mut unreadable = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    unreadable.body = serde_json::json!({"reason": "no such reason"});
    let good = tablet.writes(&world, OPERATOR, other, Received { note: None });
    let elements = [raw(&unreadable), b"\xff\x00{".to_vec(), raw(&good)];
    let first = tablet.sends(&world, &elements).await;
    assert_eq!(held(&first.results[0]).0, HeldReason::Unreadable);
    assert_eq!(
        (held(&first.results[1]).0, first.results[1].id),
        (HeldReason::Unreadable, None)
    );
    recorded(&first.results[2]);
    let again = tablet.sends(&world, &elements).await;
    assert_eq!(again.position, first.position);
    assert_eq!(held(&again.results[0]), held(&first.results[0]));
    assert_eq!(open_reasons(&world, clamp).await, vec!["held"]);
    assert!(is_fit(&world, other).await);
    let kept = world
        .bench
        .store
        .held_entry(&YardScope::All, held(&first.results[0]).1)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(kept.raw, raw(&unreadable));
    // Nobody can place what says nothing; a person dismisses it, and it is kept and bars on.
    let store = &world.bench.store;
    let north = YardScope::Some(vec![NORTH]);
    let placed = store
        .place_held_entry(kept.id, clamp, &settler(&world, north.clone()), &read)
        .await;
    assert!(matches!(placed, Err(SettleError::NoEntry)));
    let elsewhere = settler(&world, YardScope::Some(vec![SOUTH]));
    let refused = store.dismiss_held_entry(kept.id, "a slip", &elsewhere).await;
    assert!(matches!(refused, Err(SettleError::NotFound { .. })));
    store
        .dismiss_held_entry(kept.id, "a slip", &settler(&world, north.clone()))
        .await
        .unwrap();
    let twice = store
        .dismiss_held_entry(kept.id, "a slip", &settler(&world, north))
        .await;
    assert!(matches!(twice, Err(SettleError::Settled)));
    let kept = store.held_entry(&YardScope::All, kept.id).await.unwrap().unwrap();
    assert_eq!(
        (kept.state, kept.settled_reason.as_deref()),
        (HeldState::Dismissed, Some("a slip"))
    );
    assert_eq!(open_reasons(&world, clamp).await, vec!["held"]);
    clean(&world).await;
}

#[tokio::test]
async fn an_entry_of_a_kind_that_is_not_known_yet_is_kept_until_the_service_has_learned_it() {
    let (world, tablet) = both().await;
    let clamp = world.in_service("17").await;
    let mut line = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Frequent));
    line.kind = "inspected_v2".to_owned();
    let first = tablet.pushes(&world, std::slice::from_ref(&line)).await;
    assert_eq!(held(&first.results[0]).0, HeldReason::UnknownKind);
    assert_eq!(
        open_reasons(&world, clamp).await,
        vec!["held"],
        "who knows what it says"
    );
    let store = &world.bench.store;
    assert_eq!(store.replay_learned(&read).await.unwrap(), 0);
    // A later release reads the same bytes.
    let learned = |raw: &[u8]| {
        let text = String::from_utf8(raw.to_vec()).unwrap();
        read(text.replace("inspected_v2", "inspected").as_bytes())
    };
    world.bench.clock.advance(SignedDuration::from_hours(1));
    assert_eq!(store.replay_learned(&learned).await.unwrap(), 1);
    assert_eq!(
        open_reasons(&world, clamp).await,
        vec!["held"],
        "a person returns it to service"
    );
    let kept = store
        .held_entry(&YardScope::All, held(&first.results[0]).1)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(kept.state, HeldState::Replayed);
    clean(&world).await;
}

#[tokio::test]
async fn a_held_entry_that_a_person_places_restricts_and_counts_for_nothing_else() {
    let (world, tablet) = both().await;
    let store = &world.bench.store;
    let (clamp, far) = (world.registered("17").await, world.registered("18").await);
    let mut passed = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Initial));
    (passed.clamp_id, passed.mark) = (None, Some("HM-71".to_owned()));
    let mut tagged = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    (tagged.clamp_id, tagged.mark) = (None, Some("HM-71".to_owned()));
    let pushed = tablet.pushes(&world, &[passed.clone(), tagged.clone()]).await;
    let north = YardScope::Some(vec![NORTH]);
    for result in &pushed.results {
        let (_, id) = held(result);
        let south = settler(&world, YardScope::Some(vec![SOUTH]));
        let refused = store.place_held_entry(id, far, &south, &read).await;
        assert!(matches!(refused, Err(SettleError::NotFound { .. })));
        store
            .place_held_entry(id, clamp, &settler(&world, north.clone()), &read)
            .await
            .unwrap();
        let twice = store
            .place_held_entry(id, clamp, &settler(&world, north.clone()), &read)
            .await;
        assert!(matches!(twice, Err(SettleError::Settled)));
    }
    let again = tablet.pushes(&world, &[passed, tagged]).await;
    let outcome = recorded(&again.results[0]).outcome.clone().unwrap();
    assert!(
        outcome
            .not_credited
            .iter()
            .any(|why| why.code == NotCreditedCode::NotSigned)
    );
    assert!(recorded(&again.results[0]).already && recorded(&again.results[1]).already);
    assert_eq!(open_reasons(&world, clamp).await, vec!["dropped"]);
    clean(&world).await;
}

#[tokio::test]
async fn what_restricts_is_recorded_from_outside_the_yard_and_from_a_revoked_device_and_the_rest_waits() {
    let world = World::new().await;
    let south = Tablet::enrolled(&world, "Tablet-S", YardScope::Some(vec![SOUTH])).await;
    let clamp = world.in_service("17").await;
    south.passes(&world, 3_600_000);
    let before = south.writes(&world, STRANGER, clamp, tag_out(LockoutReason::Dropped));
    let passed = south.writes(&world, STRANGER, clamp, inspection(InspectionKind::Frequent));
    let pushed = south.pushes(&world, &[before, passed]).await;
    let told = recorded(&pushed.results[0]);
    assert_eq!(
        (&told.outcome, &told.state_now, told.seq),
        (&None, &None, None),
        "nothing is told of it"
    );
    assert_eq!(held(&pushed.results[1]).0, HeldReason::UnknownClamp);
    let tablet = Tablet::enrolled(&world, "Tablet-N", YardScope::Some(vec![NORTH])).await;
    tablet.pushes(&world, &[]).await;
    tablet.passes(&world, 3_600_000);
    let then = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Frequent));
    tablet.passes(&world, 3_600_000);
    tablet.revoked(&world).await;
    tablet.passes(&world, 3_600_000);
    let restricts = tablet.writes(&world, INSPECTOR, clamp, rejection("pin_bent"));
    let other = tablet.writes(&world, OPERATOR, clamp, Received { note: None });
    // A person brings the file.
    let elements: Vec<Vec<u8>> = [&then, &restricts, &other].map(raw).to_vec();
    let mut file = tablet.push(&elements);
    (file.by, file.yards, file.sent) = (LEAD, YardScope::Some(vec![NORTH]), None);
    let pushed = world.bench.store.push(&file, &read).await.unwrap();
    assert!(!remarks(&pushed.results[0]).contains(&RemarkCode::NotSigned));
    assert!(remarks(&pushed.results[1]).contains(&RemarkCode::NotSigned));
    assert_eq!(held(&pushed.results[2]).0, HeldReason::DeviceRevoked);
    assert_eq!(open_reasons(&world, clamp).await, vec!["dropped", "pin_bent"]);
    clean(&world).await;
}

#[tokio::test]
async fn a_yard_that_was_lost_meanwhile_takes_what_was_written_before() {
    let (world, tablet) = both().await;
    let store = &world.bench.store;
    let clamp = world.in_service("17").await;
    tablet.passes(&world, 3_600_000);
    let lines: Vec<Line> = (0..10)
        .map(|_| {
            tablet.passes(&world, 1_000);
            tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Frequent))
        })
        .collect();
    tablet.passes(&world, 3_600_000);
    let account = clampward_domain::ids::PersonId::new(tablet.device.uuid());
    let mut body = store.account(account).await.unwrap().unwrap().body;
    body.yards = YardScope::Some(vec![SOUTH]);
    store
        .change_account(world.uuid(), ADMINISTRATOR, account, 1, &body)
        .await
        .unwrap();
    tablet.passes(&world, 3_600_000);
    let later = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Frequent));
    let mut elements: Vec<Vec<u8>> = lines.iter().map(raw).collect();
    elements.push(raw(&later));
    let mut push = tablet.push(&elements);
    push.yards = YardScope::Some(vec![SOUTH]);
    let pushed = store.push(&push, &read).await.unwrap();
    for result in &pushed.results[..10] {
        let told = recorded(result);
        assert!(
            told.outcome.is_none() && told.state_now.is_none(),
            "the yard is not theirs any more"
        );
    }
    assert_eq!(held(&pushed.results[10]).0, HeldReason::UnknownClamp);
    let history = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
    assert_eq!(
        history.state.clocks.frequent.unwrap().entry,
        lines[9].id,
        "and it is credited"
    );
    clean(&world).await;
}

#[tokio::test]
async fn a_judgement_that_cannot_be_taken_is_made_anew_and_never_keeps_a_rejection_out() {
    let (world, tablet) = both().await;
    let clamp = world.in_service("17").await;
    let told = |yard_id, yard_version, model_id| JudgedBy {
        yard_id,
        yard_version,
        rule_set: RuleSetName::UsB3020,
        rule_set_version: 1,
        model_id,
        model_version: 1,
    };
    tablet.passes(&world, 3_600_000);
    let judged = |told: JudgedBy, body: Inspected| {
        let mut line = tablet.writes(&world, INSPECTOR, clamp, body);
        line.judged_by = Some(told);
        line
    };
    let mut other_rules = told(NORTH, 1, MODEL);
    other_rules.rule_set = RuleSetName::GbLoler;
    let lines = [
        judged(told(NORTH, 1, MODEL), rejection("pin_bent")),
        judged(told(NORTH, 99, MODEL), rejection("pin_bent")),
        judged(told(NORTH, 99, MODEL), inspection(InspectionKind::Frequent)),
        judged(told(SOUTH, 1, MODEL), rejection("pin_bent")),
        judged(other_rules, inspection(InspectionKind::Frequent)),
        judged(told(NORTH, 1, OTHER_MAKERS_MODEL), rejection("pin_bent")),
    ];
    let pushed = tablet.pushes(&world, &lines).await;
    let anew = |index: usize| remarks(&pushed.results[index]).contains(&RemarkCode::JudgedAnew);
    assert!(!anew(0));
    assert!(anew(1), "a version that nobody knows");
    assert_eq!(held(&pushed.results[2]).0, HeldReason::UnknownReference);
    assert!(anew(3), "a yard that is none of the device's");
    assert!(anew(4), "rules that are not the yard's");
    assert_eq!(
        recorded(&pushed.results[4]).outcome.as_ref().unwrap().credited,
        Some(true)
    );
    // Whether it is the clamp's model is no question of what has arrived by now.
    assert!(!anew(5));
    assert!(remarks(&pushed.results[5]).contains(&RemarkCode::JudgedElsewhere));
    assert_eq!(open_reasons(&world, clamp).await.len(), 4);
    clean(&world).await;
}

#[tokio::test]
async fn what_was_written_before_a_clamp_left_is_recorded_after_the_transfer_has_arrived() {
    let (world, tablet) = both().await;
    let clamp = world.in_service("17").await;
    tablet.passes(&world, 3_600_000);
    let line = tablet.writes(&world, INSPECTOR, clamp, inspection(InspectionKind::Frequent));
    tablet.passes(&world, 3_600_000);
    world.does(LEAD, clamp, transfer_after(&world, clamp).await).await;
    let pushed = tablet.pushes(&world, std::slice::from_ref(&line)).await;
    let told = recorded(&pushed.results[0]);
    assert!(
        told.outcome.is_none() && told.state_now.is_none(),
        "it is none of its yards any more"
    );
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(now.state.clocks.frequent.as_ref().unwrap().entry, line.id);
    clean(&world).await;
}

/// A transfer to the south that follows where the clamp is.
async fn transfer_after(world: &World, clamp: ClampId) -> Transferred {
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    let (placed, _) = now.state.places.only().unwrap();
    transfer(SOUTH, placed)
}

#[tokio::test]
async fn a_mark_that_two_clamps_bear_is_held_and_a_rejection_bars_both() {
    let (world, tablet) = both().await;
    let (one, other) = (world.in_service("17").await, ClampId::new(world.uuid()));
    let mut twin = registration("18");
    twin.asset_mark = "HM-17".to_owned();
    world.does(LEAD, other, twin).await;
    let mut passed = tablet.writes(&world, INSPECTOR, one, inspection(InspectionKind::Frequent));
    (passed.clamp_id, passed.mark) = (None, Some("HM-17".to_owned()));
    let first = tablet.pushes(&world, &[passed]).await;
    assert_eq!(held(&first.results[0]).0, HeldReason::AmbiguousMark);
    assert!(is_fit(&world, one).await);
    let mut rejected = tablet.writes(&world, INSPECTOR, one, rejection("pin_bent"));
    (rejected.clamp_id, rejected.mark) = (None, Some("hm17".to_owned()));
    let second = tablet.pushes(&world, &[rejected]).await;
    assert_eq!(held(&second.results[0]).0, HeldReason::AmbiguousMark);
    assert_eq!(open_reasons(&world, one).await, vec!["held"]);
    assert_eq!(open_reasons(&world, other).await, vec!["held"]);
    clean(&world).await;
}

#[tokio::test]
async fn two_registrations_of_one_number_are_both_recorded_and_both_clamps_barred() {
    let (world, tablet) = both().await;
    let first = world.in_service("17").await;
    let second = ClampId::new(world.uuid());
    let pushed = tablet
        .pushes(&world, &[tablet.writes(&world, LEAD, second, registration("17"))])
        .await;
    recorded(&pushed.results[0]);
    for clamp in [first, second] {
        assert_eq!(open_reasons(&world, clamp).await, vec!["number_in_doubt"]);
    }
    clean(&world).await;
}

#[tokio::test]
async fn a_registration_for_a_yard_or_model_that_is_not_the_devices_waits_and_leaves_nothing_behind() {
    let (world, tablet) = both().await;
    let mut in_the_south = registration("21");
    in_the_south.yard_id = SOUTH;
    let mut of_no_model = registration("22");
    of_no_model.model_id = clampward_domain::ids::ModelId::new(world.uuid());
    let lines = [
        tablet.writes(&world, LEAD, ClampId::new(world.uuid()), in_the_south),
        tablet.writes(&world, LEAD, ClampId::new(world.uuid()), of_no_model),
        tablet.writes(&world, LEAD, ClampId::new(NORTH.uuid()), registration("23")),
        tablet.writes(&world, LEAD, ClampId::new(world.uuid()), registration("24")),
    ];
    let pushed = tablet.pushes(&world, &lines).await;
    let reasons: Vec<HeldReason> = pushed.results[..3].iter().map(|result| held(result).0).collect();
    assert_eq!(
        reasons,
        vec![
            HeldReason::UnknownClamp,
            HeldReason::UnknownReference,
            HeldReason::UnknownClamp
        ]
    );
    recorded(&pushed.results[3]);
    let mut owner = world.bench.owner().await;
    let clamps: i64 = sqlx::query_scalar("select count(*) from clamp")
        .fetch_one(&mut owner)
        .await
        .unwrap();
    assert_eq!(clamps, 1);
    clean(&world).await;
}

#[tokio::test]
async fn an_entry_that_a_person_recorded_online_too_is_known_again_when_the_tablet_pushes_it() {
    let (world, tablet) = both().await;
    let clamp = world.in_service("17").await;
    let line = tablet.writes(&world, OPERATOR, clamp, tag_out(LockoutReason::Dropped));
    let mut entry = world.entry(clamp, OPERATOR, tag_out(LockoutReason::Dropped));
    entry.id = line.id;
    world.record(Mode::Refuse, entry).await.unwrap();
    let pushed = tablet.pushes(&world, &[line]).await;
    assert!(recorded(&pushed.results[0]).already);
    assert_eq!(open_reasons(&world, clamp).await, vec!["dropped"]);
}

#[tokio::test]
async fn a_held_entry_that_is_altered_hidden_or_settled_past_the_ledger_is_seen() {
    let (world, tablet) = both().await;
    tablet
        .sends(&world, &[b"{}".to_vec(), b"[]".to_vec(), b"17".to_vec()])
        .await;
    clean(&world).await;
    let mut owner = world.bench.owner().await;
    owner
        .execute(
            "alter table held_entry disable trigger all;
             update held_entry set reason = 'internal' where raw = '{}';
             update held_entry set state = 'dismissed', settled_at = now(), settled_by = device_id where raw = '[]';
             delete from held_entry where raw = '17'",
        )
        .await
        .unwrap();
    let found = world.bench.store.verify().await.unwrap().violations;
    assert_eq!(found.len(), 3, "{found:?}");
    assert!(
        found
            .iter()
            .all(|one| one.kind == ViolationKind::HeldEntriesDiffer
                && one.stream == Some(tablet.device.uuid()))
    );
}
