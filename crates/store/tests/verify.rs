//! Tampering as only the owner of the cluster can do it, and that `verify` sees it.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::entry::{Amended, Body, Confirmed};
use clampward_domain::reference::YardScope;
use clampward_domain::words::{InspectionKind, LockoutReason};
use clampward_store::reference::{ModelChange, YardChange};
use clampward_store::{Mode, ViolationKind};
use jiff::SignedDuration;
use sqlx::AssertSqlSafe;
use std::collections::BTreeSet;
use support::world::*;

async fn found_after(tampering: &str) -> BTreeSet<ViolationKind> {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
    world
        .does(INSPECTOR, clamp, inspection(InspectionKind::Frequent))
        .await;
    assert_eq!(world.bench.store.verify().await.unwrap().violations, vec![]);
    let mut owner = world.bench.owner().await;
    let statements = format!(
        "begin; alter table ledger disable trigger all; alter table clamp disable trigger all; \
         alter table lockout disable trigger all; alter table clamp_number disable trigger all; alter table ledger drop constraint ledger_hash_chains; {tampering}; commit"
    );
    sqlx::raw_sql(AssertSqlSafe(statements))
        .execute(&mut owner)
        .await
        .unwrap();
    let report = world.bench.store.verify().await.unwrap();
    assert!(!report.is_clean(), "not seen: {tampering}");
    report
        .violations
        .into_iter()
        .map(|violation| violation.kind)
        .collect()
}

#[tokio::test]
async fn an_altered_entry_is_seen_even_if_its_hash_is_made_to_fit() {
    let reason = "bytes = convert_to(replace(convert_from(bytes, 'UTF8'), 'dropped', 'precaution'), 'UTF8')";
    let found = found_after(&format!("update ledger set {reason} where kind = 'tagged_out'")).await;
    assert!(found.contains(&ViolationKind::HashWrong), "{found:?}");
    let found = found_after(&format!(
        "update ledger set {reason} where kind = 'tagged_out'; \
         update ledger set hash = sha256(previous_hash || bytes) where kind = 'tagged_out'"
    ))
    .await;
    assert!(
        found.contains(&ViolationKind::ChainBroken) && found.contains(&ViolationKind::SealBroken),
        "{found:?}"
    );
}

#[tokio::test]
async fn a_period_that_is_altered_missing_or_of_nobodys_clamp_is_seen() {
    for tampering in [
        "update out_period set reasons = '{precaution}' where kind = 'tagged_out'",
        "update out_period set starts_at = starts_at + interval '1 second' where kind = 'tagged_out' and foreseen",
        "update out_period set foreseen = not foreseen",
        "update out_period set yard_id = gen_random_uuid()",
        "delete from out_period where kind = 'tagged_out'",
        "update out_period set clamp_id = gen_random_uuid()",
    ] {
        let found = found_after(tampering).await;
        assert_eq!(found, [ViolationKind::OutPeriodsDiffer].into(), "{tampering}");
    }
}

/// Each word arrives before what it is a word on, from another tablet, while the clamp is out.
#[tokio::test]
async fn a_word_that_came_before_what_it_is_a_word_on_leaves_periods_as_the_whole_history_has_them() {
    let world = World::new().await;
    let clamp = world.in_service("17").await;
    world.does(OPERATOR, clamp, tag_out(LockoutReason::Dropped)).await;
    for field in ["wll", "serial_number", ""] {
        let mut later = world.entry(clamp, OPERATOR, tag_out(LockoutReason::Precaution));
        world.bench.clock.advance(SignedDuration::from_hours(1));
        let (by, word): (_, Body) = match field {
            "" => {
                let word = serde_json::json!({ "confirms": later.id });
                (
                    INSPECTOR,
                    serde_json::from_value::<Confirmed>(word).unwrap().into(),
                )
            }
            _ => {
                let value = match field {
                    "wll" => serde_json::json!({ "value": "900", "unit": "kg" }),
                    _ => "18".into(),
                };
                let word = serde_json::json!({
                    "cites": later.id, "field": field, "value": value, "reason": "misread", "document": "plate.jpg"
                });
                (INSPECTOR, serde_json::from_value::<Amended>(word).unwrap().into())
            }
        };
        world
            .record(Mode::Record, world.entry(clamp, by, word))
            .await
            .unwrap();
        world.bench.clock.advance(SignedDuration::from_hours(1));
        later.performed_at = world.bench.store.now();
        world.record(Mode::Record, later).await.unwrap();
        assert_eq!(
            world.bench.store.verify().await.unwrap().violations,
            vec![],
            "{field}"
        );
    }
}

#[tokio::test]
async fn a_row_taken_out_of_the_middle_or_the_end_is_seen() {
    let found = found_after("delete from ledger where kind = 'tagged_out'").await;
    let expected = [
        ViolationKind::PositionGap,
        ViolationKind::SeqGap,
        ViolationKind::ChainBroken,
        ViolationKind::StateDiffers,
    ];
    assert!(expected.iter().all(|kind| found.contains(kind)), "{found:?}");
    let found = found_after("delete from ledger where position = (select max(position) from ledger)").await;
    assert!(
        found.contains(&ViolationKind::PositionGap) && found.contains(&ViolationKind::StreamHeadDiffers),
        "{found:?}"
    );
}

