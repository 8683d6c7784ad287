//! Row-level security alone, past every check that the service makes: what the reading role sees of two yards' clamps
//! when its transaction was told one of them, none, nonsense, or all.
//!
//! Goal: no table tells of another yard's clamps, and none is added without deciding so. Method: a connection of the
//! service's own takes the reading role; the tables come from the catalogue, and what must be seen is counted by the
//! owner of the tables, to whom no policy applies.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::ids::{BulletinId, ClampId, LiftCheckId, YardId};
use clampward_domain::reference::{Yard, YardScope};
use clampward_domain::words::LockoutReason;
use clampward_store::LiftCheckRecord;
use clampward_store::bulletins::NotFound;
use clampward_store::reference::YardChange;
use serde_json::json;
use sqlx::{AssertSqlSafe, Connection, PgConnection};
use std::collections::{BTreeMap, BTreeSet};
use support::tablet::Tablet;
use support::world::*;
use support::{id, refused};

/// Tables that tell of clamps, each with the rows that belong to the yard `$1`, as the owner sees them.
const OF_CLAMPS: &[(&str, &str)] = &[
    ("clamp", "yards @> array[$1]"),
    (
        "lockout",
        "clamp_id in (select id from clamp where yards @> array[$1])",
    ),
    (
        "pending_reassessment",
        "clamp_id in (select id from clamp where yards @> array[$1])",
    ),
    ("out_period", "yard_id = $1"),
    (
        "photo_citation",
        "clamp_id in (select id from clamp where yards @> array[$1])",
    ),
    ("delivered", "yard_id = $1"),
    (
        "stream_head",
        "stream in (select id from clamp where yards @> array[$1])",
    ),
    (
        "ledger",
        "yards @> array[$1] or stream in (select id from clamp where yards @> array[$1])",
    ),
    ("lift_check", "yards @> array[$1]"),
    ("held_entry", "yards @> array[$1]"),
    ("notice", "yards @> array[$1]"),
    (
        "bulletin_not_found",
        "clamp_id in (select id from clamp where yards @> array[$1])",
    ),
];

/// Tables of the company, which the reading role sees whole: the service decides who is shown what.
const OF_THE_COMPANY: &[&str] = &[
    "_sqlx_migrations",
    "bulletin",
    "bulletin_closure",
    "bulletin_hold",
    "competence",
    "competence_revocation",
    "device",
    "device_revocation",
    "ledger_head",
    "mail",
    "model",
    "model_version",
    "person",
    "person_version",
    "photo",
    "session_family",
    "signing_key",
    "signing_key_revocation",
    "yard",
    "yard_version",
];

/// Columns by which a table tells of clamps.
const TELLING: &str = "'clamp_id', 'clamps', 'stream', 'state', 'asset_mark', 'serial_number'";

/// Clamps in each yard with something in every table; one of them moved from north to south.
async fn two_yards() -> World {
    let world = World::new().await;
    let store = &world.bench.store;
    let south = async |number: &str| {
        let clamp = ClampId::new(world.uuid());
        let mut registered = registration(number);
        registered.yard_id = SOUTH;
        world.does(LEAD, clamp, registered).await;
        clamp
    };
    let north = world.in_service("1").await;
    let other = south("2").await;
    for clamp in [north, other] {
        let mut tagged = tag_out(LockoutReason::Dropped);
        tagged.photos = vec!["ab".repeat(32)];
        world.does(LEAD, clamp, tagged).await;
    }
    let moving = ClampId::new(world.uuid());
    let registered = world.does(LEAD, moving, registration("3")).await;
    world.does(LEAD, moving, transfer(SOUTH, registered.id)).await;
    for (clamp, yard) in [(north, NORTH), (other, SOUTH)] {
        let check = LiftCheckRecord {
            id: LiftCheckId::new(world.uuid()),
            asked_at: store.now(),
            asked_by: LEAD,
            clamps: vec![clamp],
            yards: vec![yard],
            decision: "stop".to_owned(),
            position: 1,
            request: json!({}),
            answer: json!({}),
        };
        store.keep_lift_check(&check).await.unwrap();
    }
    // A tablet of each yard sends something that nobody can read.
    for (yard, name) in [(NORTH, "Tablet-N"), (SOUTH, "Tablet-S")] {
        let tablet = Tablet::enrolled(&world, name, YardScope::Some(vec![yard])).await;
        tablet.sends(&world, &[b"{}".to_vec()]).await;
    }
    store.notices_of_entries().await.unwrap().unwrap();
    // A clamp of each yard that a bulletin holds cannot be found.
    let bulletin = BulletinId::new(world.uuid());
    store
        .open_bulletin(world.uuid(), LEAD, bulletin, &about(MODEL, &["1", "2"]))
        .await
        .unwrap();
    while store.hold_for_bulletins().await.unwrap().has_more {}
    for clamp in [north, other] {
        let word = NotFound {
            clamp_id: clamp,
            owner: LEAD,
            look_until: "2026-04-01".parse().unwrap(),
            note: "Not in the crib".to_owned(),
        };
        store
            .note_not_found(world.uuid(), LEAD, &YardScope::All, bulletin, &word)
            .await
            .unwrap();
    }
    // A new version of each yard leaves its clamps waiting.
    for (yard, code) in [(NORTH, "NOR"), (SOUTH, "SOU")] {
        let body: Yard = serde_json::from_value(
            json!({"code": code, "name": "Halvorsund", "time_zone": "America/New_York",
            "rule_set": "us-b30.20", "records_use": true}),
        )
        .unwrap();
        let change = YardChange {
            expected: 1,
            starts_on: "2026-04-01".parse().unwrap(),
            reason: None,
            body: &body,
        };
        store
            .change_yard(world.uuid(), ADMINISTRATOR, yard, &change)
            .await
            .unwrap();
    }
    world
}

