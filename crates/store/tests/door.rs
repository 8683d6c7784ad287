//! The door: what is recorded once, what is refused, what reveals nothing, and that the projection follows.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::entry::{Amended, Body, Confirmed};
use clampward_domain::ids::{ClampId, EntryId, derived_entry_id, lockout_id};
use clampward_domain::judge::{RefusalCode, RemarkCode};
use clampward_domain::reference::YardScope;
use clampward_domain::words::{Component, InspectionKind, LockoutReason, Status};
use clampward_store::{Mode, NewEntry, RecordError, Recording};
use jiff::{SignedDuration, ToSpan};
use support::id;
use support::world::*;

fn hour() -> SignedDuration {
    SignedDuration::from_hours(1)
}

#[tokio::test]
async fn a_clamp_goes_out_of_service_for_a_worn_eye_and_comes_back_after_repair_and_reinspection() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    world.bench.clock.advance(hour());
    let rejected = world.does(INSPECTOR, clamp, rejection("shackle_eye_worn")).await;
    assert_eq!(rejected.state_now.unwrap().status, Status::TaggedOut);
    let worn = lockout_id(rejected.id, "shackle_eye_worn", "");
    world.bench.clock.advance(hour());
    let repaired = world
        .does(TECHNICIAN, clamp, repair(Component::Shackle, worn))
        .await;
    let again = lockout_id(repaired.id, "not_reinspected", "");
    world.bench.clock.advance(hour());
    let inspected = world.does(INSPECTOR, clamp, after_repair(repaired.id)).await;
    assert_eq!(
        inspected.state_now.unwrap().status,
        Status::TaggedOut,
        "a passed inspection closes nothing"
    );
    world.bench.clock.advance(hour());
    let body = return_after(repaired.id, inspected.id, worn, again);
    let returned = world.does(LEAD, clamp, body).await;
    assert!(
        returned.state_now.as_ref().unwrap().fit,
        "{:?}",
        returned.state_now
    );
    let report = world.bench.store.verify().await.unwrap();
    assert_eq!(report.violations, vec![]);
    assert_eq!(report.clamps, 1);
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    assert_eq!((now.seq, now.knowledge.position), (6, returned.position));
}

#[tokio::test]
async fn an_entry_is_recorded_once_and_answered_as_the_first_time_after_the_clamp_moved_away() {
    let world = World::new().await;
    let clamp = ClampId::new(world.uuid());
    let registered = world.does(LEAD, clamp, registration("17")).await;
    world.bench.clock.advance(hour());
    let inspected = world.entry(clamp, INSPECTOR, inspection(InspectionKind::Initial));
    let first = world.record(Mode::Refuse, inspected.clone()).await.unwrap();
    assert!(!first.already);
    let again = world.record(Mode::Refuse, inspected.clone()).await.unwrap();
    assert!(again.already);
    assert_eq!(
        (again.position, again.seq, &again.outcome),
        (first.position, first.seq, &first.outcome)
    );
    world.bench.clock.advance(hour());
    world.does(LEAD, clamp, transfer(SOUTH, registered.id)).await;
    let again = world.record(Mode::Refuse, inspected).await.unwrap();
    assert!(again.already);
    assert_eq!((again.position, &again.outcome), (first.position, &first.outcome));
    assert_eq!(again.state_now, None, "the clamp is somebody else's now");
    let rows = world
        .bench
        .store
        .clamp_history(clamp, &YardScope::All, None, 50)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(rows.len(), 3);
}

#[tokio::test]
async fn an_id_used_before_is_refused_for_other_content_and_for_anybody_else() {
    let world = World::new().await;
    let clamp = world.registered("17").await;
    let first = world.entry(clamp, OPERATOR, tag_out(LockoutReason::Dropped));
    world.record(Mode::Refuse, first.clone()).await.unwrap();
    let other_reason = NewEntry {
        body: tag_out(LockoutReason::Precaution).into(),
        ..first.clone()
    };
    let other_time = NewEntry {
        performed_at: first.performed_at - 1.second(),
        ..first.clone()
    };
    for entry in [other_reason, other_time] {
        let error = world.record(Mode::Record, entry).await.unwrap_err();
        assert!(
            matches!(error, RecordError::IdReused { entry } if entry == first.id),
            "{error:?}"
        );
    }
    let recording = Recording {
        author: author(STRANGER),
        mode: Mode::Record,
        entries: vec![first],
    };
    let error = world.bench.store.record(recording).await.unwrap_err();
    assert!(matches!(error, RecordError::IdReused { .. }), "{error:?}");
}