#[tokio::test]
async fn an_altered_column_is_seen_in_entries_and_in_reference_rows() {
    for tampering in [
        "update ledger set recorded_by = gen_random_uuid() where kind = 'tagged_out'",
        "update ledger set recorded_at = recorded_at - interval '1 day' where kind = 'tagged_out'",
        "update ledger set yards = '{}' where kind = 'tagged_out'",
        "update ledger set outcome = '{}' where kind = 'tagged_out'",
        "update ledger set tag = tag + 1 where kind = 'tagged_out'",
        "update ledger set performed_by = gen_random_uuid() where kind = 'competence'",
        "update ledger set content_hash = sha256('x') where kind = 'yard'",
    ] {
        let found = found_after(tampering).await;
        assert!(
            found.contains(&ViolationKind::SealBroken),
            "{tampering}: {found:?}"
        );
    }
    let found =
        found_after("update ledger set counted_at = counted_at - interval '1 day' where kind = 'tagged_out'")
            .await;
    assert!(found.contains(&ViolationKind::ColumnDiffers), "{found:?}");
}

#[tokio::test]
async fn a_projection_that_is_not_the_fold_is_seen() {
    for (tampering, expected) in [
        (
            "update clamp set fit_until = '2030-01-01Z', bars_from = null",
            ViolationKind::ProjectionDiffers,
        ),
        (
            "update clamp set asset_mark = 'HM-18'",
            ViolationKind::ProjectionDiffers,
        ),
        (
            "update clamp set state = jsonb_set(state::jsonb, '{entries}', '1')::json",
            ViolationKind::StateDiffers,
        ),
        ("delete from lockout", ViolationKind::LockoutsDiffer),
        (
            "update lockout set bars_from = bars_from + interval '1 year'",
            ViolationKind::LockoutsDiffer,
        ),
        (
            "update lockout set record = jsonb_set(record, '{reason}', '\"precaution\"')",
            ViolationKind::LockoutsDiffer,
        ),
    ] {
        let found = found_after(tampering).await;
        assert!(found.contains(&expected), "{tampering}: {found:?}");
    }
}

#[tokio::test]
async fn reference_data_that_are_not_what_the_ledger_records_are_seen() {
    for (table, tampering) in [
        ("competence", "update competence set valid_from = '2010-01-01'"),
        ("competence", "update competence set kind = 'qualified_person'"),
        ("competence", "delete from competence"),
        (
            "competence",
            "insert into competence select gen_random_uuid(), person_id, kind, valid_from, valid_until, evidence, \
             position, recorded_at, recorded_by from competence limit 1",
        ),
        (
            "competence_revocation",
            "insert into competence_revocation select id, '2024-01-01', null, 1, recorded_at, recorded_by from competence",
        ),
        (
            "yard_version",
            "update yard_version set body = jsonb_set(body, '{time_zone}', '\"Europe/Oslo\"')",
        ),
        (
            "yard_version",
            "update yard_version set starts_at = starts_at + interval '1 day'",
        ),
        (
            "model_version",
            "update model_version set body = jsonb_set(body, '{wll,value}', '\"9000\"')",
        ),
        ("model_version", "delete from model_version"),
        (
            "person_version",
            "update person_version set roles = '{administrator}'",
        ),
        (
            "person_version",
            "update person_version set all_yards = true, yards = '{}'",
        ),
        ("person", "update person set version = version + 1"),
        (
            "ledger_head",
            "update ledger_head set reference_version = reference_version + 1",
        ),
    ] {
        let found = found_after(&format!("alter table {table} disable trigger all; {tampering}")).await;
        assert!(
            found.contains(&ViolationKind::ReferenceDiffers),
            "{tampering}: {found:?}"
        );
    }
}

#[tokio::test]
async fn a_registered_clamp_that_is_not_there_and_a_number_that_is_given_away_are_seen() {
    let found = found_after("delete from lockout; delete from clamp_number; delete from clamp").await;
    assert!(found.contains(&ViolationKind::ClampMissing), "{found:?}");
    let found = found_after("delete from clamp_number").await;
    assert!(found.contains(&ViolationKind::NumberNotClaimed), "{found:?}");
}

#[tokio::test]
async fn versions_that_start_on_a_later_day_are_as_the_ledger_records_them() {
    let world = World::new().await;
    let store = &world.bench.store;
    let yard = store.yard(&YardScope::All, NORTH).await.unwrap().unwrap();
    let starts_on = "2026-03-10".parse().unwrap();
    let change = YardChange {
        expected: yard.version,
        starts_on,
        reason: Some("moved"),
        body: &yard.body,
    };
    store
        .change_yard(world.uuid(), ADMINISTRATOR, NORTH, &change)
        .await
        .unwrap();
    let model = store.model(MODEL).await.unwrap().unwrap();
    let change = ModelChange {
        expected: model.version,
        starts_on,
        reason: None,
        body: &model.body,
    };
    store
        .change_model(world.uuid(), ADMINISTRATOR, MODEL, &change)
        .await
        .unwrap();
    assert_eq!(store.verify().await.unwrap().violations, vec![]);
}
