//! Questions about clamps: now, on any day, by mark, in lists.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::ids::lockout_id;
use clampward_domain::reference::YardScope;
use clampward_domain::words::{Component, InspectionKind, LockoutReason, Status};
use clampward_store::{AsOf, ClampFilter, Mode};
use jiff::{SignedDuration, Timestamp};
use support::world::*;

#[tokio::test]
async fn what_was_true_and_what_was_known_on_any_day_are_two_questions() {
    let world = World::new().await;
    let store = &world.bench.store;
    world.bench.clock.set("2026-03-02T08:00:00Z");
    let clamp = world.in_service("17").await;
    world.bench.clock.set("2026-03-04T08:00:00Z");
    let late = world.entry(clamp, INSPECTOR, rejection("pin_bent"));
    world.bench.clock.set("2026-03-06T08:00:00Z");
    world.record(Mode::Record, late).await.unwrap();
    let status = async |as_of: Option<&str>, known_at: Option<&str>| {
        let instant = |text: &str| text.parse::<Timestamp>().unwrap();
        let then = store
            .clamp_then(
                clamp,
                &YardScope::All,
                as_of.map(|text| AsOf::Instant(instant(text))),
                known_at.map(instant),
            )
            .await
            .unwrap();
        then.map(|then| then.standing().status)
    };
    assert_eq!(status(None, None).await, Some(Status::TaggedOut));
    assert_eq!(
        status(Some("2026-03-05T00:00:00Z"), None).await,
        Some(Status::TaggedOut),
        "true on the 5th"
    );
    let known_then = Some("2026-03-05T00:00:00Z");
    assert_eq!(
        status(known_then, known_then).await,
        Some(Status::InService),
        "but nobody knew it"
    );
    assert_eq!(
        status(Some("2026-03-03T00:00:00Z"), None).await,
        Some(Status::InService)
    );
    assert_eq!(
        status(None, Some("2026-03-01T00:00:00Z")).await,
        None,
        "not known at all"
    );
    // A day means its end in the yard: the rejection at 03:00 there counts, the evening before not.
    let day = async |text: &str| {
        let then = store
            .clamp_then(
                clamp,
                &YardScope::All,
                Some(AsOf::EndOf(text.parse().unwrap())),
                None,
            )
            .await
            .unwrap()
            .unwrap();
        (then.as_of.to_string(), then.standing().status)
    };
    assert_eq!(
        day("2026-03-03").await,
        ("2026-03-04T04:59:59.999999Z".to_owned(), Status::InService)
    );
    assert_eq!(
        day("2026-03-04").await,
        ("2026-03-05T04:59:59.999999Z".to_owned(), Status::TaggedOut)
    );
    let then = store
        .clamp_then(
            clamp,
            &YardScope::All,
            None,
            Some("2026-03-05T00:00:00Z".parse().unwrap()),
        )
        .await
        .unwrap()
        .unwrap();
    let now = store.clamp_now(clamp, &YardScope::All).await.unwrap().unwrap();
    assert_eq!(then.knowledge.position + 1, now.knowledge.position);
}

#[tokio::test]
async fn an_amendment_acts_at_the_time_of_what_it_amends() {
    let world = World::new().await;
    let store = &world.bench.store;
    world.bench.clock.set("2026-03-02T08:00:00Z");
    let clamp = clampward_domain::ids::ClampId::new(world.uuid());
    let registered = world.does(LEAD, clamp, registration("17")).await;
    world.bench.clock.set("2026-03-09T08:00:00Z");
    let amended: clampward_domain::entry::Amended = serde_json::from_value(serde_json::json!({
        "cites": registered.id, "field": "asset_mark", "value": "HM-71", "reason": "misread"
    }))
    .unwrap();
    world.does(LEAD, clamp, amended).await;
    let mark = async |as_of: &str, known_at: Option<&str>| {
        let as_of = AsOf::Instant(as_of.parse().unwrap());
        let known_at = known_at.map(|text| text.parse().unwrap());
        store
            .clamp_then(clamp, &YardScope::All, Some(as_of), known_at)
            .await
            .unwrap()
            .unwrap()
            .state
            .asset_mark()
    };
    assert_eq!(mark("2026-03-03T00:00:00Z", None).await.as_deref(), Some("HM-71"));
    assert_eq!(
        mark("2026-03-03T00:00:00Z", Some("2026-03-03T00:00:00Z"))
            .await
            .as_deref(),
        Some("HM-17")
    );
}