async fn owners_count(owner: &mut PgConnection, table: &str, which: &str, yard: YardId) -> i64 {
    // A yard that is not asked about is bound all the same.
    let sql = format!("select count(*) from {table} where ({which}) and $1::uuid is not null");
    sqlx::query_scalar(AssertSqlSafe(sql))
        .bind(yard.uuid())
        .fetch_one(owner)
        .await
        .unwrap()
}

/// What a transaction of the reading role that was told `yards` counts in a table; the SQLSTATE where it is refused.
async fn seen(service: &mut PgConnection, yards: Option<&str>, table: &str) -> Result<i64, String> {
    let mut tx = service.begin().await.unwrap();
    sqlx::query("set local role clampward_reader")
        .execute(&mut *tx)
        .await
        .unwrap();
    if let Some(yards) = yards {
        sqlx::query("select set_config('clampward.yards', $1, true)")
            .bind(yards)
            .execute(&mut *tx)
            .await
            .unwrap();
    }
    let counted: Result<i64, sqlx::Error> =
        sqlx::query_scalar(AssertSqlSafe(format!("select count(*) from {table}")))
            .fetch_one(&mut *tx)
            .await;
    tx.rollback().await.unwrap();
    counted.map_err(|error| {
        let error = error.into_database_error().expect("the database's word");
        error.code().unwrap_or_default().into_owned()
    })
}

#[tokio::test]
async fn every_table_shows_the_rows_of_the_yards_that_were_told_and_no_others() {
    let world = two_yards().await;
    let mut owner = world.bench.owner().await;
    let mut service = world.bench.service(None).await;
    for (table, which) in OF_CLAMPS {
        // Of the heads of streams, only those of clamps are anybody's to read.
        let whole = if *table == "stream_head" {
            "stream in (select id from clamp)"
        } else {
            "true"
        };
        let all = owners_count(&mut owner, table, whole, NORTH).await;
        for yard in [NORTH, SOUTH] {
            let theirs = owners_count(&mut owner, table, which, yard).await;
            assert!(
                theirs > 0 && theirs < all,
                "{table}: {theirs} of {all} would prove nothing"
            );
            let told = format!("{{{yard}}}");
            assert_eq!(
                seen(&mut service, Some(&told), table).await,
                Ok(theirs),
                "{table} of {yard}"
            );
        }
        assert_eq!(
            seen(&mut service, Some("all"), table).await,
            Ok(all),
            "{table} of all"
        );
        let nowhere = format!("{{{}}}", id(99));
        for told in [None, Some(""), Some("{}"), Some(nowhere.as_str())] {
            assert_eq!(
                seen(&mut service, told, table).await,
                Ok(0),
                "{table} told {told:?}"
            );
        }
        // What is no list of yards is refused, and close to "all" is not "all".
        for told in ["ALL", "all ", "garbage", "{all}", "*", "{a1}"] {
            assert_eq!(
                seen(&mut service, Some(told), table).await,
                Err("22P02".to_owned()),
                "{table} told {told:?}"
            );
        }
    }
}

#[tokio::test]
async fn no_table_is_readable_without_having_been_decided_on() {
    let world = World::new().await;
    let mut owner = world.bench.owner().await;
    let readable: Vec<(String, bool, bool)> = sqlx::query_as(AssertSqlSafe(format!(
        "select c.relname::text, c.relrowsecurity,
                exists (select from pg_attribute as a where a.attrelid = c.oid and a.attnum > 0 and a.attname in ({TELLING}))
           from pg_class as c
          where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v', 'm', 'f')
            and (has_table_privilege('clampward_reader', c.oid, 'select')
                 or has_any_column_privilege('clampward_reader', c.oid, 'select'))"
    )))
    .fetch_all(&mut owner)
    .await
    .unwrap();
    let known: BTreeMap<&str, bool> = OF_CLAMPS
        .iter()
        .map(|(table, _)| (*table, true))
        .chain(OF_THE_COMPANY.iter().map(|table| (*table, false)))
        .collect();
    for (table, guarded, tells) in &readable {
        let of_clamps = known.get(table.as_str()).unwrap_or_else(|| {
            panic!("{table} can be read by the reading role: say in this test what it may show")
        });
        assert_eq!(guarded, of_clamps, "{table}");
        assert!(*guarded || !tells, "{table} tells of clamps and is not guarded");
    }
    let readable: BTreeSet<&str> = readable.iter().map(|(table, ..)| table.as_str()).collect();
    let gone: Vec<_> = known.keys().filter(|table| !readable.contains(**table)).collect();
    assert!(gone.is_empty(), "no longer readable: {gone:?}");
}

#[tokio::test]
async fn the_service_reads_no_table_before_it_has_taken_a_role() {
    let world = World::new().await;
    let mut owner = world.bench.owner().await;
    let tables: Vec<String> = sqlx::query_scalar(
        "select relname::text from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'p') order by 1",
    )
    .fetch_all(&mut owner)
    .await
    .unwrap();
    assert!(tables.len() >= OF_CLAMPS.len() + OF_THE_COMPANY.len());
    let mut service = world.bench.service(None).await;
    sqlx::query("select set_config('clampward.yards', 'all', false)")
        .execute(&mut service)
        .await
        .unwrap();
    for table in tables.iter().filter(|table| *table != "_sqlx_migrations") {
        assert_eq!(
            refused(&mut service, &format!("select * from {table}")).await,
            "42501",
            "{table}"
        );
    }
}
