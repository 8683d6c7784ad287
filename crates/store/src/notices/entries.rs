//! Reading the ledger on: what each entry has people told, and what it settles.

use super::Raised;
use super::clamps;
use super::raise::{ToTell, raise};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::Entry;
use clampward_domain::ids::{BulletinId, DeviceId, EntryId, YardId};
use clampward_domain::judge::Outcome;
use clampward_domain::notice::{NoticeKind, Occasion, of_bulletin, of_entry, of_held_entry, settled_paper};
use clampward_domain::reference::Reference;
use clampward_domain::words::EntryKind;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// For how long what is over is worth telling, by when it counts: a tablet may have been in a drawer.
const NEWS_FOR: SignedDuration = SignedDuration::from_hours(30 * 24);
/// Rows that are read in one transaction.
const ROWS: i64 = 500;

#[derive(sqlx::FromRow)]
struct Row {
    position: i64,
    id: Uuid,
    stream: Uuid,
    kind: String,
    bytes: Vec<u8>,
    outcome: Option<Vec<u8>>,
    yards: Vec<Uuid>,
}

impl Store {
    /// Reads the ledger on and raises what follows; nothing if somebody else is at it.
    pub async fn notices_of_entries(&self) -> Result<Option<Raised>, StoreError> {
        self.run_command("notices.of_entries", &ReadOn { store: self })
            .await
    }
}

struct ReadOn<'a> {
    store: &'a Store,
}

impl Command for ReadOn<'_> {
    type Output = Option<Raised>;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Self::Output, StoreError> {
        let from: Option<i64> = sqlx::query_scalar(
            "-- notices.reader\nselect position from ledger_reader where name = 'notices' for no key update skip locked",
        )
        .fetch_optional(&mut **tx)
        .await?;
        let Some(from) = from else { return Ok(None) };
        let rows: Vec<Row> = sqlx::query_as(
            "-- notices.rows
             select position, id, stream, kind, bytes, outcome, yards from ledger where position > $1
              order by position limit $2",
        )
        .bind(from)
        .bind(ROWS)
        .fetch_all(&mut **tx)
        .await?;
        let Some(last) = rows.last().map(|row| row.position) else {
            return Ok(Some(Raised::default()));
        };
        let reference = self.store.reference_in(tx).await?;
        let mut read = Read::default();
        for row in &rows {
            read.take(row, &reference, tx).await?;
        }
        let notices = read.tell(tx, &reference).await?;
        sqlx::query("-- notices.read_on\nupdate ledger_reader set position = $1 where name = 'notices'")
            .bind(last)
            .execute(&mut **tx)
            .await?;
        let count = u64::try_from(rows.len()).unwrap_or(u64::MAX);
        Ok(Some(Raised {
            rows: count,
            notices,
            has_more: count >= ROWS.unsigned_abs(),
        }))
    }
}

#[derive(Default)]
struct Read {
    occasions: Vec<Occasion>,
    clamps: BTreeSet<Uuid>,
    released: BTreeSet<Uuid>,
    closed: Vec<Uuid>,
    papers: BTreeMap<(Uuid, &'static str), Timestamp>,
}

impl Read {
    async fn take(&mut self, row: &Row, reference: &Reference, tx: &mut Tx) -> Result<(), StoreError> {
        if row.kind.parse::<EntryKind>().is_ok() {
            self.clamps.insert(row.stream);
            // One that cannot be read, because the database is damaged or a later version wrote it, must not keep everybody
            // from being told of everything after it.
            let (entry, outcome) = match read(row) {
                Ok(read) => read,
                Err(error) => {
                    tracing::error!(event = "entry_not_told", entry = %row.id, %error, "an entry cannot be read: nobody is told of it");
                    return Ok(());
                }
            };
            self.released
                .extend(outcome.closed.iter().map(|lockout| lockout.uuid()));
            if let Some(paper) = settled_paper(&entry) {
                let recorded = self
                    .papers
                    .entry((row.stream, paper.code()))
                    .or_insert(entry.counted_at);
                *recorded = entry.counted_at.max(*recorded);
            }
            let yards: Vec<YardId> = row.yards.iter().copied().map(YardId::new).collect();
            self.occasions
                .extend(of_entry(&entry, &outcome, &yards, reference, tx.now()));
        } else if row.kind == "held" {
            self.occasions.extend(held(tx, row.id).await?);
        } else if row.kind == "bulletin" {
            let id = BulletinId::new(row.stream);
            // One that is closed by now is told of all the same: its clamps were held.
            if let Some(opened) = reference.bulletins.get(&id) {
                let yards: Vec<YardId> = reference.yards.keys().copied().collect();
                self.occasions.extend(of_bulletin(id, opened, &yards, reference));
            }
        } else if row.kind == "bulletin_closed" {
            self.closed.push(row.stream);
        }
        Ok(())
    }

