//! How many clamps are out at an instant, by yard, reason, model and WLL band.
//!
//! Reads `out_period` yard by yard, so that the work grows with the clamps that are out in the caller's yards, not with
//! the fleet. Knows no fold.

use crate::clamps::{AsOf, end_of_day_in};
use crate::tx::ReadTx;
use crate::{Store, StoreError};
use clampward_domain::ids::{ModelId, YardId};
use clampward_domain::out_period::OutKind;
use clampward_domain::reference::{Reference, YardScope};
use clampward_domain::wll_band::WllBand;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::{Postgres, QueryBuilder};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// Most groups of one answer.
pub const MAX_GROUPS: usize = 20_000;
/// Up to so many clamps that wait to be reassessed are counted; more are told as this number.
const MAX_REASSESSING: i64 = 10_000;

/// What clamps are grouped by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GroupBy {
    /// The yard.
    Yard,
    /// What the lock-outs are for, or why it is not fit.
    Reason,
    /// The model.
    Model,
    /// The band of its WLL.
    WllBand,
}

/// Clamps that are out, by the way in which they are; each counts in one column.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OutCounts {
    /// A lock-out bars them.
    pub tagged_out: u64,
    /// Nothing but an overdue inspection is in their way.
    pub overdue: u64,
    /// They wait for their first inspection.
    pub awaiting_initial_inspection: u64,
    /// Idle too long, or special service without direction.
    pub not_fit: u64,
}

impl OutCounts {
    fn add(&mut self, kind: OutKind, clamps: u64) {
        let column = match kind {
            OutKind::TaggedOut => &mut self.tagged_out,
            OutKind::Overdue => &mut self.overdue,
            OutKind::AwaitingInitialInspection => &mut self.awaiting_initial_inspection,
            OutKind::NotFit => &mut self.not_fit,
        };
        *column = column.saturating_add(clamps);
    }
    /// All of them.
    pub fn all(&self) -> u64 {
        [
            self.tagged_out,
            self.overdue,
            self.awaiting_initial_inspection,
            self.not_fit,
        ]
        .into_iter()
        .fold(0, u64::saturating_add)
    }
}

/// One group; a key is there if it was grouped by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutGroup {
    /// The yard.
    pub yard: Option<YardId>,
    /// The reason.
    pub reason: Option<String>,
    /// The model.
    pub model: Option<ModelId>,
    /// The band.
    pub wll_band: Option<WllBand>,
    /// How many.
    pub counts: OutCounts,
}

/// The report.
#[derive(Clone, Debug)]
pub struct OutOfService {
    /// The groups, in no particular order.
    pub groups: Vec<OutGroup>,
    /// Whether there were more than [`MAX_GROUPS`], so that not all are here.
    pub is_cut: bool,
    /// Each clamp once.
    pub total: OutCounts,
    /// Clamps in the caller's yards that wait to be computed again: they are counted as they were before.
    pub reassessing: u64,
    /// Highest position of the ledger that is counted.
    pub position: u64,
    /// When it was read.
    pub generated_at: Timestamp,
    /// Names of yards and models.
    pub reference: Arc<Reference>,
}

#[derive(sqlx::FromRow)]
struct Row {
    yard_id: Option<Uuid>,
    reason: Option<String>,
    model_id: Option<Uuid>,
    wll_band: Option<String>,
    kind: String,
    clamps: i64,
    clamps_once: i64,
}

