//! What readers of the ledger get: every row of their yards once and in order, clamps as they are, and a word where the
//! history behind their cursor is another one.
//!
//! Goal: a reader that only follows its cursors has at the end what the service has, whatever happens meanwhile. Method:
//! a reader that keeps states by position ([`Mirror`]) is held against the store after each story.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::ids::{ClampId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::LockoutReason;
use clampward_store::feed::{
    Cursor, Digested, EVERYBODY, Gone, Page, RETENTION_DAYS, ReferenceRecord, Seen, SnapshotPart,
};
use jiff::SignedDuration;
use support::id;
use support::mirror::{Mirror, part};
use support::world::*;

const BOTH: [YardId; 2] = [NORTH, SOUTH];

/// The one page of one cursor.
async fn pull(world: &World, yards: &YardScope, cursor: Cursor, limit: u32) -> Result<Page, Gone> {
    let mut changes = world.bench.store.changes(yards, &[cursor], limit).await.unwrap();
    assert_eq!(changes.parts.len(), 1);
    changes.parts.remove(0)
}

fn only(yard: YardId) -> YardScope {
    YardScope::Some(vec![yard])
}

/// A cursor before everything.
fn beginning(yard: YardId) -> Cursor {
    Cursor {
        epoch: 1,
        position: 0,
        tag: 0,
        yard,
        seen: Some(Seen { position: 0, tag: 0 }),
    }
}

/// A cursor at the head.
async fn now(world: &World, yard: YardId) -> Cursor {
    world
        .bench
        .store
        .begin_snapshot(yard)
        .await
        .unwrap()
        .unwrap()
        .cursor
}

fn positions(page: &Page) -> Vec<u64> {
    page.rows.iter().map(|row| row.position).collect()
}

#[tokio::test]
async fn a_page_has_the_rows_of_its_yard_and_of_the_company_and_the_clamps_as_they_are_now() {
    let world = World::new().await;
    let from = now(&world, NORTH).await;
    let north = world.in_service("1").await;
    let south = ClampId::new(world.uuid());
    let mut registered = registration("2");
    registered.yard_id = SOUTH;
    world.does(LEAD, south, registered).await;
    world.does(OPERATOR, north, tag_out(LockoutReason::Dropped)).await;

    let page = pull(&world, &only(NORTH), from, 100).await.unwrap();
    let kinds: Vec<&str> = page.rows.iter().map(|row| row.kind.as_str()).collect();
    assert_eq!(kinds, ["registered", "inspected", "tagged_out"]);
    assert!(
        page.rows
            .iter()
            .all(|row| row.subject == north.uuid() && row.is_about_clamp())
    );
    assert!(!page.more);
    assert_eq!(page.clamps.len(), 1, "the clamp once, as it is after all of them");
    let line = &page.clamps[0];
    assert_eq!((line.clamp, line.position), (north, page.rows[2].position));
    let stored = world
        .bench
        .store
        .clamp_now(north, &only(NORTH))
        .await
        .unwrap()
        .unwrap();
    let told: clampward_domain::fold::ClampState =
        serde_json::from_str(line.state.as_deref().unwrap()).unwrap();
    assert_eq!(told, stored.state);
    // The other yard's row lies between: this yard knows as far as the head, not only as far as its last row.
    assert_eq!(page.known_position, world.bench.store.position().await.unwrap());
    assert_eq!(page.next.unwrap().position, page.known_position);
    assert_eq!(page.known_at, world.bench.store.now());
}

#[tokio::test]
async fn reference_data_come_as_whole_records_without_addresses_of_people() {
    let world = World::new().await;
    let page = pull(&world, &only(NORTH), beginning(NORTH), 100).await.unwrap();
    assert!(
        page.rows.iter().all(|row| row.entry.is_none()),
        "no row says what it says"
    );
    assert!(page.clamps.is_empty());
    let mut people: Vec<PersonId> = Vec::new();
    let (mut yards, mut models) = (Vec::new(), Vec::new());
    for record in &page.reference {
        let text = format!("{record:?}");
        assert!(!text.contains("example.test"), "{text}");
        match record {
            ReferenceRecord::Yard(yard, versions) => yards.push((*yard, versions.0.len())),
            ReferenceRecord::Model(model, _) => models.push(*model),
            ReferenceRecord::Person(person, _) => people.push(*person),
        }
    }
    assert_eq!(yards, [(NORTH, 1)], "the other yard is none of theirs");
    assert_eq!(models, [MODEL, OTHER_MAKERS_MODEL]);
    assert_eq!(people.len(), 6);
    let inspector = page.reference.iter().find_map(|record| match record {
        ReferenceRecord::Person(INSPECTOR, person) => Some(person.clone()),
        _ => None,
    });
    assert_eq!(inspector.unwrap().competences.len(), 1);
}

