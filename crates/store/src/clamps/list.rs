//! Lists of clamps, filtered by what the projection keeps: instants, compared with the instant asked about.

use super::{ClampNow, Knowledge};
use crate::projection::Columns;
use crate::{Store, StoreError};
use clampward_domain::ids::{BulletinId, ClampId, ModelId, YardId};
use clampward_domain::mark::{exact_key, look_alike_key};
use clampward_domain::reference::{Reference, YardScope};
use clampward_domain::words::Status;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use sqlx::{Postgres, QueryBuilder};
use std::sync::Arc;
use uuid::Uuid;

/// Most clamps of one page.
pub const MAX_PAGE: u32 = 200;
/// Clamps read at a time for a page.
const ROUND: u32 = 250;
/// Reads for one page.
const MAX_ROUNDS: u32 = 8;

/// What to list. Everything that is set must hold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClampFilter {
    /// In this yard.
    pub yard: Option<YardId>,
    /// With this status now.
    pub status: Option<Status>,
    /// With this mark; look-alikes are found too.
    pub mark: Option<String>,
    /// Of this maker.
    pub maker: Option<String>,
    /// Of this model.
    pub model: Option<ModelId>,
    /// With an inspection due before this instant.
    pub due_before: Option<Timestamp>,
    /// Fit now, or not.
    pub fit: Option<bool>,
    /// With an open lock-out for this reason or criterion.
    pub reason: Option<String>,
    /// Held by this bulletin.
    pub bulletin: Option<BulletinId>,
}

/// A page of clamps in the order of their ids.
#[derive(Clone, Debug)]
pub struct ClampPage {
    /// The clamps.
    pub clamps: Vec<ClampNow>,
    /// Where the next page starts, if there is one.
    pub next: Option<ClampId>,
}

/// Clamps as they were read, in the order of their ids.
#[derive(Debug)]
pub struct ReadClamps {
    /// The clamps.
    pub clamps: Vec<ReadClamp>,
    /// Where the next ones start, if there are any.
    pub next: Option<ClampId>,
}

/// A clamp as it was read: what its state says is for whoever has the time, on whatever thread.
#[derive(Debug)]
pub struct ReadClamp(Read);

#[derive(Debug)]
enum Read {
    /// As it is stored; the database has compared its columns.
    Stored(Box<Row>, Arc<Reference>),
    /// Computed anew because it waited for that: its columns may have been stale.
    Computed(Box<ClampNow>),
    /// It was looked at already.
    Passing(Box<ClampNow>),
}

impl From<ClampNow> for ReadClamp {
    /// A clamp that passes.
    fn from(clamp: ClampNow) -> Self {
        Self(Read::Passing(Box::new(clamp)))
    }
}

#[derive(Debug, sqlx::FromRow)]
struct Row {
    id: Uuid,
    state: String,
    seq: i64,
    clamp_position: i64,
    known_position: i64,
    known_at: jiff_sqlx::Timestamp,
    reference_version: i64,
    pending: bool,
}

impl ReadClamp {
    /// The clamp, if it passes the filter at this instant.
    pub fn passing(self, filter: &ClampFilter, now: Timestamp) -> Result<Option<ClampNow>, StoreError> {
        let clamp = match self.0 {
            Read::Passing(clamp) => return Ok(Some(*clamp)),
            Read::Stored(row, reference) => row.clamp(reference)?,
            Read::Computed(clamp) => {
                if !matches(&clamp, filter, now) {
                    return Ok(None);
                }
                *clamp
            }
        };
        Ok(passes(&clamp, filter, now).then_some(clamp))
    }
}

impl Row {
    fn clamp(self, reference: Arc<Reference>) -> Result<ClampNow, StoreError> {
        Ok(ClampNow {
            state: serde_json::from_str(&self.state)?,
            seq: self.seq.unsigned_abs(),
            position: self.clamp_position.unsigned_abs(),
            knowledge: Knowledge {
                position: self.known_position.unsigned_abs(),
                known_at: self.known_at.to_jiff(),
                reference_version: self.reference_version.unsigned_abs(),
            },
            reference,
        })
    }
}

