//! Holding the clamps that are there when a bulletin is opened: one after the other by id, part by part.

use crate::door::{
    Author, Mode, NewEntry, RecordError, Recording, Subject, lock_clamps, look_up, record_locked,
};
use crate::reference::{ReferenceRow, record as record_reference};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::bulletin::{BulletinScope, Matcher, Opened, covers, hold, hold_id};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::{BulletinId, ClampId, EntryId, PersonId, derived_entry_id};
use clampward_domain::mark::exact_key;
use clampward_domain::reference::{Reference, YardScope};
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use sqlx::PgConnection;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use uuid::Uuid;

/// Clamps that are looked at in one transaction: while it writes, whoever else writes to the ledger waits.
const PART: i64 = 250;

/// What one step came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct HeldPart {
    /// Clamps that were held.
    pub held: u64,
    /// Whether there is more to do at once.
    pub has_more: bool,
}

impl Store {
    /// Goes on with a bulletin that is being carried out, if nobody else is at it; those that stop use first.
    pub async fn hold_for_bulletins(&self) -> Result<HeldPart, RecordError> {
        let go_on = |except, part| GoOn {
            store: self,
            except,
            part,
        };
        without_what_fails(self, "bulletins.hold", PART, go_on).await
    }
}

/// Does a step again without the holds that the door refuses, which are noted with it: one clamp that cannot be held must not
/// keep the others free. What fails for another reason is done clamp by clamp, so that all before it are held, and then passed
/// over and noted if it is the data that are at fault.
pub(super) async fn without_what_fails<C>(
    store: &Store,
    name: &'static str,
    part: i64,
    step: impl Fn(Except, i64) -> C,
) -> Result<HeldPart, RecordError>
where
    C: Command<Output = HeldPart, Error = RecordError>,
{
    let mut except = Except::default();
    let mut size = part;
    loop {
        let error = match store.run_command(name, &step(except.clone(), size)).await {
            Ok(done) => return Ok(done),
            Err(error) => error,
        };
        let refused = match &error {
            RecordError::NotFound { entry }
            | RecordError::IdReused { entry }
            | RecordError::Refused { entry, .. }
            | RecordError::NumberTaken { entry }
            | RecordError::Malformed { entry, .. } => *entry,
            RecordError::Store(fault) if fault.is_of_the_data() && size > 1 => {
                size = 1;
                continue;
            }
            RecordError::Store(fault) if fault.is_of_the_data() && !except.passes_over => {
                tracing::error!(event = "bulletin_clamp_unreadable", %error, "a clamp cannot be read: keep it from use by hand");
                except.passes_over = true;
                continue;
            }
            RecordError::TooMany(_) | RecordError::Store(_) => return Err(error),
        };
        if !except.holds.insert(refused) {
            return Err(error);
        }
        tracing::error!(event = "bulletin_hold_failed", entry = %refused, %error, "a clamp in scope of a bulletin cannot be held: keep it from use by hand");
    }
}

/// What a step leaves out.
#[derive(Clone, Debug, Default)]
pub(super) struct Except {
    /// Holds that the door refuses.
    pub(super) holds: BTreeSet<EntryId>,
    /// Whether the next clamp is passed over without a look.
    pub(super) passes_over: bool,
}

struct GoOn<'a> {
    store: &'a Store,
    except: Except,
    part: i64,
}

