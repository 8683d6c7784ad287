//! What the database itself refuses, whoever asks: tried as the service and as the owner of the tables.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

mod support;

use clampward_domain::reference::YardScope;
use clampward_store::StoreError;
use clampward_store::ledger::append;
use support::{Bench, id, refused, row};

const PERMISSION_DENIED: &str = "42501";
const APPEND_ONLY: &str = "CW002";

#[tokio::test]
async fn nobody_changes_deletes_or_empties_the_ledger() {
    let bench = Bench::new().await;
    bench
        .store
        .run_tx("test", async |tx| {
            append(tx, vec![row(10, id(2), tx.now())], 0, true).await
        })
        .await
        .unwrap();
    let mut owner = bench.owner().await;
    for attempt in [
        "update ledger set kind = 'model'",
        "delete from ledger",
        "truncate ledger",
    ] {
        assert_eq!(
            refused(&mut owner, attempt).await,
            APPEND_ONLY,
            "as owner: {attempt}"
        );
        for role in [None, Some("clampward_door"), Some("clampward_reader")] {
            let mut service = bench.service(role).await;
            assert_eq!(
                refused(&mut service, attempt).await,
                PERMISSION_DENIED,
                "as {role:?}: {attempt}"
            );
        }
    }
    // Switching triggers off for the session is the owner's of the cluster only, and even then these stay.
    sqlx::query("set session_replication_role = replica")
        .execute(&mut owner)
        .await
        .unwrap();
    assert_eq!(refused(&mut owner, "delete from ledger").await, APPEND_ONLY);
}

#[tokio::test]
async fn the_service_cannot_write_a_row_beside_the_one_function_nor_move_a_head() {
    let bench = Bench::new().await;
    for role in [None, Some("clampward_door"), Some("clampward_reader")] {
        let mut service = bench.service(role).await;
        for attempt in [
            "insert into ledger (position) values (1)",
            "update ledger_head set position = 7",
            "update stream_head set seq = 7",
            "alter table ledger disable trigger all",
            "drop table ledger",
            "set session_replication_role = replica",
            "create table public.mine (n int)",
        ] {
            assert_eq!(
                refused(&mut service, attempt).await,
                PERMISSION_DENIED,
                "as {role:?}: {attempt}"
            );
        }
    }
    let mut reader = bench.service(Some("clampward_reader")).await;
    assert_eq!(
        refused(&mut reader, "select * from lock_streams('{}')").await,
        PERMISSION_DENIED
    );
    assert_eq!(
        refused(&mut reader, "insert into clamp (id) values (gen_random_uuid())").await,
        PERMISSION_DENIED
    );
}

#[tokio::test]
async fn the_service_owns_nothing_and_inherits_nothing() {
    let bench = Bench::new().await;
    let mut owner = bench.owner().await;
    let owned: i64 = sqlx::query_scalar(
        "select (select count(*) from pg_class where relowner in (select oid from pg_roles where rolname like 'clampward%'))
              + (select count(*) from pg_proc where proowner in (select oid from pg_roles where rolname like 'clampward%'))
              + (select count(*) from pg_namespace where nspowner in (select oid from pg_roles where rolname like 'clampward%'))",
    )
    .fetch_one(&mut owner)
    .await
    .unwrap();
    assert_eq!(owned, 0);
    let roles: Vec<(String, bool, bool)> = sqlx::query_as(
        "select rolname::text, rolinherit, rolsuper or rolcreaterole or rolcreatedb or rolbypassrls
           from pg_roles where rolname in ('clampward_service', 'clampward_door', 'clampward_reader') order by 1",
    )
    .fetch_all(&mut owner)
    .await
    .unwrap();
    assert_eq!(roles.len(), 3);
    for (role, inherits, mighty) in roles {
        assert!(!inherits && !mighty, "{role}");
    }
    // Without taking a role the service may not even read.
    let mut service = bench.service(None).await;
    assert_eq!(
        refused(&mut service, "select count(*) from ledger").await,
        PERMISSION_DENIED
    );
    assert_eq!(
        refused(&mut service, "select count(*) from clamp").await,
        PERMISSION_DENIED
    );
}