#[tokio::test]
async fn sixteen_a_page_ends_at_its_limit_and_loses_no_last_row() {
    let world = World::new().await;
    let from = now(&world, NORTH).await;
    let clamp = world.registered("1").await;
    for _ in 0..9 {
        world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
    }
    let all = positions(&pull(&world, &only(NORTH), from, 100).await.unwrap());
    assert_eq!(all.len(), 10);
    for (limit, rows, more) in [(9, 9, true), (10, 10, false), (11, 10, false), (1, 1, true)] {
        let page = pull(&world, &only(NORTH), from, limit).await.unwrap();
        assert_eq!((page.rows.len(), page.more), (rows, more), "limit {limit}");
        assert_eq!(positions(&page), all[..rows]);
    }
    for limit in 1..=11 {
        let mut read = Vec::new();
        let mut cursor = from;
        loop {
            let page = pull(&world, &only(NORTH), cursor, limit).await.unwrap();
            read.extend(positions(&page));
            let Some(next) = page.next else { break };
            assert!(next.position > cursor.position);
            cursor = next;
            if !page.more {
                break;
            }
        }
        assert_eq!(read, all, "limit {limit}");
    }
}

#[tokio::test]
async fn several_yards_share_a_page_and_none_waits_for_another() {
    let world = World::new().await;
    let from: Vec<Cursor> = vec![now(&world, NORTH).await, now(&world, SOUTH).await];
    let busy = world.registered("1").await;
    for _ in 0..30 {
        world.does(OPERATOR, busy, tag_out(LockoutReason::Dropped)).await;
    }
    let quiet = ClampId::new(world.uuid());
    let mut registered = registration("2");
    registered.yard_id = SOUTH;
    world.does(LEAD, quiet, registered).await;
    let both = YardScope::Some(BOTH.to_vec());
    let changes = world.bench.store.changes(&both, &from, 10).await.unwrap();
    let pages: Vec<&Page> = changes.parts.iter().map(|part| part.as_ref().unwrap()).collect();
    assert_eq!((pages[0].rows.len(), pages[0].more), (9, true));
    assert_eq!((pages[1].rows.len(), pages[1].more), (1, false));
    // The one that is behind knows no further than its last row; the other one knows everything.
    assert_eq!(pages[0].known_position, pages[0].rows[8].position);
    assert_eq!(pages[1].known_position, changes.position);
    // A page never has fewer rows than cursors.
    let changes = world.bench.store.changes(&both, &from, 1).await.unwrap();
    assert!(
        changes
            .parts
            .iter()
            .all(|part| part.as_ref().unwrap().rows.len() == 1)
    );
}

#[tokio::test]
async fn thirty_four_a_reader_that_has_everything_polls_a_thousand_times_and_its_cursor_stays() {
    let world = World::new().await;
    world.in_service("1").await;
    let cursor = pull(&world, &only(SOUTH), beginning(SOUTH), 1000)
        .await
        .unwrap()
        .next
        .unwrap();
    let clamp = world.registered("2").await;
    for round in 0..1000 {
        if round % 100 == 0 {
            // Elsewhere things happen.
            world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
        }
        let page = pull(&world, &only(SOUTH), cursor, 1000).await.unwrap();
        assert_eq!((page.rows.len(), page.next, page.more), (0, None, false));
        assert_eq!(page.known_position, world.bench.store.position().await.unwrap());
    }
}