impl Command for GoOn<'_> {
    type Output = HeldPart;
    type Error = RecordError;

    async fn attempt(&self, tx: &mut Tx) -> Result<HeldPart, RecordError> {
        let next: Option<(Uuid, Uuid)> = sqlx::query_as(
            "-- bulletins.next
             select h.bulletin_id, h.reached from bulletin_hold as h join bulletin as b on b.id = h.bulletin_id
              where h.done_at is null
              order by b.body ->> 'class' = 'stop_use' desc, b.position limit 1 for no key update of h skip locked",
        )
        .fetch_optional(&mut **tx)
        .await?;
        let Some((id, reached)) = next else {
            return Ok(HeldPart::default());
        };
        let reference = self.store.reference_in(tx).await?;
        let id = BulletinId::new(id);
        let opened = known(&reference, id)?;
        let clamps = candidates(tx, &opened.bulletin.scope, reached, self.part).await?;
        let Some(last) = clamps.last().copied() else {
            done(tx, id, opened, &reference).await?;
            return Ok(HeldPart {
                held: 0,
                has_more: true,
            });
        };
        let mut held = 0;
        if self.except.passes_over {
            note_failed(tx, id, last).await?;
        } else {
            let mut subjects = lock_clamps(tx, clamps).await?;
            let matcher = Matcher::of(&opened.bulletin.scope);
            let mut wanted = Vec::new();
            for subject in subjects.values_mut() {
                subject.bring_up_to_date(tx, &reference).await?;
                let found = Wanted::of((id, opened, &matcher), &subject.state, &reference, tx.now());
                wanted.extend(found.map(|wanted| wanted.since_the_opening(opened)));
            }
            held = record(tx, &reference, subjects, wanted, &self.except)
                .await?
                .clamps;
        }
        sqlx::query("-- bulletins.reached\nupdate bulletin_hold set reached = $2 where bulletin_id = $1")
            .bind(id.uuid())
            .bind(last)
            .execute(&mut **tx)
            .await?;
        Ok(HeldPart { held, has_more: true })
    }
}

/// Records that every clamp that was there has been gone through: from now on the holds alone bar.
async fn done(tx: &mut Tx, id: BulletinId, opened: &Opened, reference: &Reference) -> Result<(), StoreError> {
    let row = ReferenceRow {
        id: derived_entry_id(&["bulletin_held", &id.to_string()]).uuid(),
        subject: id.uuid(),
        kind: "bulletin_held",
        by: opened.opened_by,
        version: None,
        body: &serde_json::Map::new(),
    };
    let place = record_reference(tx, &row, Vec::new(), reference.version).await?;
    sqlx::query(
        "-- bulletins.done\nupdate bulletin_hold set done_at = $2, held_position = $3 where bulletin_id = $1",
    )
    .bind(id.uuid())
    .bind(place.recorded_at.to_sqlx())
    .bind(place.position.cast_signed())
    .execute(&mut **tx)
    .await?;
    tracing::info!(event = "bulletin_carried_out", bulletin = %id, "every clamp that was there has been gone through");
    Ok(())
}