#[tokio::test]
async fn one_id_is_one_row_for_ever_also_for_the_owner() {
    let bench = Bench::new().await;
    let put = |number: u128, stream: u128, version: u64| {
        let store = bench.store.clone();
        async move {
            store
                .run_tx("test", async |tx| {
                    append(tx, vec![row(number, id(stream), tx.now())], version, false).await
                })
                .await
        }
    };
    put(10, 2, 0).await.unwrap();
    let error = put(10, 3, 0).await.unwrap_err();
    assert!(
        matches!(error, StoreError::GaveUp { ref last, .. } if matches!(**last, StoreError::IdRaced)),
        "{error:?}"
    );
    let mut owner = bench.owner().await;
    let copy = "insert into ledger select position + 1, id, stream, seq + 1, kind, performed_at, counted_at, recorded_at, \
                performed_by, recorded_by, device_id, bytes, content_hash, hash, sha256(hash || bytes), outcome, seal, yards, \
                tag, reference_version from ledger";
    assert_eq!(refused(&mut owner, copy).await, "23505");
}

#[tokio::test]
async fn rows_judged_by_a_reference_version_that_moved_are_not_appended() {
    let bench = Bench::new().await;
    bench
        .store
        .run_tx("test", async |tx| {
            append(tx, vec![row(10, id(2), tx.now())], 0, true).await
        })
        .await
        .unwrap();
    let error = bench
        .store
        .run_tx("test", async |tx| {
            append(tx, vec![row(11, id(2), tx.now())], 0, false).await
        })
        .await
        .unwrap_err();
    assert!(
        matches!(error, StoreError::GaveUp { ref last, .. } if matches!(**last, StoreError::ReferenceMoved)),
        "{error:?}"
    );
    let mut owner = bench.owner().await;
    let state: (i64, i64, i64) =
        sqlx::query_as("select position, reference_version, (select count(*) from ledger) from ledger_head")
            .fetch_one(&mut owner)
            .await
            .unwrap();
    assert_eq!(state, (1, 1, 1));
}

#[tokio::test]
async fn a_row_that_does_not_continue_its_stream_is_refused() {
    let bench = Bench::new().await;
    let mut door = bench.service(Some("clampward_door")).await;
    sqlx::query("select * from lock_streams(array[$1])")
        .bind(id(2))
        .execute(&mut door)
        .await
        .unwrap();
    let forged = |seq: i64, previous: &str| {
        format!(
            "select * from append_entries('2026-01-01Z', 0, false, array['{id}'::uuid], array['{stream}'::uuid], \
             array[{seq}::bigint], array['yard'], array['2026-01-01Z'::timestamptz], array['2026-01-01Z'::timestamptz], \
             array['{id}'::uuid], array['{id}'::uuid], array[null::uuid], array['{{}}'::bytea], \
             array[sha256('{{}}'::bytea)], array[{previous}], array[sha256({previous} || '{{}}'::bytea)], \
             array[null::bytea], array['{{}}'])",
            id = id(10),
            stream = id(2),
        )
    };
    assert_eq!(
        refused(&mut door, &forged(1, "sha256('other'::bytea)")).await,
        "CW003"
    );
    assert_eq!(
        refused(&mut door, &forged(2, "decode(repeat('00', 32), 'hex')")).await,
        "CW003"
    );
}