    async fn tell(mut self, tx: &mut Tx, reference: &Reference) -> Result<u64, StoreError> {
        let now = tx.now();
        self.forget_history(tx, now).await?;
        let clamps: Vec<Uuid> = self.clamps.iter().copied().collect();
        let rows = clamps::by_id(tx, &clamps).await?;
        let due: Vec<Occasion> = rows
            .iter()
            .flat_map(|row| row.occasions(reference, now, &|_| true))
            .collect();
        settle_dates(tx, &clamps, &due).await?;
        self.occasions.extend(due);
        let notices = raise(
            tx,
            self.occasions.into_iter().map(ToTell::from).collect(),
            reference,
        )
        .await?;
        // Last: what was opened and released meanwhile is told, and over.
        settle_lockouts(tx, &self.released.into_iter().collect::<Vec<_>>()).await?;
        settle_bulletins(tx, &self.closed).await?;
        settle_papers(tx, &self.papers).await?;
        Ok(notices)
    }
}

fn read(row: &Row) -> Result<(Entry, Outcome), StoreError> {
    let entry = crate::clamps::entries::parse(row.id, &row.bytes)?;
    let outcome = match &row.outcome {
        Some(bytes) => serde_json::from_slice(bytes)?,
        None => Outcome::default(),
    };
    Ok((entry, outcome))
}

impl Read {
    /// Leaves out what is long ago and over: whoever brings years of history in does not have everybody told of them. What
    /// bars a clamp is told however long it does.
    async fn forget_history(&mut self, tx: &mut Tx, now: Timestamp) -> Result<(), StoreError> {
        let is_old = |occasion: &Occasion| now.duration_since(occasion.since) > NEWS_FOR;
        let waits = |occasion: &Occasion| {
            matches!(
                occasion.kind,
                NoticeKind::HeldEntryWaiting | NoticeKind::BulletinOpened
            )
        };
        let old: Vec<Uuid> = self
            .occasions
            .iter()
            .filter(|occasion| is_old(occasion))
            .map(|occasion| occasion.subject)
            .collect();
        if old.is_empty() {
            return Ok(());
        }
        let open: Vec<Uuid> = sqlx::query_scalar(
            "-- notices.still_open\nselect id from lockout where id = any($1) and closed_at is null",
        )
        .bind(&old)
        .fetch_all(&mut **tx)
        .await?;
        self.occasions
            .retain(|occasion| !is_old(occasion) || waits(occasion) || open.contains(&occasion.subject));
        Ok(())
    }
}

/// What there is to tell of a held entry that still waits.
async fn held(tx: &mut Tx, id: Uuid) -> Result<Option<Occasion>, StoreError> {
    let row: Option<(Uuid, Vec<Uuid>, String, jiff_sqlx::Timestamp)> = sqlx::query_as(
        "-- notices.held\nselect device_id, yards, detail, received_at from held_entry where id = $1 and state = 'held'",
    )
    .bind(id)
    .fetch_optional(&mut **tx)
    .await?;
    Ok(row.map(|(device, yards, detail, received_at)| {
        let yards: Vec<YardId> = yards.into_iter().map(YardId::new).collect();
        let device = Some(DeviceId::new(device));
        of_held_entry(EntryId::new(id), device, &yards, received_at.to_jiff(), &detail)
    }))
}

/// Other dates than those that are still to be told are over, and those told in a yard that the clamp left.
async fn settle_dates(tx: &mut Tx, clamps: &[Uuid], due: &[Occasion]) -> Result<(), StoreError> {
    if clamps.is_empty() {
        return Ok(());
    }
    sqlx::query(
        "-- notices.settle_dates
         update notice set settled_at = $3, escalates_at = null
          where clamp_id = any($1) and settled_at is null
            and kind in ('inspection_due_soon', 'inspection_overdue', 'not_presented')
            and (subject <> all($2)
                 or not exists (select from clamp as c where c.id = notice.clamp_id and c.yards && notice.yards))",
    )
    .bind(clamps)
    .bind(due.iter().map(|occasion| occasion.subject).collect::<Vec<_>>())
    .bind(tx.now().to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// A paper that is recorded is asked for no more: for what counts from before it. A later repair needs its own.
async fn settle_papers(
    tx: &mut Tx,
    papers: &BTreeMap<(Uuid, &'static str), Timestamp>,
) -> Result<(), StoreError> {
    if papers.is_empty() {
        return Ok(());
    }
    let (clamps, whats): (Vec<Uuid>, Vec<&str>) = papers.keys().copied().unzip();
    let times: Vec<_> = papers.values().map(|at| at.to_sqlx()).collect();
    sqlx::query(
        "-- notices.settle_papers
         update notice as n set settled_at = $3, escalates_at = null
           from unnest($1::uuid[], $2::text[], $4::timestamptz[]) as p(clamp_id, what, recorded_at)
          where n.clamp_id = p.clamp_id and n.kind = 'paper_missing' and n.about ->> 'what' = p.what
            and n.since <= p.recorded_at and n.settled_at is null",
    )
    .bind(clamps)
    .bind(whats)
    .bind(tx.now().to_sqlx())
    .bind(times)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// What bulletins that are closed had told is over.
async fn settle_bulletins(tx: &mut Tx, closed: &[Uuid]) -> Result<(), StoreError> {
    if closed.is_empty() {
        return Ok(());
    }
    sqlx::query(
        "-- notices.settle_bulletins
         update notice set settled_at = $2, escalates_at = null
          where kind in ('bulletin_opened', 'bulletin_not_accounted_for') and settled_at is null
            and about ->> 'bulletin_id' = any ($1)",
    )
    .bind(closed.iter().map(Uuid::to_string).collect::<Vec<_>>())
    .bind(tx.now().to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// What a released lock-out had told is over.
async fn settle_lockouts(tx: &mut Tx, lockouts: &[Uuid]) -> Result<(), StoreError> {
    if lockouts.is_empty() {
        return Ok(());
    }
    sqlx::query(
        "-- notices.settle_lockouts
         update notice set settled_at = $2, escalates_at = null
          where lockout_id = any($1) and settled_at is null
            and exists (select from lockout as l where l.id = notice.lockout_id and l.closed_at is not null)",
    )
    .bind(lockouts)
    .bind(tx.now().to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}
