//! How old the lock-outs are that bar clamps now, by yard, reason and age.
//!
//! Reads open lock-outs and no others.

use crate::{Store, StoreError};
use clampward_domain::ids::YardId;
use clampward_domain::reference::{Reference, YardScope};
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use std::sync::Arc;
use uuid::Uuid;

/// Lock-outs of one reason and about one age in a yard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AgeGroup {
    /// The yard.
    pub yard: YardId,
    /// The criterion or reason.
    pub reason: String,
    /// Which band: its number in [`AGE_BANDS`].
    pub band: usize,
    /// Lock-outs.
    pub lockouts: u64,
    /// Clamps that they bar.
    pub clamps: u64,
    /// Since when the oldest of them bars.
    pub oldest: Timestamp,
}

/// The bands: more than so many days, up to so many; the last one has no end.
pub const AGE_BANDS: [(u16, Option<u16>); 5] = [
    (0, Some(7)),
    (7, Some(14)),
    (14, Some(30)),
    (30, Some(90)),
    (90, None),
];

/// The report.
#[derive(Clone, Debug)]
pub struct LockoutAgeing {
    /// By yard, reason and band.
    pub groups: Vec<AgeGroup>,
    /// Clamps that any lock-out bars, each once.
    pub clamps: u64,
    /// When it was read.
    pub generated_at: Timestamp,
    /// Names of yards.
    pub reference: Arc<Reference>,
}

type Row = (Uuid, String, i32, i64, i64, SqlTimestamp);

impl Store {
    /// Lock-outs that bar live clamps in these yards now.
    pub async fn lockout_ageing(&self, yards: &YardScope) -> Result<LockoutAgeing, StoreError> {
        let generated_at = self.now();
        let mut tx = self.read_moment(yards).await?;
        let reference = super::reference_at(self, &mut tx).await?;
        let seen: Vec<Uuid> = reference
            .yards
            .keys()
            .filter(|yard| yards.covers(**yard))
            .map(|yard| yard.uuid())
            .collect();
        let bounds: Vec<i32> = AGE_BANDS
            .iter()
            .filter_map(|(_, days)| days.map(i32::from))
            .collect();
        let rows: Vec<Row> = sqlx::query_as(
            "-- reports.lockout_ageing
             select y.id, coalesce(l.criterion, l.reason),
                    (select count(*) from unnest($3::integer[]) as b(days) where $2 - l.bars_from > b.days * interval '24 hours')::integer,
                    count(*), count(distinct l.clamp_id), min(l.bars_from)
               from lockout as l
               join clamp as c on c.id = l.clamp_id
              cross join lateral unnest(c.yards) as y(id)
              where l.closed_at is null and l.bars_from <= $2 and c.retired_at is null and y.id = any($1)
              group by 1, 2, 3 order by 1, 2, 3",
        )
        .bind(&seen)
        .bind(generated_at.to_sqlx())
        .bind(&bounds)
        .fetch_all(&mut *tx)
        .await?;
        let clamps: i64 = sqlx::query_scalar(
            "-- reports.barred_clamps
             select count(*) from clamp as c where c.bars_from <= $1 and c.retired_at is null and c.yards && $2",
        )
        .bind(generated_at.to_sqlx())
        .bind(&seen)
        .fetch_one(&mut *tx)
        .await?;
        tx.finish().await?;
        let groups = rows
            .into_iter()
            .map(|(yard, reason, band, lockouts, clamps, oldest)| AgeGroup {
                yard: YardId::new(yard),
                reason,
                band: usize::try_from(band).unwrap_or(0),
                lockouts: lockouts.unsigned_abs(),
                clamps: clamps.unsigned_abs(),
                oldest: oldest.to_jiff(),
            })
            .collect();
        Ok(LockoutAgeing {
            groups,
            clamps: clamps.unsigned_abs(),
            generated_at,
            reference,
        })
    }
}
