//! The one order of the ledger: positions without a gap, times that never go back, a head that agrees, and the index of
//! what went to whom.

use super::{VerifyReport, ViolationKind};
use crate::StoreError;
use jiff::Timestamp;
use sqlx::PgConnection;

/// Rows read at a time.
const CHUNK: i64 = 10_000;

pub(super) async fn walk(connection: &mut PgConnection, report: &mut VerifyReport) -> Result<(), StoreError> {
    let mut last: i64 = 0;
    let mut last_at = Timestamp::MIN;
    loop {
        let rows: Vec<(i64, jiff_sqlx::Timestamp)> = sqlx::query_as(
            "-- verify.order\nselect position, recorded_at from ledger where position > $1 order by position limit $2",
        )
        .bind(last)
        .bind(CHUNK)
        .fetch_all(&mut *connection)
        .await?;
        if rows.is_empty() {
            break;
        }
        for (position, recorded_at) in rows {
            if position != last + 1 {
                let detail = format!("position {position} follows {last}");
                report.found(ViolationKind::PositionGap, None, Some(position), detail);
            }
            let recorded_at = recorded_at.to_jiff();
            if recorded_at < last_at {
                let detail = format!("recorded at {recorded_at}, the row before it at {last_at}");
                report.found(ViolationKind::RecordedOutOfOrder, None, Some(position), detail);
            }
            last = position;
            last_at = last_at.max(recorded_at);
            report.rows += 1;
        }
    }
    let head: i64 = sqlx::query_scalar("-- verify.head\nselect position from ledger_head")
        .fetch_one(&mut *connection)
        .await?;
    if head != last {
        let detail = format!("the head stands at {head}, the last row at {last}");
        report.found(ViolationKind::PositionGap, None, Some(head), detail);
    }
    delivered(connection, report).await
}

/// Whether every row is delivered to the yards that it names and to no others.
async fn delivered(connection: &mut PgConnection, report: &mut VerifyReport) -> Result<(), StoreError> {
    let others: Vec<(i64, bool)> = sqlx::query_as(
        "-- verify.delivered
         select coalesce(l.position, d.position), l.position is null
           from (select distinct y.yard, l.position
                   from ledger as l cross join lateral unnest(delivered_to(l.yards, l.kind)) as y(yard)) as l
           full join delivered as d on d.yard_id = l.yard and d.position = l.position
          where l.position is null or d.position is null order by 1 limit $1",
    )
    .bind(CHUNK)
    .fetch_all(connection)
    .await?;
    for (position, is_surplus) in others {
        let detail = if is_surplus {
            "it is delivered to a yard that it does not name"
        } else {
            "it is not delivered to a yard that it names"
        };
        report.found(ViolationKind::DeliveredDiffers, None, Some(position), detail);
    }
    Ok(())
}