impl Store {
    /// Clamps in these yards that are out now or were out at `as_of`, as far as is known now.
    pub async fn out_of_service(
        &self,
        yards: &YardScope,
        group_by: &[GroupBy],
        as_of: Option<AsOf>,
    ) -> Result<OutOfService, StoreError> {
        let generated_at = self.now();
        let mut tx = self.read_moment(yards).await?;
        let (position, version): (i64, i64) =
            sqlx::query_as("-- reports.head\nselect position, reference_version from ledger_head")
                .fetch_one(&mut *tx)
                .await?;
        let reference = self.snapshot(&mut tx, version.unsigned_abs()).await?;
        let asked = instants(yards, &reference, as_of, generated_at);
        let rows = count(&mut tx, group_by, asked).await?;
        let reassessing: i64 = sqlx::query_scalar(
            "-- reports.reassessing
             select count(distinct p.clamp_id) from (select clamp_id from pending_reassessment limit $1) as p",
        )
        .bind(MAX_REASSESSING)
        .fetch_one(&mut *tx)
        .await?;
        tx.finish().await?;
        let mut report = OutOfService {
            groups: Vec::new(),
            is_cut: false,
            total: OutCounts::default(),
            reassessing: reassessing.unsigned_abs(),
            position: position.unsigned_abs(),
            generated_at,
            reference,
        };
        gather(rows, &mut report)?;
        Ok(report)
    }
}

/// The yards that are looked into, each with its instant.
fn instants(
    yards: &YardScope,
    reference: &Reference,
    as_of: Option<AsOf>,
    now: Timestamp,
) -> (Vec<Uuid>, Vec<SqlTimestamp>) {
    let at = |yard: YardId| match as_of {
        None => now,
        Some(AsOf::Instant(instant)) => instant,
        Some(AsOf::EndOf(day)) => end_of_day_in(reference, Some(yard), day),
    };
    reference
        .yards
        .keys()
        .filter(|yard| yards.covers(**yard))
        .map(|yard| (yard.uuid(), at(*yard).to_sqlx()))
        .unzip()
}

/// Counts in the database, a row per group and kind. `clamps_once` leaves out what counts in another group already.
///
/// Each yard's periods are counted by what stands in their index before anything is grouped, so that only a few rows
/// per yard meet the names of groups.
async fn count(
    tx: &mut ReadTx,
    group_by: &[GroupBy],
    (yards, instants): (Vec<Uuid>, Vec<SqlTimestamp>),
) -> Result<Vec<Row>, StoreError> {
    let by = |wanted: GroupBy| group_by.contains(&wanted);
    let key = |wanted: GroupBy, there: &'static str, absent: &'static str| {
        if by(wanted) { there } else { absent }
    };
    let mut query = QueryBuilder::<Postgres>::new("-- reports.out_of_service\nselect ");
    query.push(key(GroupBy::Yard, "y.yard_id", "null::uuid as yard_id"));
    query.push(key(GroupBy::Reason, ", r.reason", ", null::text as reason"));
    query.push(key(GroupBy::Model, ", p.model_id", ", null::uuid as model_id"));
    if by(GroupBy::WllBand) {
        query.push(", ").push(BAND).push(" as wll_band");
    } else {
        query.push(", null::text as wll_band");
    }
    query.push(key(
        GroupBy::Yard,
        ", p.kind, sum(p.clamps)::bigint as clamps",
        ", p.kind, sum(p.once)::bigint as clamps",
    ));
    query.push(key(
        GroupBy::Reason,
        ", coalesce(sum(p.once) filter (where r.place = 1), 0)::bigint as clamps_once",
        ", sum(p.once)::bigint as clamps_once",
    ));
    query.push(
        "
          from unnest($1::uuid[], $2::timestamptz[]) as y(yard_id, asked_at)
         cross join lateral (",
    );
    let raw = [
        key(GroupBy::Reason, ", p.reasons", ""),
        key(GroupBy::Model, ", p.model_id", ""),
        key(GroupBy::WllBand, ", p.wll_kg", ""),
    ]
    .concat();
    for (index, (which, once)) in PERIODS.into_iter().enumerate() {
        if index > 0 {
            query.push(" union all ");
        }
        query.push(format!(
            "select p.kind{raw}, count(*) as clamps, {once} as once from out_period as p
              where p.yard_id = y.yard_id and {which} and p.starts_at <= y.asked_at and p.ends_at > y.asked_at
              group by p.kind{raw}"
        ));
    }
    query.push(") as p");
    if by(GroupBy::Reason) {
        query.push(" cross join lateral unnest(p.reasons) with ordinality as r(reason, place)");
    }
    query.push(format!(" group by 1, 2, 3, 4, p.kind limit {}", row_limit()));
    Ok(query
        .build_query_as()
        .bind(yards)
        .bind(instants)
        .fetch_all(&mut **tx)
        .await?)
}

/// The periods by the index that has them (`migrations/0034_out_period_indexes.sql`), and how each counts its clamps once:
/// of the yards that a clamp in doubt is counted in, the first one.
const PERIODS: [(&str, &str); 3] = [
    (
        "p.foreseen and not p.in_doubt and cardinality(p.reasons) <= 8",
        "count(*)",
    ),
    (
        "not p.foreseen and not p.in_doubt and cardinality(p.reasons) <= 8",
        "count(*)",
    ),
    (
        "(p.in_doubt or cardinality(p.reasons) > 8)",
        "count(*) filter (where not p.in_doubt or not exists (
          select from unnest($1::uuid[], $2::timestamptz[]) as z(yard_id, asked_at)
            join out_period as q on q.clamp_id = p.clamp_id and q.yard_id = z.yard_id
             and q.starts_at <= z.asked_at and q.ends_at > z.asked_at
           where z.yard_id < y.yard_id))",
    ),
];