impl Store {
    /// A page of the clamps in these yards that pass the filter, after a clamp (exclusive).
    ///
    /// The database narrows by instants, the domain decides about status and fitness. A page may be shorter than
    /// `limit` and have a next one all the same.
    pub async fn clamp_list(
        &self,
        yards: &YardScope,
        filter: &ClampFilter,
        after: Option<ClampId>,
        limit: u32,
    ) -> Result<ClampPage, StoreError> {
        let wanted = usize::try_from(limit.clamp(1, MAX_PAGE)).unwrap_or(1);
        let now = self.now();
        let mut clamps = Vec::new();
        let mut after = after;
        for _ in 0..MAX_ROUNDS {
            let read = self.rows(yards, filter, after, now, ROUND).await?;
            for row in read.rows {
                let id = ClampId::new(row.id);
                let listed = self.listed(row, yards).await?;
                if let Some(clamp) = listed
                    .map(|clamp| clamp.passing(filter, now))
                    .transpose()?
                    .flatten()
                {
                    if clamps.len() == wanted {
                        return Ok(ClampPage { clamps, next: after });
                    }
                    clamps.push(clamp);
                }
                after = Some(id);
            }
            if read.next.is_none() {
                return Ok(ClampPage { clamps, next: None });
            }
        }
        Ok(ClampPage { clamps, next: after })
    }

    /// The next clamps in these yards that the stored columns let pass, after a clamp (exclusive): what is to be read in
    /// bulk. Each has to be asked whether it passes.
    pub async fn clamps_in_bulk(
        &self,
        yards: &YardScope,
        filter: &ClampFilter,
        after: Option<ClampId>,
        limit: u32,
    ) -> Result<ReadClamps, StoreError> {
        let Rows { rows, next } = self.rows(yards, filter, after, self.now(), limit).await?;
        let mut clamps = Vec::with_capacity(rows.len());
        for row in rows {
            clamps.extend(self.listed(row, yards).await?);
        }
        Ok(ReadClamps { clamps, next })
    }

    async fn rows(
        &self,
        yards: &YardScope,
        filter: &ClampFilter,
        after: Option<ClampId>,
        now: Timestamp,
        limit: u32,
    ) -> Result<Rows, StoreError> {
        let mut tx = self.read(yards).await?;
        let rows: Vec<Row> = statement(filter, after, now, limit)
            .build_query_as()
            .fetch_all(&mut *tx)
            .await?;
        tx.finish().await?;
        let full = u32::try_from(rows.len()).is_ok_and(|count| count >= limit);
        let last = rows.last().map(|row| ClampId::new(row.id));
        Ok(Rows {
            rows,
            next: last.filter(|_| full),
        })
    }

    async fn listed(&self, row: Row, yards: &YardScope) -> Result<Option<ReadClamp>, StoreError> {
        let version = row.reference_version.unsigned_abs();
        let reference = self.reference_at_least(version).await?;
        if row.pending || reference.version != version {
            let computed = self.clamp_now(ClampId::new(row.id), yards).await?;
            return Ok(computed.map(|clamp| ReadClamp(Read::Computed(Box::new(clamp)))));
        }
        Ok(Some(ReadClamp(Read::Stored(Box::new(row), reference))))
    }
}

/// What came from the database, and where to go on if there may be more.
struct Rows {
    rows: Vec<Row>,
    next: Option<ClampId>,
}

fn statement(
    filter: &ClampFilter,
    after: Option<ClampId>,
    now: Timestamp,
    limit: u32,
) -> QueryBuilder<Postgres> {
    let now = now.to_sqlx();
    // The ledger's one row by its key: where a plan cannot do without a scan, all plans look alike, and the whole fleet is
    // sorted for each page. The limit stands in the text for the same reason: what it is decides the plan.
    let mut query = QueryBuilder::new(
        "-- clamps.list
         select c.id, c.state::text as state, h.seq, h.position as clamp_position, l.position as known_position,
         l.recorded_at as known_at, l.reference_version,
         exists (select from pending_reassessment as p where p.clamp_id = c.id) as pending
         from clamp as c join stream_head as h on h.stream = c.id join ledger_head as l on l.one where true",
    );
    if let Some(after) = after {
        query.push(" and c.id > ").push_bind(after.uuid());
    }
    // What is stored of a clamp that waits to be reassessed may be stale: it is computed anew and looked at then.
    query.push(" and (c.id = any(array(select p.clamp_id from pending_reassessment as p)) or (true");
    narrow(&mut query, filter, now);
    query.push(")) order by c.id limit ").push(limit);
    query
}