#[tokio::test]
async fn history_is_told_newest_first_page_by_page() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    for _ in 0..3 {
        world.bench.clock.advance(SignedDuration::from_hours(1));
        world
            .does(INSPECTOR, clamp, inspection(InspectionKind::Frequent))
            .await;
    }
    let mut before = None;
    let mut told = Vec::new();
    loop {
        let page = world
            .bench
            .store
            .clamp_history(clamp, &YardScope::All, before, 2)
            .await
            .unwrap()
            .unwrap();
        let Some(last) = page.last() else { break };
        before = Some(last.seq);
        told.extend(page.iter().map(|row| row.seq));
    }
    assert_eq!(told, vec![5, 4, 3, 2, 1]);
}

#[tokio::test]
async fn a_mark_is_found_as_people_write_it_and_look_alikes_are_only_candidates() {
    let world = World::new().await;
    let store = &world.bench.store;
    let bearing = async |mark: &str, number: &str, yard| {
        let clamp = clampward_domain::ids::ClampId::new(world.uuid());
        let mut body = registration(number);
        body.asset_mark = mark.to_owned();
        body.yard_id = yard;
        world.does(LEAD, clamp, body).await;
        clamp
    };
    let clamp = bearing("KC-0417 B", "1", NORTH).await;
    let similar = bearing("KC-O4I7-8", "2", NORTH).await;
    let found = store.clamps_by_mark("kc0417b", &YardScope::All).await.unwrap();
    assert_eq!(
        found
            .clamps
            .iter()
            .map(|clamp| clamp.state.clamp)
            .collect::<Vec<_>>(),
        vec![clamp]
    );
    assert_eq!(found.live_in_company, 1);
    assert_eq!(found.look_alikes, vec![(similar, "KC-O4I7-8".to_owned())]);
    // Borne by a second clamp of a yard that the asker does not see: still known to be ambiguous.
    bearing("KC 0417 B", "3", SOUTH).await;
    let found = store
        .clamps_by_mark("KC-0417B", &author(OPERATOR).yards)
        .await
        .unwrap();
    assert_eq!((found.clamps.len(), found.live_in_company), (1, 2));
}

#[tokio::test]
async fn lists_filter_by_yard_status_fitness_reason_maker_model_mark_and_due_date() {
    let world = World::new().await;
    let store = &world.bench.store;
    let waiting = world.registered("1").await;
    let fit = world.in_service("2").await;
    let out = world.in_service("3").await;
    world.bench.clock.advance(SignedDuration::from_hours(1));
    world.does(OPERATOR, out, tag_out(LockoutReason::Dropped)).await;
    let retired = world.registered("4").await;
    let body: clampward_domain::entry::Retired =
        serde_json::from_value(serde_json::json!({"reason": "worn"})).unwrap();
    world.does(LEAD, retired, body).await;
    let list = async |filter: ClampFilter| {
        let page = store
            .clamp_list(&YardScope::All, &filter, None, 50)
            .await
            .unwrap();
        assert_eq!(page.next, None);
        page.clamps
            .iter()
            .map(|clamp| clamp.state.clamp)
            .collect::<Vec<_>>()
    };
    let any = ClampFilter::default;
    assert_eq!(list(any()).await, vec![waiting, fit, out, retired]);
    let status = |status| ClampFilter {
        status: Some(status),
        ..any()
    };
    assert_eq!(
        list(status(Status::AwaitingInitialInspection)).await,
        vec![waiting]
    );
    assert_eq!(list(status(Status::InService)).await, vec![fit]);
    assert_eq!(list(status(Status::TaggedOut)).await, vec![out]);
    assert_eq!(list(status(Status::Retired)).await, vec![retired]);
    assert_eq!(
        list(ClampFilter {
            fit: Some(true),
            ..any()
        })
        .await,
        vec![fit]
    );
    assert_eq!(
        list(ClampFilter {
            fit: Some(false),
            ..any()
        })
        .await,
        vec![waiting, out, retired]
    );
    assert_eq!(
        list(ClampFilter {
            reason: Some("dropped".into()),
            ..any()
        })
        .await,
        vec![out]
    );
    assert_eq!(
        list(ClampFilter {
            maker: Some("ostvik klammer".into()),
            ..any()
        })
        .await
        .len(),
        4
    );
    assert_eq!(
        list(ClampFilter {
            model: Some(OTHER_MAKERS_MODEL),
            ..any()
        })
        .await,
        vec![]
    );
    assert_eq!(
        list(ClampFilter {
            yard: Some(SOUTH),
            ..any()
        })
        .await,
        vec![]
    );
    assert_eq!(
        list(ClampFilter {
            mark: Some("hm2".into()),
            ..any()
        })
        .await,
        vec![fit]
    );
    let before = |text: &str| ClampFilter {
        due_before: Some(text.parse().unwrap()),
        ..any()
    };
    assert_eq!(list(before("2026-03-20T00:00:00Z")).await, vec![]);
    assert_eq!(list(before("2026-05-01T00:00:00Z")).await, vec![fit, out]);
    // A month later nothing was recorded and nothing has run: the clamp is overdue all the same.
    world.bench.clock.set("2026-04-20T08:00:00Z");
    assert_eq!(
        list(ClampFilter {
            fit: Some(true),
            ..any()
        })
        .await,
        vec![]
    );
    assert_eq!(
        store
            .clamp_list(&author(STRANGER).yards, &any(), None, 50)
            .await
            .unwrap()
            .clamps
            .len(),
        0
    );
    let mut after = None;
    let mut seen = Vec::new();
    loop {
        let page = store.clamp_list(&YardScope::All, &any(), after, 3).await.unwrap();
        seen.extend(page.clamps.iter().map(|clamp| clamp.state.clamp));
        let Some(next) = page.next else { break };
        after = Some(next);
    }
    assert_eq!(seen, vec![waiting, fit, out, retired]);
}