#[tokio::test]
async fn twenty_six_a_yard_that_is_gained_comes_whole_although_nothing_happened_in_it_for_a_year() {
    let world = World::new().await;
    let quiet = world.in_service("1").await;
    world.bench.clock.advance(SignedDuration::from_hours(24 * 365));
    let mut mirror = Mirror::new(vec![]);
    mirror.gain(&world.bench.store, SOUTH).await;
    mirror.catch_up(&world.bench.store, &only(SOUTH)).await;
    assert!(mirror.clamps().is_empty());
    // The yard is granted: it has no cursor yet, and a snapshot makes one.
    mirror.gain(&world.bench.store, NORTH).await;
    mirror
        .catch_up(&world.bench.store, &YardScope::Some(BOTH.to_vec()))
        .await;
    assert_eq!(mirror.clamps(), [quiet]);
    mirror.assert_same(&world.bench.store, &BOTH).await;
}

#[tokio::test]
async fn twenty_seven_a_yard_that_is_lost_is_a_word_to_its_cursor_and_the_others_go_on() {
    let world = World::new().await;
    let both = YardScope::Some(BOTH.to_vec());
    let cursors = vec![now(&world, NORTH).await, now(&world, SOUTH).await];
    world.in_service("1").await;
    let before = world.bench.store.changes(&both, &cursors, 100).await.unwrap();
    assert!(before.parts.iter().all(Result::is_ok));
    let after = world
        .bench
        .store
        .changes(&only(NORTH), &cursors, 100)
        .await
        .unwrap();
    assert_eq!(after.parts[1], Err(Gone::NotGranted));
    assert_eq!(after.parts[0], before.parts[0]);
    assert!(!after.is_empty());
    // Nobody's yard, and the id that stands for everybody, are nobody's.
    for yard in [YardId::new(id(99)), EVERYBODY] {
        let cursor = Cursor { yard, ..cursors[0] };
        assert_eq!(pull(&world, &both, cursor, 100).await, Err(Gone::NotGranted));
        assert!(
            yard != EVERYBODY || pull(&world, &YardScope::All, cursor, 100).await == Err(Gone::NotGranted)
        );
    }
}

#[tokio::test]
async fn twenty_eight_a_clamp_that_moves_away_and_back_is_neither_lost_nor_a_ghost() {
    let world = World::new().await;
    let both = YardScope::Some(BOTH.to_vec());
    let clamp = ClampId::new(world.uuid());
    let registered = world.does(LEAD, clamp, registration("1")).await;
    let (mut north, mut all) = (Mirror::new(vec![NORTH]), Mirror::new(BOTH.to_vec()));
    // One reader of the yard alone, one of both; pages of one row and of many, so that moves fall into one page and
    // between pages.
    let mut place = registered.id;
    for limit in [1, 2, 1000] {
        for step in 0..6 {
            let yard = if step % 2 == 0 { SOUTH } else { NORTH };
            place = world.does(LEAD, clamp, transfer(yard, place)).await.id;
            world.does(LEAD, clamp, tag_out(LockoutReason::Precaution)).await;
            if limit == 1 || step % 3 == 0 {
                north.page(&world.bench.store, &only(NORTH), limit).await;
                all.page(&world.bench.store, &both, limit).await;
            }
        }
        north.catch_up(&world.bench.store, &only(NORTH)).await;
        all.catch_up(&world.bench.store, &both).await;
        north.assert_same(&world.bench.store, &[NORTH]).await;
        all.assert_same(&world.bench.store, &BOTH).await;
    }
    // At the end it is away.
    world.does(LEAD, clamp, transfer(SOUTH, place)).await;
    north.catch_up(&world.bench.store, &only(NORTH)).await;
    assert!(north.clamps().is_empty());
    all.catch_up(&world.bench.store, &both).await;
    assert_eq!(all.clamps(), [clamp]);
}

#[tokio::test]
async fn a_clamp_that_left_comes_without_its_state_and_its_rows_elsewhere_stay_there() {
    let world = World::new().await;
    let clamp = ClampId::new(world.uuid());
    let from = now(&world, NORTH).await;
    let registered = world.does(LEAD, clamp, registration("1")).await;
    let moved = world.does(LEAD, clamp, transfer(SOUTH, registered.id)).await;
    let elsewhere = world.does(LEAD, clamp, tag_out(LockoutReason::Dropped)).await;
    let page = pull(&world, &only(NORTH), from, 100).await.unwrap();
    assert_eq!(positions(&page), [registered.position, moved.position]);
    assert_eq!(page.clamps.len(), 1);
    assert_eq!(
        (page.clamps[0].position, page.clamps[0].state.as_deref()),
        (moved.position, None)
    );
    // The yard that has it gets it whole with the move, as it is now.
    let page = pull(&world, &only(SOUTH), Cursor { yard: SOUTH, ..from }, 100)
        .await
        .unwrap();
    assert_eq!(positions(&page), [moved.position, elsewhere.position]);
    assert_eq!(page.clamps[0].position, elsewhere.position);
    assert!(page.clamps[0].state.is_some());
}

