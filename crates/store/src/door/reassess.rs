//! Reassessment: clamps under which reference data changed are computed from all their entries again. Where that moves
//! the projection, a row `reassessed` tells the readers of the ledger; the fold reads nothing from it.

use super::error::RecordError;
use super::judging;
use super::locks::lock_clamps;
use super::subject::Subject;
use super::types::{Author, Mode, NewEntry};
use super::write::{self, Judged};
use crate::projection::{self, Columns};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::{Body, Reassessed};
use clampward_domain::fold::{ClampState, Evidence};
use clampward_domain::ids::{ClampId, PersonId, YardId, derived_entry_id};
use clampward_domain::judge::Outcome;
use clampward_domain::reference::{Reference, YardScope};
use jiff::Timestamp;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Most clamps of one transaction.
pub const MAX_REASSESSED: u32 = 100;

/// The latest change of reference data that a clamp waits for.
struct Cause {
    position: i64,
    kind: String,
    by: PersonId,
}

impl Store {
    /// Works off up to `limit` clamps that wait to be reassessed; answers how many. Zero means that none waits.
    pub async fn reassess_pending(&self, limit: u32) -> Result<usize, RecordError> {
        let limit = i64::from(limit.clamp(1, MAX_REASSESSED));
        self.run_command("door.reassess", &Reassessment { store: self, limit })
            .await
    }
}

struct Reassessment<'a> {
    store: &'a Store,
    limit: i64,
}

impl Command for Reassessment<'_> {
    type Output = usize;
    type Error = RecordError;

    async fn attempt(&self, tx: &mut Tx) -> Result<usize, RecordError> {
        reassess(self.store, tx, self.limit).await
    }
}

async fn reassess(store: &Store, tx: &mut Tx, limit: i64) -> Result<usize, RecordError> {
    // Causes first, reference data after: they hold at least what the causes changed.
    let causes = causes(tx, limit).await?;
    if causes.is_empty() {
        return Ok(0);
    }
    let reference = store.reference_in(tx).await?;
    let clamps: Vec<ClampId> = causes.keys().copied().collect();
    let mut subjects = lock_clamps(tx, clamps.iter().map(|clamp| clamp.uuid()).collect()).await?;
    let before: BTreeMap<Uuid, Columns> = projection::stored(tx, &clamps)
        .await?
        .into_iter()
        .map(|columns| (columns.id, columns))
        .collect();
    let mut judged = Vec::new();
    for subject in subjects.values_mut() {
        let Some(cause) = causes.get(&subject.clamp) else {
            continue;
        };
        subject.pending = Some(cause.position);
        let stored = subject.state.clone();
        subject.touched = true;
        subject.bring_up_to_date(tx, &reference).await?;
        let after = Columns::of(&subject.state, &reference, tx.now());
        let before = before.get(&subject.clamp.uuid());
        // Whoever keeps states by position must hear of every one that became another one.
        if before != Some(&after) || is_another(&stored, &subject.state) {
            let yards = before.map(|columns| columns.yards.as_slice()).unwrap_or_default();
            judged.push(told(tx, subject, cause, &reference, yards).await?);
        }
    }
    let done = subjects.len();
    write::write(tx, &mut subjects, judged, &reference).await?;
    Ok(done)
}

/// Takes the row that tells of a moved projection up.
async fn told(
    tx: &mut Tx,
    subject: &mut Subject,
    cause: &Cause,
    reference: &Reference,
    yards_before: &[Uuid],
) -> Result<Judged, RecordError> {
    let new = entry(subject.clamp, cause, tx.now());
    let author = Author {
        person: cause.by,
        signed: false,
        device: None,
        yards: YardScope::All,
    };
    let content_hash = new.content_hash()?;
    let entry = judging::fixed(&new, &author, subject, reference, Mode::Record, tx.now())?;
    subject.take_up(tx, &entry, &Evidence::new(), reference).await?;
    let mut yards = subject.state.yards();
    yards.extend(yards_before.iter().copied().map(YardId::new));
    yards.sort_unstable();
    yards.dedup();
    Ok(Judged {
        entry,
        content_hash,
        outcome: Outcome::default(),
        yards,
        recorded_by: cause.by,
        sight: YardScope::Some(Vec::new()),
    })
}

/// Whether a state is another one than what is stored, which holds no closed lock-outs.
fn is_another(stored: &ClampState, state: &ClampState) -> bool {
    let mut state = state.clone();
    state.take_closed();
    *stored != state
}

fn entry(clamp: ClampId, cause: &Cause, now: Timestamp) -> NewEntry {
    let position = cause.position.unsigned_abs();
    NewEntry {
        id: derived_entry_id(&["reassessed", &clamp.to_string(), &position.to_string()]),
        clamp_id: clamp,
        performed_at: now,
        performed_by: cause.by,
        judged_by: None,
        body: Body::Reassessed(Reassessed {
            reference_position: position,
            cause: cause.kind.clone(),
        }),
    }
}

async fn causes(tx: &mut Tx, limit: i64) -> Result<BTreeMap<ClampId, Cause>, StoreError> {
    let rows: Vec<(Uuid, i64, String, Uuid)> = sqlx::query_as(
        "-- door.causes
         select p.clamp_id, p.position, l.kind, l.performed_by
         from (select clamp_id, max(cause_position) as position from pending_reassessment
               group by clamp_id order by clamp_id limit $1) as p
         join ledger as l on l.position = p.position order by p.clamp_id",
    )
    .bind(limit)
    .fetch_all(&mut **tx)
    .await?;
    Ok(rows
        .into_iter()
        .map(|(clamp, position, kind, by)| {
            (
                ClampId::new(clamp),
                Cause {
                    position,
                    kind,
                    by: PersonId::new(by),
                },
            )
        })
        .collect())
}
