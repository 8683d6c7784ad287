//! Locks, in the one order: serial numbers, then clamps by id. The ledger's own come after, in the append.

use super::numbers::named_serial;
use super::subject::Subject;
use super::types::NewEntry;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::Body;
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
    let mut numbers = numbers(entries);
    let remade = remade(entries);
    numbers.extend(numbers_of(tx, &remade).await?);
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
    // Its number moved before its lock was held: the other one has to be locked first.
    let unlocked = remade
        .iter()
        .filter_map(|clamp| subjects.get(&ClampId::new(*clamp)))
        .filter_map(|subject| subject.state.serial_number())
        .any(|serial| !numbers.contains(&exact_key(&serial)));
    if unlocked {
        return Err(StoreError::NumberMoved);
    }
    Ok(Locked { subjects, reference })
}

/// Whether an entry is about a clamp that is there already, and gives it no number.
pub(super) fn needs_no_number(entry: &NewEntry) -> bool {
    let entries = std::slice::from_ref(entry);
    !matches!(entry.body, Body::Registered(_)) && numbers(entries).is_empty() && remade(entries).is_empty()
}

/// The clamps that are amended to another model: their number becomes another maker's.
fn remade(entries: &[NewEntry]) -> Vec<Uuid> {
    let clamps: BTreeSet<Uuid> = entries
        .iter()
        .filter(|entry| matches!(&entry.body, Body::Amended(body) if body.field == AmendmentField::ModelId))
        .map(|entry| entry.clamp_id.uuid())
        .collect();
    clamps.into_iter().collect()
}

/// The serial numbers that clamps bear, as keys.
async fn numbers_of(tx: &mut Tx, clamps: &[Uuid]) -> Result<Vec<String>, StoreError> {
    if clamps.is_empty() {
        return Ok(Vec::new());
    }
    Ok(sqlx::query_scalar(
        "-- door.numbers_of\nselect serial_key from clamp where id = any($1) and serial_key is not null order by 1",
    )
    .bind(clamps)
    .fetch_all(&mut **tx)
    .await?)
}

/// The serial numbers that a recording claims, as keys. A number with another model's maker is another number, but the
/// lock is by serial alone.
fn numbers(entries: &[NewEntry]) -> Vec<String> {
    let keys: BTreeSet<String> = entries
        .iter()
        .filter_map(|entry| named_serial(&entry.body))
        .map(|serial| exact_key(&serial))
        .collect();
    keys.into_iter().collect()
}

/// Holds each number until the end of the transaction and answers the clamps that ever bore it.
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
        "-- door.bearers_of_numbers\nselect distinct clamp_id from clamp_number where serial_key = any($1) order by 1",
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
    // An id that is a yard's, a model's or a person's becomes no clamp's: their rows would share a stream.
    sqlx::query(
        "-- door.make_rows
         insert into clamp (id)
         select w.id from unnest($1::uuid[]) as w(id)
          where not exists (select from stream_head as h where h.stream = w.id)
         on conflict (id) do nothing",
    )
    .bind(&registered)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// Locks clamps in the order of their ids. Rows that refer to a clamp can still be written: a change of reference data
/// does so while it holds the ledger's head, which is taken after the clamps here.
pub(crate) async fn lock_clamps(
    tx: &mut Tx,
    ids: Vec<Uuid>,
) -> Result<BTreeMap<ClampId, Subject>, StoreError> {
    let rows: Vec<Row> = sqlx::query_as(
        "-- door.lock_clamps\nselect id, state from clamp where id = any($1) order by id for no key update",
    )
    .bind(&ids)
    .fetch_all(&mut **tx)
    .await?;
    locked(tx, rows, ids).await
}

/// The same for those that nobody else holds just now; it never waits.
pub(super) async fn lock_free_clamps(
    tx: &mut Tx,
    ids: Vec<Uuid>,
) -> Result<BTreeMap<ClampId, Subject>, StoreError> {
    let rows: Vec<Row> = sqlx::query_as(
        "-- door.lock_free_clamps
         select id, state from clamp where id = any($1) order by id for no key update skip locked",
    )
    .bind(&ids)
    .fetch_all(&mut **tx)
    .await?;
    locked(tx, rows, ids).await
}

type Row = (Uuid, Json<Option<ClampState>>);

/// The clamps of rows under lock, with what is kept beside.
async fn locked(
    tx: &mut Tx,
    rows: Vec<Row>,
    ids: Vec<Uuid>,
) -> Result<BTreeMap<ClampId, Subject>, StoreError> {
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
    let borne: Vec<(Uuid, String, String)> = sqlx::query_as(
        "-- door.numbers_borne\nselect clamp_id, maker_key, serial_key from clamp_number where clamp_id = any($1)",
    )
    .bind(&ids)
    .fetch_all(&mut **tx)
    .await?;
    let mut numbers: BTreeMap<Uuid, BTreeSet<(String, String)>> = BTreeMap::new();
    for (clamp, maker, serial) in borne {
        numbers.entry(clamp).or_default().insert((maker, serial));
    }
    Ok(rows
        .into_iter()
        .map(|(id, Json(state))| {
            let clamp = ClampId::new(id);
            let numbers = numbers.remove(&id).unwrap_or_default();
            (
                clamp,
                Subject::new(clamp, state, pending.get(&id).copied(), numbers),
            )
        })
        .collect())
}