#[tokio::test]
async fn another_yards_clamp_can_be_tagged_out_by_anybody_and_the_answer_says_nothing_more() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    let tagged = world.does(STRANGER, clamp, tag_out(LockoutReason::Dropped)).await;
    assert_eq!((tagged.seq, tagged.outcome, tagged.state_now), (None, None, None));
    let own = world
        .bench
        .store
        .clamp_now(clamp, &author(OPERATOR).yards)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(own.standing(world.bench.store.now()).status, Status::TaggedOut);
    let rejected = world.does(STRANGER, clamp, rejection("shackle_eye_worn")).await;
    assert_eq!(rejected.outcome, None);
    // Everything else is answered as if the clamp were not there.
    let passed = world.entry(clamp, STRANGER, inspection(InspectionKind::Frequent));
    let nowhere = world.entry(
        ClampId::new(world.uuid()),
        STRANGER,
        inspection(InspectionKind::Frequent),
    );
    for entry in [passed, nowhere] {
        let error = world.record(Mode::Record, entry).await.unwrap_err();
        assert!(matches!(error, RecordError::NotFound { .. }), "{error:?}");
    }
    assert!(
        world
            .bench
            .store
            .clamp_now(clamp, &author(STRANGER).yards)
            .await
            .unwrap()
            .is_none()
    );
    assert!(
        world
            .bench
            .store
            .clamp_history(clamp, &author(STRANGER).yards, None, 9)
            .await
            .unwrap()
            .is_none()
    );
}

#[tokio::test]
async fn a_refusal_records_nothing_and_leaves_the_id_free_but_what_happened_is_recorded() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    world.bench.clock.advance(hour());
    let rejected = world.does(INSPECTOR, clamp, rejection("shackle_eye_worn")).await;
    let worn = lockout_id(rejected.id, "shackle_eye_worn", "");
    world.bench.clock.advance(hour());
    let nothing = EntryId::new(id(77));
    let early = world.entry(
        clamp,
        LEAD,
        return_after(nothing, nothing, worn, lockout_id(nothing, "not_reinspected", "")),
    );
    let error = world.record(Mode::Refuse, early.clone()).await.unwrap_err();
    let RecordError::Refused { refusals, .. } = error else {
        panic!("{error:?}")
    };
    assert_eq!(
        refusals.first().map(|refusal| refusal.code),
        Some(RefusalCode::ReleaseNotSupported)
    );
    let before = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(before.seq, 3);
    let recorded = world.record(Mode::Record, early).await.unwrap();
    assert!(!recorded.already);
    assert_eq!(recorded.state_now.unwrap().status, Status::TaggedOut);
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