/// One row more than the groups of an answer can have.
fn row_limit() -> usize {
    MAX_GROUPS.saturating_mul(OutKind::ALL.len()).saturating_add(1)
}

/// The band of a WLL, as [`WllBand::of`] says it.
const BAND: &str = "case when p.wll_kg is null then 'unknown' when p.wll_kg <= 1000 then 'up_to_1_t'
      when p.wll_kg <= 3000 then 'over_1_to_3_t' when p.wll_kg <= 5000 then 'over_3_to_5_t'
      when p.wll_kg <= 10000 then 'over_5_to_10_t' else 'over_10_t' end";

type Key = (Option<Uuid>, Option<String>, Option<Uuid>, Option<WllBand>);

fn gather(rows: Vec<Row>, report: &mut OutOfService) -> Result<(), StoreError> {
    report.is_cut = rows.len() >= row_limit();
    let mut groups: BTreeMap<Key, OutCounts> = BTreeMap::new();
    for row in rows {
        let unknown = |column: &'static str, word: &str| StoreError::Inconsistent {
            table: "out_period",
            column,
            id: row.yard_id.unwrap_or_default(),
            detail: format!("{word:?} is no word of this column"),
        };
        let kind = OutKind::from_code(&row.kind).ok_or_else(|| unknown("kind", &row.kind))?;
        let band = row
            .wll_band
            .as_deref()
            .map(|word| WllBand::from_code(word).ok_or_else(|| unknown("wll_kg", word)))
            .transpose()?;
        report.total.add(kind, row.clamps_once.unsigned_abs());
        let key = (row.yard_id, row.reason, row.model_id, band);
        groups
            .entry(key)
            .or_default()
            .add(kind, row.clamps.unsigned_abs());
    }
    report.is_cut |= groups.len() > MAX_GROUPS;
    report.groups = groups
        .into_iter()
        .map(|((yard, reason, model, wll_band), counts)| OutGroup {
            yard: yard.map(YardId::new),
            reason,
            model: model.map(ModelId::new),
            wll_band,
            counts,
        })
        .filter(|group| group.counts.all() > 0)
        .collect();
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_bands_in_sql_are_those_of_the_domain() {
        for band in WllBand::ALL {
            assert!(BAND.contains(&format!("'{band}'")), "{band}");
            if let (_, Some(tonnes)) = band.bounds() {
                assert!(BAND.contains(&format!("<= {tonnes}000 then '{band}'")), "{band}");
            }
        }
    }
}
