//! Locks, in the one order: serial numbers, then clamps by id. The ledger's own come after, in the append.

use super::subject::Subject;
use super::types::NewEntry;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::{Amended, Body};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::ClampId;
use clampward_domain::mark::exact_key;
use clampward_domain::reference::Reference;
use clampward_domain::words::AmendmentField;
use sqlx::types::Json;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use uuid::Uuid;

/// The clamps of a recording under lock, those that bear the same numbers among them, and the reference data
/// that were in force before anything was read.
pub(super) struct Locked {
    pub(super) subjects: BTreeMap<ClampId, Subject>,
    pub(super) reference: Arc<Reference>,
}

/// Takes every lock that a recording needs. A registration makes its clamp's row first.
pub(super) async fn take(store: &Store, tx: &mut Tx, entries: &[NewEntry]) -> Result<Locked, StoreError> {
    let numbers = numbers(entries);
    let bearers = lock_numbers(tx, &numbers).await?;
    make_rows(tx, entries).await?;
    // Read before the clamps: what changed later than this is noticed by the append.
    let reference = store.reference_in(tx).await?;
    let ids: BTreeSet<Uuid> = entries
        .iter()
        .map(|entry| entry.clamp_id.uuid())
        .chain(bearers)
        .collect();
    let subjects = lock_clamps(tx, ids.into_iter().collect()).await?;
    Ok(Locked { subjects, reference })
}

/// The serial numbers that a recording claims, as keys. A number with another model's maker is another number, but the
/// lock is by serial alone.
fn numbers(entries: &[NewEntry]) -> Vec<String> {
    let keys: BTreeSet<String> = entries
        .iter()
        .filter_map(|entry| match &entry.body {
            Body::Registered(body) => body.serial_number.as_deref().map(exact_key),
            Body::Amended(Amended {
                field: AmendmentField::SerialNumber,
                value,
                ..
            }) => value.as_str().map(exact_key),
            Body::Amended(_)
            | Body::Inspected(_)
            | Body::TaggedOut(_)
            | Body::Repaired(_)
            | Body::ProofTested(_)
            | Body::ReturnedToService(_)
            | Body::Confirmed(_)
            | Body::Transferred(_)
            | Body::Issued(_)
            | Body::Received(_)
            | Body::Classified(_)
            | Body::Used(_)
            | Body::Retired(_)
            | Body::Reassessed(_) => None,
        })
        .collect();
    keys.into_iter().collect()
}

/// Holds each number until the end of the transaction and answers the clamps that bear it.
async fn lock_numbers(tx: &mut Tx, numbers: &[String]) -> Result<Vec<Uuid>, StoreError> {
    if numbers.is_empty() {
        return Ok(Vec::new());
    }
    sqlx::query(
        "-- door.lock_numbers
         select pg_advisory_xact_lock(k.hash) from (
           select distinct hashtextextended(n, 0) as hash from unnest($1::text[]) as n order by 1 offset 0) as k",
    )
    .bind(numbers)
    .execute(&mut **tx)
    .await?;
    Ok(sqlx::query_scalar(
        "-- door.bearers_of_numbers\nselect id from clamp where serial_key = any($1) order by id",
    )
    .bind(numbers)
    .fetch_all(&mut **tx)
    .await?)
}

async fn make_rows(tx: &mut Tx, entries: &[NewEntry]) -> Result<(), StoreError> {
    let registered: BTreeSet<Uuid> = entries
        .iter()
        .filter(|entry| matches!(entry.body, Body::Registered(_)))
        .map(|entry| entry.clamp_id.uuid())
        .collect();
    if registered.is_empty() {
        return Ok(());
    }
    let registered: Vec<Uuid> = registered.into_iter().collect();
    sqlx::query(
        "-- door.make_rows\ninsert into clamp (id) select unnest($1::uuid[]) on conflict (id) do nothing",
    )
    .bind(&registered)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// Locks clamps in the order of their ids.
pub(crate) async fn lock_clamps(
    tx: &mut Tx,
    ids: Vec<Uuid>,
) -> Result<BTreeMap<ClampId, Subject>, StoreError> {
    let rows: Vec<(Uuid, Json<Option<ClampState>>)> = sqlx::query_as(
        "-- door.lock_clamps\nselect id, state from clamp where id = any($1) order by id for update",
    )
    .bind(&ids)
    .fetch_all(&mut **tx)
    .await?;
    // A statement of its own: one that waited for a lock sees the rows it locked as they are, all others as they were.
    let pending: BTreeMap<Uuid, i64> = sqlx::query_as(
        "-- door.pending
         select clamp_id, max(cause_position) from pending_reassessment where clamp_id = any($1) group by clamp_id",
    )
    .bind(&ids)
    .fetch_all(&mut **tx)
    .await?
    .into_iter()
    .collect();
    Ok(rows
        .into_iter()
        .map(|(id, Json(state))| {
            let clamp = ClampId::new(id);
            (clamp, Subject::new(clamp, state, pending.get(&id).copied()))
        })
        .collect())
}