/// Leaves out what the stored columns show not to pass.
fn narrow(query: &mut QueryBuilder<Postgres>, filter: &ClampFilter, now: jiff_sqlx::Timestamp) {
    if let Some(yard) = filter.yard {
        query.push(" and c.yards @> ").push_bind(vec![yard.uuid()]);
    }
    if let Some(mark) = &filter.mark {
        query.push(" and (c.mark_key = ").push_bind(exact_key(mark));
        query
            .push(" or c.mark_look_alike_key = ")
            .push_bind(look_alike_key(mark))
            .push(")");
    }
    if let Some(maker) = &filter.maker {
        query.push(" and c.maker_key = ").push_bind(exact_key(maker));
    }
    if let Some(model) = filter.model {
        query.push(" and c.model_id = ").push_bind(model.uuid());
    }
    if let Some(before) = filter.due_before {
        query
            .push(" and c.retired_at is null and c.next_due_at < ")
            .push_bind(before.to_sqlx());
    }
    if let Some(status) = filter.status {
        push_status(query, status, now);
    }
    match filter.fit {
        // Whether it is fit the domain decides; barred or retired it is not.
        Some(true) => not_barred(query, now),
        Some(false) => {
            query
                .push(" and (c.fit_until is null or c.fit_until <= ")
                .push_bind(now)
                .push(")");
        }
        None => {}
    }
    if let Some(reason) = &filter.reason {
        query.push(" and exists (select from lockout as o where o.clamp_id = c.id and o.closed_at is null");
        query
            .push(" and coalesce(o.reason, o.criterion) = ")
            .push_bind(reason.clone())
            .push(")");
    }
    if let Some(bulletin) = filter.bulletin {
        query.push(" and exists (select from lockout as o where o.clamp_id = c.id and o.closed_at is null");
        query
            .push(" and o.bulletin_id = ")
            .push_bind(bulletin.uuid())
            .push(")");
    }
}

/// What the database compares, from the state itself: for a clamp whose columns may be stale.
fn matches(clamp: &ClampNow, filter: &ClampFilter, now: Timestamp) -> bool {
    let columns = Columns::of(&clamp.state, &clamp.reference, now);
    let open = clamp.state.open_lockouts();
    let is_due = |before: Timestamp| {
        columns.retired_at.is_none() && columns.next_due_at.is_some_and(|due| due.to_jiff() < before)
    };
    filter
        .yard
        .is_none_or(|yard| columns.yards.contains(&yard.uuid()))
        && filter.mark.as_ref().is_none_or(|mark| {
            columns.mark_key == Some(exact_key(mark))
                || columns.mark_look_alike_key == Some(look_alike_key(mark))
        })
        && filter
            .maker
            .as_ref()
            .is_none_or(|maker| columns.maker_key == Some(exact_key(maker)))
        && filter
            .model
            .is_none_or(|model| columns.model_id == Some(model.uuid()))
        && filter.due_before.is_none_or(is_due)
        && filter.reason.as_ref().is_none_or(|reason| {
            open.iter().any(|lockout| {
                lockout
                    .reason
                    .map(|known| known.code().to_owned())
                    .or_else(|| lockout.criterion.as_ref().map(ToString::to_string))
                    .as_ref()
                    == Some(reason)
            })
        })
        && filter
            .bulletin
            .is_none_or(|bulletin| open.iter().any(|lockout| lockout.bulletin == Some(bulletin)))
}

/// Whether the state really has the status and fitness asked for.
fn passes(clamp: &ClampNow, filter: &ClampFilter, now: Timestamp) -> bool {
    if filter.status.is_none() && filter.fit.is_none() {
        return true;
    }
    let standing = clamp.standing(now);
    filter.status.is_none_or(|status| standing.status == status)
        && filter.fit.is_none_or(|fit| standing.fit == fit)
}

/// The statuses exclude one another in this order: retired, tagged out, awaiting the first inspection, in service.
fn push_status(query: &mut QueryBuilder<Postgres>, status: Status, now: jiff_sqlx::Timestamp) {
    match status {
        Status::Retired => {
            query.push(" and c.retired_at is not null");
        }
        Status::TaggedOut => {
            query
                .push(" and c.retired_at is null and c.bars_from <= ")
                .push_bind(now);
        }
        // Whoever waits is not fit; whether a clamp that is not fit waits, its state tells.
        Status::AwaitingInitialInspection => {
            not_barred(query, now);
            query
                .push(" and (c.fit_until is null or c.fit_until <= ")
                .push_bind(now)
                .push(")");
        }
        Status::InService => not_barred(query, now),
    }
}

fn not_barred(query: &mut QueryBuilder<Postgres>, now: jiff_sqlx::Timestamp) {
    query
        .push(" and c.retired_at is null and (c.bars_from is null or c.bars_from > ")
        .push_bind(now)
        .push(")");
}