#[tokio::test]
async fn thirty_five_a_device_that_returns_after_two_hundred_days_is_told_once_and_goes_on_from_its_snapshot()
{
    let world = World::new().await;
    let clamp = world.in_service("1").await;
    let old = now(&world, NORTH).await;
    world.bench.clock.advance(SignedDuration::from_hours(24 * 10));
    world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
    world
        .bench
        .clock
        .advance(SignedDuration::from_hours(24 * (RETENTION_DAYS - 1)));
    assert!(
        pull(&world, &only(NORTH), old, 100).await.is_ok(),
        "one day is left"
    );
    world.bench.clock.advance(SignedDuration::from_hours(24 * 11));
    assert_eq!(pull(&world, &only(NORTH), old, 100).await, Err(Gone::Expired));
    // Nothing went to the other yard since: its cursor stands where a new one would.
    let quiet = Cursor { yard: SOUTH, ..old };
    assert!(pull(&world, &only(SOUTH), quiet, 100).await.is_ok());
    let mut mirror = Mirror::new(vec![]);
    mirror.gain(&world.bench.store, NORTH).await;
    mirror.catch_up(&world.bench.store, &only(NORTH)).await;
    mirror.assert_same(&world.bench.store, &[NORTH]).await;
}

#[tokio::test]
async fn forty_seven_a_cursor_of_another_history_is_told_in_the_order_of_what_is_wrong() {
    let world = World::new().await;
    world.in_service("1").await;
    let good = now(&world, NORTH).await;
    let in_yards = async |cursor| {
        pull(&world, &only(NORTH), cursor, 100)
            .await
            .map(|page| page.rows.len())
    };
    assert_eq!(in_yards(good).await, Ok(0));
    assert_eq!(in_yards(beginning(NORTH)).await.map(|rows| rows > 0), Ok(true));
    for (cursor, gone) in [
        (Cursor { epoch: 2, ..good }, Gone::EpochChanged),
        (
            Cursor {
                epoch: 2,
                position: 1 << 40,
                ..good
            },
            Gone::EpochChanged,
        ),
        (
            Cursor {
                position: good.position + 1,
                ..good
            },
            Gone::FromFuture,
        ),
        (
            Cursor {
                position: u64::MAX,
                ..good
            },
            Gone::FromFuture,
        ),
        (
            Cursor {
                tag: good.tag ^ 1,
                ..good
            },
            Gone::Diverged,
        ),
        (
            Cursor {
                position: good.position - 1,
                ..good
            },
            Gone::Diverged,
        ),
        (Cursor { position: 0, ..good }, Gone::Diverged),
        // The rows are there, and the states that were told with them are of another history.
        (
            Cursor {
                seen: Some(Seen {
                    position: good.position + 1,
                    tag: good.tag,
                }),
                ..good
            },
            Gone::FromFuture,
        ),
        (
            Cursor {
                seen: Some(Seen {
                    position: good.position,
                    tag: good.tag ^ 1,
                }),
                ..good
            },
            Gone::Diverged,
        ),
        // Of the first form: nobody knows how far the states went.
        (Cursor { seen: None, ..good }, Gone::Expired),
        (
            Cursor {
                tag: 1,
                ..beginning(NORTH)
            },
            Gone::Diverged,
        ),
    ] {
        assert_eq!(in_yards(cursor).await, Err(gone), "{cursor:?}");
    }
}