#[tokio::test]
async fn a_number_names_one_clamp_of_its_maker_for_ever() {
    let world = World::new().await;
    let first = world.registered("17").await;
    // Refused where somebody can still do otherwise, however the number is written.
    let second = ClampId::new(world.uuid());
    let error = world
        .record(Mode::Refuse, world.entry(second, LEAD, registration("1-7")))
        .await
        .unwrap_err();
    assert!(matches!(error, RecordError::NumberTaken { .. }), "{error:?}");
    assert!(
        world
            .bench
            .store
            .clamp_now(second, &YardScope::All)
            .await
            .unwrap()
            .is_none()
    );
    // Another maker's number is another number.
    let mut others = registration("17");
    others.model_id = OTHER_MAKERS_MODEL;
    world.does(LEAD, ClampId::new(world.uuid()), others).await;
    // Where it happened, both clamps are barred until a person says which is which.
    world.bench.clock.advance(hour());
    let pushed = world.entry(second, LEAD, registration("17"));
    world.record(Mode::Record, pushed.clone()).await.unwrap();
    for clamp in [first, second] {
        let now = world
            .bench
            .store
            .clamp_now(clamp, &YardScope::All)
            .await
            .unwrap()
            .unwrap();
        let open: Vec<_> = now
            .state
            .open_lockouts()
            .iter()
            .map(|lockout| lockout.reason)
            .collect();
        assert_eq!(open, vec![Some(LockoutReason::NumberInDoubt)]);
    }
    assert!(world.record(Mode::Record, pushed).await.unwrap().already);
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

#[tokio::test]
async fn the_number_of_a_scrapped_clamp_is_never_used_again() {
    let world = World::new().await;
    let scrapped = world.registered("17").await;
    let retired: clampward_domain::entry::Retired =
        serde_json::from_value(serde_json::json!({"reason": "worn out"})).unwrap();
    world.does(LEAD, scrapped, Body::from(retired)).await;
    let entry = world.entry(ClampId::new(world.uuid()), LEAD, registration("17"));
    let error = world.record(Mode::Refuse, entry).await.unwrap_err();
    assert!(matches!(error, RecordError::NumberTaken { .. }), "{error:?}");
}

#[tokio::test]
async fn two_registrations_of_one_number_at_once_are_not_both_accepted() {
    let world = World::new().await;
    let entries: Vec<NewEntry> = (0..6)
        .map(|_| world.entry(ClampId::new(world.uuid()), LEAD, registration("17")))
        .collect();
    let mut tasks = tokio::task::JoinSet::new();
    for entry in entries {
        let store = world.bench.store.clone();
        tasks.spawn(async move {
            store
                .record(Recording {
                    author: author(LEAD),
                    mode: Mode::Refuse,
                    entries: vec![entry],
                })
                .await
        });
    }
    let results = tasks.join_all().await;
    assert_eq!(results.iter().filter(|result| result.is_ok()).count(), 1);
    for error in results.into_iter().filter_map(Result::err) {
        assert!(matches!(error, RecordError::NumberTaken { .. }), "{error:?}");
    }
}

#[tokio::test]
async fn a_time_ahead_of_ours_never_counts_as_told_and_is_kept() {
    let world = World::new().await;
    let clamp = world.registered("17").await;
    let now = world.bench.store.now();
    let ahead = NewEntry {
        performed_at: now + 36.hours(),
        ..world.entry(clamp, INSPECTOR, inspection(InspectionKind::Initial))
    };
    let recorded = world.record(Mode::Record, ahead.clone()).await.unwrap();
    let remarks: Vec<_> = recorded
        .outcome
        .unwrap()
        .remarks
        .iter()
        .map(|remark| remark.code)
        .collect();
    assert_eq!(
        remarks
            .iter()
            .filter(|code| **code == RemarkCode::ClockAhead)
            .count(),
        1
    );
    let history = world
        .bench
        .store
        .clamp_history(clamp, &YardScope::All, None, 1)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(
        (history[0].entry.performed_at, history[0].entry.counted_at),
        (ahead.performed_at, now)
    );
}

#[tokio::test]
async fn a_rejection_that_arrives_late_from_before_the_return_tags_the_clamp_out_again() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    world.bench.clock.advance(hour());
    let late = world.entry(clamp, INSPECTOR, rejection("pin_bent"));
    world.bench.clock.advance(hour());
    world
        .does(OPERATOR, clamp, tag_out(LockoutReason::Precaution))
        .await;
    world.bench.clock.advance(hour());
    let recorded = world.record(Mode::Record, late).await.unwrap();
    assert_eq!(recorded.state_now.unwrap().status, Status::TaggedOut);
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(now.state.open_lockouts().len(), 2);
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

#[tokio::test]
async fn entries_handed_in_together_are_all_recorded_or_none_is() {
    let world = World::new().await;
    let clamp = world.registered("17").await;
    let good = world.entry(clamp, LEAD, inspection(InspectionKind::Initial));
    let bad = world.entry(ClampId::new(world.uuid()), LEAD, tag_out(LockoutReason::Dropped));
    let recording = Recording {
        author: author(LEAD),
        mode: Mode::Record,
        entries: vec![good.clone(), bad],
    };
    world.bench.store.record(recording).await.unwrap_err();
    assert_eq!(
        world
            .bench
            .store
            .clamp_now(clamp, &YardScope::All)
            .await
            .unwrap()
            .unwrap()
            .seq,
        1
    );
    // The same id twice in one recording is one entry.
    let recording = Recording {
        author: author(LEAD),
        mode: Mode::Record,
        entries: vec![good.clone(), good],
    };
    let answers = world.bench.store.record(recording).await.unwrap();
    assert_eq!(answers[0].position, answers[1].position);
    assert_eq!(
        world
            .bench
            .store
            .clamp_now(clamp, &YardScope::All)
            .await
            .unwrap()
            .unwrap()
            .seq,
        2
    );
}

#[tokio::test]
async fn an_online_transfer_follows_the_present_place_and_its_retry_is_the_same_again() {
    let world = World::new().await;
    let clamp = world.in_service("18").await;
    world.bench.clock.advance(hour());
    let mut body = transfer(SOUTH, EntryId::new(world.uuid()));
    body.replaces = None;
    let entry = world.entry(clamp, LEAD, body);
    let first = world.record(Mode::Refuse, entry.clone()).await.unwrap();
    assert!(!first.already);
    world.bench.clock.advance(hour());
    // Home again, so that the retried entry's place is no longer the present one.
    let mut back = transfer(NORTH, EntryId::new(world.uuid()));
    back.replaces = None;
    world.does(LEAD, clamp, back).await;
    let again = world.record(Mode::Refuse, entry).await.unwrap();
    assert!(again.already);
    assert_eq!(again.position, first.position);
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    assert_eq!(now.state.yards(), [NORTH]);
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

fn amendment(cites: EntryId, field: &str, value: impl serde::Serialize) -> Amended {
    serde_json::from_value(serde_json::json!({
        "cites": cites, "field": field, "value": value, "reason": "misread"
    }))
    .unwrap()
}

#[tokio::test]
async fn what_can_free_a_clamp_counts_as_of_now_where_its_author_is_online_and_as_told_where_it_was_pushed() {
    let world = World::new().await;
    let clamp = ClampId::new(world.uuid());
    let registered = world.does(LEAD, clamp, registration("17")).await;
    world.bench.clock.advance(hour());
    let told = world.bench.store.now();
    world
        .does(INSPECTOR, clamp, inspection(InspectionKind::Initial))
        .await;
    world.bench.clock.advance(hour());
    let rejected = world.does(INSPECTOR, clamp, rejection("shackle_eye_worn")).await;
    let worn = lockout_id(rejected.id, "shackle_eye_worn", "");
    let repaired = world
        .does(TECHNICIAN, clamp, repair(Component::Shackle, worn))
        .await;
    let again = lockout_id(repaired.id, "not_reinspected", "");
    world.bench.clock.advance(hour());
    let inspected = world.does(INSPECTOR, clamp, after_repair(repaired.id)).await;
    world.bench.clock.advance(hour());
    let now = world.bench.store.now();
    let amended = amendment(registered.id, "asset_mark", "HM-71");
    let confirmed =
        |of: EntryId| -> Confirmed { serde_json::from_value(serde_json::json!({ "confirms": of })).unwrap() };
    let returned = return_after(repaired.id, inspected.id, worn, again);
    let returned = world.entry(clamp, LEAD, returned);
    let second_word = world.entry(clamp, INSPECTOR, confirmed(returned.id));
    let mut entries = vec![world.entry(clamp, LEAD, amended), returned, second_word];
    for entry in &mut entries {
        entry.performed_at = told;
        let recorded = world.record(Mode::Refuse, entry.clone()).await.unwrap();
        let remarks = recorded.outcome.unwrap().remarks;
        assert!(
            remarks.iter().all(|remark| remark.code != RemarkCode::ClockAhead),
            "{remarks:?}"
        );
        assert!(world.record(Mode::Refuse, entry.clone()).await.unwrap().already);
    }
    let pushed = NewEntry {
        performed_at: told,
        ..world.entry(clamp, LEAD, amendment(registered.id, "asset_mark", "HM-72"))
    };
    world.record(Mode::Record, pushed).await.unwrap();
    let history = world
        .bench
        .store
        .clamp_history(clamp, &YardScope::All, None, 4)
        .await
        .unwrap()
        .unwrap();
    let times: Vec<_> = history
        .iter()
        .map(|row| (row.entry.performed_at, row.entry.counted_at))
        .collect();
    assert_eq!(times, vec![(told, told), (told, now), (told, now), (told, now)]);
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
}

#[tokio::test]
async fn a_number_that_a_clamp_ever_bore_stays_its_own_after_an_amendment() {
    for (field, value) in [
        ("serial_number", serde_json::json!("18")),
        ("model_id", serde_json::json!(OTHER_MAKERS_MODEL)),
    ] {
        for retire in [false, true] {
            let world = World::new().await;
            let first = ClampId::new(world.uuid());
            let registered = world.does(LEAD, first, registration("17")).await;
            world.bench.clock.advance(hour());
            if retire {
                let retired: clampward_domain::entry::Retired =
                    serde_json::from_value(serde_json::json!({"reason": "worn out"})).unwrap();
                world.does(LEAD, first, retired).await;
            }
            world
                .record(
                    Mode::Record,
                    world.entry(first, LEAD, amendment(registered.id, field, &value)),
                )
                .await
                .unwrap();
            let second = ClampId::new(world.uuid());
            let error = world
                .record(Mode::Refuse, world.entry(second, LEAD, registration("17")))
                .await
                .unwrap_err();
            assert!(
                matches!(error, RecordError::NumberTaken { .. }),
                "{field}: {error:?}"
            );
            // Pushed, it happened: both are in doubt.
            world.bench.clock.advance(hour());
            world
                .record(Mode::Record, world.entry(second, LEAD, registration("17")))
                .await
                .unwrap();
            for clamp in [first, second] {
                let now = world
                    .bench
                    .store
                    .clamp_now(clamp, &YardScope::All)
                    .await
                    .unwrap()
                    .unwrap();
                assert!(
                    now.state
                        .open_lockouts()
                        .iter()
                        .any(|lockout| lockout.reason == Some(LockoutReason::NumberInDoubt)),
                    "{field}"
                );
            }
            assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
        }
    }
}

#[tokio::test]
async fn a_clamp_is_not_amended_to_a_model_whose_maker_gave_its_number_to_another_clamp() {
    let world = World::new().await;
    let mut others = registration("17");
    others.model_id = OTHER_MAKERS_MODEL;
    world.does(LEAD, ClampId::new(world.uuid()), others).await;
    let clamp = ClampId::new(world.uuid());
    let registered = world.does(LEAD, clamp, registration("17")).await;
    world.bench.clock.advance(hour());
    let amended = amendment(registered.id, "model_id", OTHER_MAKERS_MODEL);
    let error = world
        .record(Mode::Refuse, world.entry(clamp, LEAD, amended))
        .await
        .unwrap_err();
    assert!(matches!(error, RecordError::NumberTaken { .. }), "{error:?}");
    // Its own former number it may take back.
    let other = world
        .does(LEAD, clamp, amendment(registered.id, "serial_number", "18"))
        .await;
    world.bench.clock.advance(hour());
    assert!(!other.already);
    world
        .does(LEAD, clamp, amendment(registered.id, "serial_number", "17"))
        .await;
}

#[tokio::test]
async fn an_id_that_is_derived_is_taken_from_nobody() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    let derived = NewEntry {
        id: derived_entry_id(&["every_lift_check", "1", &clamp.to_string()]),
        ..world.entry(clamp, OPERATOR, tag_out(LockoutReason::EveryLiftCheckFailed))
    };
    for mode in [Mode::Refuse, Mode::Record] {
        let error = world.record(mode, derived.clone()).await.unwrap_err();
        let RecordError::Malformed { errors, .. } = error else {
            panic!("{error:?}")
        };
        assert_eq!(
            errors
                .iter()
                .map(|error| (error.pointer.as_str(), error.code))
                .collect::<Vec<_>>(),
            [("/entry_id", "reserved-id")]
        );
    }
    // Whoever derives ids hands them in by a door of their own.
    let recording = Recording {
        author: author(OPERATOR),
        mode: Mode::Record,
        entries: vec![derived],
    };
    let recorded = world.bench.store.record_derived(recording).await.unwrap();
    assert!(!recorded[0].already);
}

/// Goal: a clamp's rows are a stream of its own. Method: a registration under the id of a yard, of a model and of a person.
#[tokio::test]
async fn a_clamp_is_not_registered_under_the_id_of_something_else() {
    let world = World::new().await;
    let before = world.bench.store.position().await.unwrap();
    for taken in [NORTH.uuid(), LEAD.uuid()] {
        let entry = world.entry(ClampId::new(taken), LEAD, registration("77"));
        let refused = world
            .bench
            .store
            .record(Recording {
                author: author(LEAD),
                mode: Mode::Refuse,
                entries: vec![entry],
            })
            .await;
        assert!(
            matches!(refused, Err(RecordError::NotFound { .. })),
            "{refused:?}"
        );
    }
    assert_eq!(world.bench.store.position().await.unwrap(), before);
}
