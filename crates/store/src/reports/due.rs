//! Inspections that fall due until a day, by yard, kind of inspection and day.
//!
//! Reads the clamps whose next due date lies before that day and no others.

use crate::tx::ReadTx;
use crate::{Store, StoreError};
use clampward_domain::calendar::Zone;
use clampward_domain::ids::YardId;
use clampward_domain::notice::DueClock;
use clampward_domain::reference::{Reference, YardScope};
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use jiff_sqlx::{Date as SqlDate, ToSqlx};
use std::sync::Arc;
use uuid::Uuid;

/// Clamps of a yard that fall due on a day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DueGroup {
    /// The yard.
    pub yard: YardId,
    /// Which inspection.
    pub inspection: DueClock,
    /// The last day on which they are fit without it, in the yard.
    pub due_on: Date,
    /// Whether that day is over there.
    pub is_overdue: bool,
    /// How many.
    pub clamps: u64,
    /// Those of them that a lock-out bars now: they are inspected before they are returned.
    pub barred: u64,
}

/// The report.
#[derive(Clone, Debug)]
pub struct InspectionsDue {
    /// By yard, inspection and day.
    pub groups: Vec<DueGroup>,
    /// When it was read.
    pub generated_at: Timestamp,
    /// Names of yards.
    pub reference: Arc<Reference>,
}

impl Store {
    /// Inspections of live clamps in these yards that fall due until a day, the overdue ones among them.
    pub async fn inspections_due(
        &self,
        yards: &YardScope,
        until: Date,
    ) -> Result<InspectionsDue, StoreError> {
        let generated_at = self.now();
        let mut tx = self.read_moment(yards).await?;
        let reference = super::reference_at(self, &mut tx).await?;
        let seen: Vec<YardId> = reference
            .yards
            .keys()
            .copied()
            .filter(|yard| yards.covers(*yard))
            .collect();
        let rows = read(&mut tx, &seen, until, generated_at).await?;
        tx.finish().await?;
        let today = |yard: YardId| {
            let version = reference.yard_at(yard, generated_at);
            version.map(|version| version.value.time_zone.date_at(generated_at))
        };
        let groups = rows
            .into_iter()
            .map(|(yard, is_periodic, due_on, clamps, barred)| {
                let (yard, due_on) = (YardId::new(yard), due_on.to_jiff());
                DueGroup {
                    yard,
                    inspection: if is_periodic {
                        DueClock::Periodic
                    } else {
                        DueClock::Frequent
                    },
                    due_on,
                    is_overdue: today(yard).is_some_and(|today| due_on < today),
                    clamps: clamps.unsigned_abs(),
                    barred: barred.unsigned_abs(),
                }
            })
            .collect();
        Ok(InspectionsDue {
            groups,
            generated_at,
            reference,
        })
    }
}

type Row = (Uuid, bool, SqlDate, i64, i64);

async fn read(
    tx: &mut ReadTx,
    yards: &[YardId],
    until: Date,
    now: Timestamp,
) -> Result<Vec<Row>, StoreError> {
    // A day is over at another instant in each zone: what is read beyond it is left out by the day itself.
    let end = Zone::utc().end_of(until) + 48.hours();
    Ok(sqlx::query_as(
        "-- reports.inspections_due
         select y.id, d.is_periodic, d.due_on, count(*), count(*) filter (where c.bars_from <= $4)
           from clamp as c
          cross join lateral unnest(c.yards) as y(id)
          cross join lateral (values (false, c.due_frequent), (true, c.due_periodic)) as d(is_periodic, due_on)
          where c.retired_at is null and c.next_due_at < $3 and d.due_on <= $2 and y.id = any($1)
          group by 1, 2, 3 order by 1, 2, 3",
    )
    .bind(yards.iter().map(|yard| yard.uuid()).collect::<Vec<_>>())
    .bind(until.to_sqlx())
    .bind(end.to_sqlx())
    .bind(now.to_sqlx())
    .fetch_all(&mut **tx)
    .await?)
}