#[tokio::test]
async fn a_raised_epoch_ends_every_cursor_and_says_why() {
    let world = World::new().await;
    world.in_service("1").await;
    let old = now(&world, NORTH).await;
    let now_at = world.bench.store.now();
    let url = &world.bench.database.owner_url;
    let raised = clampward_store::feed::raise_epoch(url, "restored from paper", now_at)
        .await
        .unwrap();
    assert_eq!(raised, 2);
    assert_eq!(
        pull(&world, &only(NORTH), old, 100).await,
        Err(Gone::EpochChanged)
    );
    let fresh = now(&world, NORTH).await;
    assert_eq!(fresh, Cursor { epoch: 2, ..old });
    assert!(pull(&world, &only(NORTH), fresh, 100).await.is_ok());
    let reasons: Vec<(i32, String)> = sqlx::query_as("select epoch, reason from ledger_epoch order by epoch")
        .fetch_all(&mut world.bench.owner().await)
        .await
        .unwrap();
    assert_eq!(reasons[1], (2, "restored from paper".to_owned()));
}

#[tokio::test]
async fn a_clamp_that_waits_to_be_reassessed_comes_computed_anew_and_again_when_it_was() {
    let world = World::new().await;
    let clamp = world.in_service("1").await;
    let mut mirror = Mirror::new(vec![NORTH]);
    mirror.catch_up(&world.bench.store, &only(NORTH)).await;
    let from = now(&world, NORTH).await;
    world.bench.clock.advance(SignedDuration::from_hours(1));
    let body = clampward_store::people::RevocationBody {
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
    world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
    let single = world
        .bench
        .store
        .clamp_now(clamp, &only(NORTH))
        .await
        .unwrap()
        .unwrap();
    let page = pull(&world, &only(NORTH), from, 100).await.unwrap();
    let told: clampward_domain::fold::ClampState =
        serde_json::from_str(page.clamps[0].state.as_deref().unwrap()).unwrap();
    assert_eq!(told, single.state);
    assert!(
        told.clocks.periodic.is_none(),
        "the inspection is not credited any more"
    );
    while world.bench.store.reassess_pending(50).await.unwrap() > 0 {}
    mirror.catch_up(&world.bench.store, &only(NORTH)).await;
    mirror.assert_same(&world.bench.store, &[NORTH]).await;
}

#[tokio::test]
async fn a_reassessment_that_moves_only_the_state_is_told_too() {
    let world = World::new().await;
    let clamp = world.in_service("1").await;
    // Scrapped: nothing of what lists show of it depends on the inspection any more, but the state does.
    let retired: clampward_domain::entry::Retired = serde_json::from_value(serde_json::json!(
        {"reason": "worn out", "made_unusable": "cut through", "witness": "Eva Holt"}
    ))
    .unwrap();
    world.bench.clock.advance(SignedDuration::from_hours(1));
    world.does(LEAD, clamp, retired).await;
    let mut mirror = Mirror::new(vec![NORTH]);
    mirror.catch_up(&world.bench.store, &only(NORTH)).await;
    let body = clampward_store::people::RevocationBody {
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
    while world.bench.store.reassess_pending(50).await.unwrap() > 0 {}
    mirror.catch_up(&world.bench.store, &only(NORTH)).await;
    mirror.assert_same(&world.bench.store, &[NORTH]).await;
}

#[tokio::test]
async fn thirty_two_what_is_written_during_a_snapshot_to_pages_read_and_unread_is_not_lost() {
    let world = World::new().await;
    let store = &world.bench.store;
    let mut clamps = Vec::new();
    for number in 0..12 {
        clamps.push(world.in_service(&format!("{number}")).await);
    }
    clamps.sort();
    let start = store.begin_snapshot(NORTH).await.unwrap().unwrap();
    let mut mirror = Mirror::starting(&start);
    let mut after = None;
    let mut pages = 0;
    let mut cursor = start.cursor;
    loop {
        let page;
        (cursor, page) = part(store, cursor, after, 4).await;
        let Some(last) = page.last() else { break };
        after = Some(last.clamp);
        mirror.take(NORTH, &page);
        pages += 1;
        // To one that was read, to one that was not; one leaves that was read, one that was not; and one is new.
        world
            .does(OPERATOR, clamps[0], tag_out(LockoutReason::Dropped))
            .await;
        world
            .does(OPERATOR, clamps[11], tag_out(LockoutReason::Dropped))
            .await;
        if pages <= 2 {
            for index in [pages, 8 + pages] {
                let history = store
                    .clamp_history(clamps[index], &YardScope::All, None, 9)
                    .await
                    .unwrap()
                    .unwrap();
                let place = history.last().unwrap().entry.id;
                world.does(LEAD, clamps[index], transfer(SOUTH, place)).await;
            }
            world.in_service(&format!("new {pages}")).await;
        }
    }
    assert!(pages >= 3);
    mirror.catch_up(store, &only(NORTH)).await;
    mirror.assert_same(store, &[NORTH]).await;
}

#[tokio::test]
async fn thirty_one_a_snapshot_that_was_cut_is_taken_up_after_its_last_clamp() {
    let world = World::new().await;
    let store = &world.bench.store;
    let mut clamps = Vec::new();
    for number in 0..9 {
        clamps.push(world.registered(&format!("{number}")).await);
    }
    clamps.sort();
    let from = now(&world, NORTH).await;
    let (_, whole) = part(store, from, None, 100).await;
    assert_eq!(whole.iter().map(|line| line.clamp).collect::<Vec<_>>(), clamps);
    for cut in 0..9 {
        let (cursor, mut parts) = part(store, from, None, 100).await;
        parts.truncate(cut);
        let after = parts.last().map(|line| line.clamp);
        parts.extend(part(store, cursor, after, 100).await.1);
        assert_eq!(parts, whole);
    }
    let elsewhere = now(&world, SOUTH).await;
    assert!(part(store, elsewhere, None, 100).await.1.is_empty());
    let other = Cursor {
        tag: from.tag ^ 1,
        ..from
    };
    let after = whole.first().map(|line| line.clamp);
    let refused = store.snapshot_clamps(other, after, 100).await.unwrap();
    assert_eq!(refused, SnapshotPart::Gone(Gone::Diverged));
}

#[tokio::test]
async fn the_digest_is_that_of_the_states_a_reader_has_and_moves_on_with_the_yard() {
    let world = World::new().await;
    let store = &world.bench.store;
    for number in 0..7 {
        world.in_service(&format!("{number}")).await;
    }
    let mut mirror = Mirror::new(vec![NORTH]);
    mirror.catch_up(store, &only(NORTH)).await;
    let at = mirror.position(NORTH);
    let Digested::At(digest) = store.digest(NORTH, at).await.unwrap() else {
        panic!("the yard stands where the reader does")
    };
    assert_eq!((digest.count, digest.checksum), mirror.digest(NORTH));
    assert_eq!(digest.count, 7);
    let clamp = mirror.clamps()[3];
    let row = world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
    assert_eq!(store.digest(NORTH, at).await.unwrap(), Digested::Elsewhere);
    let Digested::At(other) = store.digest(NORTH, row.position).await.unwrap() else {
        panic!("it is there")
    };
    assert_eq!(other.count, 7);
    assert_ne!(other.checksum, digest.checksum);
    assert_eq!(
        store.digest(NORTH, row.position + 1).await.unwrap(),
        Digested::Elsewhere
    );
    let Digested::At(nothing) = store.digest(SOUTH, row.position).await.unwrap() else {
        panic!("it is there")
    };
    assert_eq!((nothing.count, nothing.checksum), (0, 0));
}

#[tokio::test]
async fn the_whole_ledger_is_read_row_by_row_by_whoever_sees_all_yards() {
    let world = World::new().await;
    let store = &world.bench.store;
    world.in_service("1").await;
    let head = store.position().await.unwrap();
    let mut cursor = None;
    let mut read = Vec::new();
    loop {
        let page = store.events(cursor, 4).await.unwrap().unwrap();
        read.extend(page.rows.iter().map(|row| row.position));
        assert!(
            page.rows
                .iter()
                .all(|row| row.is_about_clamp() || row.entry.is_none())
        );
        let Some(next) = page.next else { break };
        cursor = Some(next);
        if !page.more {
            break;
        }
    }
    assert_eq!(read, (1..=head).collect::<Vec<_>>());
    let empty = store.events(cursor, 4).await.unwrap().unwrap();
    assert_eq!((empty.rows.len(), empty.next, empty.more), (0, None, false));
    let cursor = cursor.unwrap();
    assert_eq!(cursor.yard, EVERYBODY);
    let beyond = Cursor {
        position: head + 1,
        ..cursor
    };
    assert_eq!(
        store.events(Some(beyond), 4).await.unwrap(),
        Err(Gone::FromFuture)
    );
    let other = Cursor {
        tag: cursor.tag ^ 1,
        ..cursor
    };
    assert_eq!(store.events(Some(other), 4).await.unwrap(), Err(Gone::Diverged));
    // It is kept for ever, so that nobody comes too late for it.
    world.bench.clock.advance(SignedDuration::from_hours(24 * 400));
    world.registered("2").await;
    world.bench.clock.advance(SignedDuration::from_hours(24 * 400));
    assert_eq!(
        store.events(Some(cursor), 4).await.unwrap().unwrap().rows.len(),
        1
    );
}

#[tokio::test]
async fn a_page_is_full_when_its_entries_are_large_and_goes_on_with_the_next() {
    let world = World::new().await;
    let from = now(&world, NORTH).await;
    let clamp = world.registered("1").await;
    // Six entries of a mebibyte each, by the door's own function.
    for number in 0..6_u128 {
        let mut row = support::row(0xf00 + number, clamp.uuid(), world.bench.store.now());
        row.kind = "tagged_out";
        row.yards = vec![NORTH];
        row.bytes = format!("\"{}\"", "x".repeat(1 << 20)).into_bytes();
        world
            .bench
            .store
            .run_tx("test", async |tx| {
                let version = clampward_store::reference::current_version(tx).await?;
                clampward_store::ledger::append(tx, vec![row.clone()], version, false).await
            })
            .await
            .unwrap();
    }
    let mut cursor = from;
    let mut pages = Vec::new();
    loop {
        let page = pull(&world, &only(NORTH), cursor, 100).await.unwrap();
        pages.push(page.rows.len());
        cursor = page.next.unwrap();
        if !page.more {
            break;
        }
    }
    assert_eq!(pages, [5, 2]);
}

#[tokio::test]
async fn what_moved_is_told_to_those_who_wait_for_it() {
    let world = World::new().await;
    let store = &world.bench.store;
    let head = store.position().await.unwrap();
    assert_eq!(store.moves(head).await.unwrap().yards, Some(vec![]));
    let clamp = world.registered("1").await;
    let moved = store.moves(head).await.unwrap();
    assert_eq!(moved.position, head + 1);
    assert_eq!(moved.yards, Some(vec![(NORTH, head + 1)]));
    assert_eq!(moved.everybody(), None);
    world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
    assert_eq!(
        store.moves(head).await.unwrap().yards,
        Some(vec![(NORTH, head + 2)])
    );
    let all = store.moves(0).await.unwrap();
    assert!(all.everybody().is_some_and(|position| position <= head));
    // A ledger that went back makes everybody look.
    assert_eq!(store.moves(head + 100).await.unwrap().yards, None);
}

#[tokio::test]
async fn without_a_standby_everything_recorded_is_stable_and_with_one_that_is_away_nothing_is() {
    let world = World::new().await;
    let store = &world.bench.store;
    assert_eq!(
        store.stable_position().await.unwrap(),
        store.position().await.unwrap()
    );
    store.require_standby("nobody".to_owned());
    world.registered("1").await;
    assert_eq!(store.stable_position().await.unwrap(), 0);
}

#[tokio::test]
async fn what_was_kept_of_whom_rows_went_to_is_never_changed_and_verified() {
    let world = World::new().await;
    world.in_service("1").await;
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
    let mut owner = world.bench.owner().await;
    for statement in [
        "update delivered set position = 9",
        "delete from delivered",
        "truncate delivered",
    ] {
        assert_eq!(support::refused(&mut owner, statement).await, "CW002");
    }
    sqlx::raw_sql("alter table delivered disable trigger all; delete from delivered where position = 3; insert into delivered values ('00000000-0000-0000-0000-0000000000a2', 4)")
        .execute(&mut owner)
        .await
        .unwrap();
    let found: Vec<Option<u64>> = world
        .bench
        .store
        .verify()
        .await
        .unwrap()
        .violations
        .iter()
        .filter(|violation| violation.kind == clampward_store::ViolationKind::DeliveredDiffers)
        .map(|violation| violation.position)
        .collect();
    assert_eq!(found, [Some(3), Some(4)]);
}