/// Notes a clamp that could not be held.
pub(super) async fn note_failed(tx: &mut Tx, bulletin: BulletinId, clamp: Uuid) -> Result<(), StoreError> {
    sqlx::query(
        "-- bulletins.failed
         update bulletin_hold set failed = failed || $2 where bulletin_id = $1 and not ($2 = any (failed))",
    )
    .bind(bulletin.uuid())
    .bind(clamp)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// A bulletin of the snapshot.
fn known(reference: &Reference, id: BulletinId) -> Result<&Opened, StoreError> {
    reference
        .bulletins
        .get(&id)
        .ok_or_else(|| StoreError::Inconsistent {
            table: "bulletin_hold",
            column: "bulletin_id",
            id: id.uuid(),
            detail: "no bulletin of this id is recorded".to_owned(),
        })
}

/// A clamp that is to be held.
pub(super) struct Wanted {
    pub(super) bulletin: BulletinId,
    by: PersonId,
    registered_at: Timestamp,
    entry: NewEntry,
}

impl Wanted {
    /// Of a clamp that is in scope and not retired: held from now on.
    pub(super) fn of(
        (id, opened, matcher): (BulletinId, &Opened, &Matcher<'_>),
        state: &ClampState,
        reference: &Reference,
        now: Timestamp,
    ) -> Option<Self> {
        let registered_at = state.registration.as_ref()?.at;
        if state.retirement().is_some() || !opened.catches(registered_at) {
            return None;
        }
        let because = covers(matcher, state, reference, now)?;
        Some(Self {
            bulletin: id,
            by: opened.opened_by,
            registered_at,
            entry: NewEntry {
                id: hold_id(id, state.clamp),
                clamp_id: state.clamp,
                performed_at: now,
                performed_by: opened.opened_by,
                judged_by: None,
                body: hold(id, &opened.bulletin, because),
            },
        })
    }

    /// The same of a clamp that was there when the bulletin was opened: held from then on.
    fn since_the_opening(self, opened: &Opened) -> Self {
        let performed_at = opened.holds_from(self.registered_at);
        Self {
            entry: NewEntry {
                performed_at,
                ..self.entry
            },
            ..self
        }
    }
}

/// What recording holds came to.
pub(super) struct Held {
    pub(super) clamps: u64,
    /// Whether those of every bulletin are recorded: of several, one's are in a transaction.
    pub(super) is_all: bool,
}

/// Records the holds of one bulletin about clamps under lock, for whoever opened it. What is recorded already is left out; of
/// what cannot be recorded that is noted.
pub(super) async fn record(
    tx: &mut Tx,
    reference: &Arc<Reference>,
    mut subjects: BTreeMap<ClampId, Subject>,
    mut wanted: Vec<Wanted>,
    except: &Except,
) -> Result<Held, RecordError> {
    let ids: Vec<Uuid> = wanted.iter().map(|one| one.entry.id.uuid()).collect();
    let known = look_up(tx, &ids).await?;
    wanted.retain(|one| !known.contains_key(&one.entry.id));
    let (failed, mut wanted): (Vec<_>, Vec<_>) = wanted
        .into_iter()
        .partition(|one| except.holds.contains(&one.entry.id));
    for one in failed {
        note_failed(tx, one.bulletin, one.entry.clamp_id.uuid()).await?;
    }
    let Some((bulletin, by)) = wanted.first().map(|one| (one.bulletin, one.by)) else {
        return Ok(Held {
            clamps: 0,
            is_all: true,
        });
    };
    let all = wanted.len();
    wanted.retain(|one| one.bulletin == bulletin);
    let is_all = wanted.len() == all;
    let entries: Vec<NewEntry> = wanted.into_iter().map(|one| one.entry).collect();
    let clamps: BTreeSet<ClampId> = entries.iter().map(|entry| entry.clamp_id).collect();
    subjects.retain(|clamp, _| clamps.contains(clamp));
    let recording = Recording {
        author: Author {
            person: by,
            signed: true,
            device: None,
            yards: YardScope::All,
        },
        mode: Mode::Record,
        entries,
    };
    let held: Vec<Uuid> = clamps.iter().map(|clamp| clamp.uuid()).collect();
    let clamps = record_locked(tx, Arc::clone(reference), subjects, recording).await?;
    // What failed before has not any more.
    sqlx::query(
        "-- bulletins.not_failed
         update bulletin_hold set failed = array(select f.id from unnest(failed) as f(id) where f.id <> all ($2))
          where bulletin_id = $1 and failed && $2",
    )
    .bind(bulletin.uuid())
    .bind(held)
    .execute(&mut **tx)
    .await?;
    Ok(Held { clamps, is_all })
}

/// Clamps after an id that a scope may be about: the others are known to be of another maker or model. Those of which that is
/// in doubt are among them.
pub(super) async fn candidates(
    connection: &mut PgConnection,
    scope: &BulletinScope,
    after: Uuid,
    limit: i64,
) -> Result<Vec<Uuid>, StoreError> {
    let models: Option<Vec<Uuid>> =
        (!scope.models.is_empty()).then(|| scope.models.iter().map(|model| model.uuid()).collect());
    Ok(sqlx::query_scalar(
        "-- bulletins.candidates
         select c.id from clamp as c
          where c.id > $1 and c.retired_at is null
            and ((($2::uuid[] is null or c.model_id = any($2)) and ($3::text is null or c.maker_key = $3))
                 or c.model_id is null or c.maker_key is null
                 or exists (select from pending_reassessment as p where p.clamp_id = c.id)
                 or exists (select from lockout as l
                             where l.clamp_id = c.id and l.closed_at is null and l.reason in ('rating_in_doubt', 'identity_in_doubt')))
          order by c.id limit $4",
    )
    .bind(after)
    .bind(models)
    .bind(scope.maker.as_deref().filter(|_| scope.models.is_empty()).map(exact_key))
    .bind(limit)
    .fetch_all(connection)
    .await?)
}