#[tokio::test]
async fn no_projection_calls_a_clamp_fit_while_a_lock_out_bars_it() {
    let bench = Bench::new().await;
    let lockout = format!(
        "insert into lockout (id, clamp_id, reason, bars_from, opened_by_entry, opened_at, record) \
         values ('{}', '{}', 'dropped', '2026-01-01Z', '{}', '2026-01-01Z', '{{}}')",
        id(5),
        id(4),
        id(6)
    );
    let clamp = |bars_from: &str, fit_until: &str| {
        format!(
            "insert into clamp (id, state, bars_from, fit_until) values ('{}', '{{}}', {bars_from}, {fit_until})",
            id(4)
        )
    };
    // The service and the owner alike: each statement is a transaction of its own.
    for mut connection in [bench.service(Some("clampward_door")).await, bench.owner().await] {
        // Fit beyond the moment from which it is barred.
        let both = clamp("'2026-01-01Z'", "'2026-06-01Z'") + "; " + &lockout;
        assert_eq!(refused(&mut connection, &both).await, "23514");
        // Barred, and the projection does not know.
        let both = clamp("null", "'2026-06-01Z'") + "; " + &lockout;
        assert_eq!(refused(&mut connection, &both).await, "CW004");
        // Barred later than its lock-out says.
        let both = clamp("'2026-05-01Z'", "'2026-05-01Z'") + "; " + &lockout;
        assert_eq!(refused(&mut connection, &both).await, "CW004");
        // A lock-out taken away under the projection, and one closed.
        let right = clamp("'2026-01-01Z'", "'2026-01-01Z'") + "; " + &lockout;
        assert_eq!(
            refused(&mut connection, &format!("{right}; delete from lockout")).await,
            "CW004"
        );
        let closed = "update lockout set closed_at = '2026-02-01Z', closed_by_entry = id";
        assert_eq!(
            refused(&mut connection, &format!("{right}; {closed}")).await,
            "CW004"
        );
        // Nor may a row stay behind that was never projected.
        assert_eq!(
            refused(
                &mut connection,
                &format!("insert into clamp (id) values ('{}')", id(4))
            )
            .await,
            "CW004"
        );
    }
    let mut owner = bench.owner().await;
    let right = clamp("'2026-01-01Z'", "'2026-01-01Z'") + "; " + &lockout;
    sqlx::raw_sql(sqlx::AssertSqlSafe(right))
        .execute(&mut owner)
        .await
        .unwrap();
    let moved = format!("update lockout set opened_by_entry = '{}'", id(99));
    assert_eq!(refused(&mut owner, &moved).await, "CW004");
}

#[tokio::test]
async fn a_reader_whose_yards_are_not_set_sees_nothing() {
    let bench = Bench::new().await;
    let mut owner = bench.owner().await;
    sqlx::raw_sql(sqlx::AssertSqlSafe(format!(
        "insert into clamp (id, state, yards) values ('{}', '{{}}', array['{}'::uuid])",
        id(4),
        id(2)
    )))
    .execute(&mut owner)
    .await
    .unwrap();
    bench
        .store
        .run_tx("test", async |tx| {
            append(tx, vec![row(10, id(4), tx.now())], 0, false).await
        })
        .await
        .unwrap();
    let count = "select (select count(*) from clamp) + (select count(*) from ledger) + (select count(*) from stream_head)";
    let mut reader = bench.service(Some("clampward_reader")).await;
    let seen: i64 = sqlx::query_scalar(count).fetch_one(&mut reader).await.unwrap();
    assert_eq!(seen, 0, "unset");
    for (yards, expected) in [
        (YardScope::Some(vec![]), 0),
        (YardScope::Some(vec![id(3).into()]), 0),
        (YardScope::Some(vec![id(3).into(), id(2).into()]), 3),
        (YardScope::All, 3),
    ] {
        let mut tx = bench.store.read(&yards).await.unwrap();
        let seen: i64 = sqlx::query_scalar(count).fetch_one(&mut *tx).await.unwrap();
        assert_eq!(seen, expected, "{yards:?}");
        // What was set ends with the transaction, on this connection too.
        tx.finish().await.unwrap();
    }
}