#[tokio::test]
async fn a_closed_lock_out_stays_in_the_table_and_leaves_the_state() {
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
    world
        .does(LEAD, clamp, return_after(repaired.id, inspected.id, worn, again))
        .await;
    let now = world
        .bench
        .store
        .clamp_now(clamp, &YardScope::All)
        .await
        .unwrap()
        .unwrap();
    assert!(now.state.lockouts.is_empty());
    let mut owner = world.bench.owner().await;
    let (open, closed): (i64, i64) =
        sqlx::query_as("select count(*) filter (where closed_at is null), count(closed_at) from lockout")
            .fetch_one(&mut owner)
            .await
            .unwrap();
    assert_eq!((open, closed), (0, 2));
}

#[tokio::test]
async fn a_clamp_that_waits_to_be_reassessed_is_listed_by_what_it_comes_to_now() {
    let world = World::new().await;
    let store = &world.bench.store;
    let clamp = world.in_service("17").await;
    let body = clampward_store::people::RevocationBody {
        competence_id: INSPECTORS_COMPETENCE,
        revoked_from: "2026-01-01".parse().unwrap(),
        reason: None,
    };
    let list = async |filter: ClampFilter| {
        let page = store
            .clamp_list(&YardScope::All, &filter, None, 50)
            .await
            .unwrap();
        page.clamps
            .iter()
            .map(|clamp| clamp.state.clamp)
            .collect::<Vec<_>>()
    };
    store
        .revoke_competence(world.uuid(), ADMINISTRATOR, INSPECTOR, &body)
        .await
        .unwrap();
    // Once with the columns stale, once with what was reassessed.
    for _ in 0..2 {
        let fit = |fit| ClampFilter {
            fit: Some(fit),
            ..ClampFilter::default()
        };
        assert_eq!(list(fit(false)).await, vec![clamp]);
        assert_eq!(list(fit(true)).await, vec![]);
        let waiting = ClampFilter {
            status: Some(Status::AwaitingInitialInspection),
            ..ClampFilter::default()
        };
        assert_eq!(list(waiting).await, vec![clamp]);
        let elsewhere = [
            ClampFilter {
                yard: Some(SOUTH),
                ..ClampFilter::default()
            },
            ClampFilter {
                mark: Some("HM-18".into()),
                ..ClampFilter::default()
            },
            ClampFilter {
                maker: Some("Greywater Forge".into()),
                ..ClampFilter::default()
            },
            ClampFilter {
                model: Some(OTHER_MAKERS_MODEL),
                ..ClampFilter::default()
            },
            ClampFilter {
                reason: Some("dropped".into()),
                ..ClampFilter::default()
            },
            ClampFilter {
                due_before: Some("2026-03-01T00:00:00Z".parse().unwrap()),
                ..ClampFilter::default()
            },
        ];
        for filter in elsewhere {
            assert_eq!(list(filter.clone()).await, vec![], "{filter:?}");
        }
        let here = ClampFilter {
            yard: Some(NORTH),
            mark: Some("hm17".into()),
            maker: Some("ostvik klammer".into()),
            model: Some(MODEL),
            ..ClampFilter::default()
        };
        assert_eq!(list(here).await, vec![clamp]);
        while store.reassess_pending(5).await.unwrap() > 0 {}
    }
}
