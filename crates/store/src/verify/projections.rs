//! Projections: each clamp folded from its entries and compared with what is stored.

use super::{VerifyReport, ViolationKind};
use crate::StoreError;
use crate::clamps::entries;
use crate::out_periods;
use crate::projection::{self, Columns};
use clampward_domain::fold::{ClampState, fold};
use clampward_domain::ids::{ClampId, LockoutId};
use clampward_domain::lockout::Lockout;
use clampward_domain::out_period;
use clampward_domain::reference::Reference;
use jiff::Timestamp;
use sqlx::PgConnection;
use sqlx::types::Json;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Clamps read at a time.
const CHUNK: i64 = 500;

#[derive(sqlx::FromRow)]
struct Row {
    id: Uuid,
    state: Json<Option<ClampState>>,
    projected_at: Option<jiff_sqlx::Timestamp>,
    pending: bool,
}

pub(super) async fn walk(
    connection: &mut PgConnection,
    reference: &Reference,
    report: &mut VerifyReport,
) -> Result<(), StoreError> {
    check_presence(connection, report).await?;
    let mut after = Uuid::nil();
    loop {
        let rows: Vec<Row> = sqlx::query_as(
            "-- verify.clamps
             select c.id, c.state, c.projected_at,
               exists (select from pending_reassessment as p where p.clamp_id = c.id) as pending
             from clamp as c where c.id > $1 order by c.id limit $2",
        )
        .bind(after)
        .bind(CHUNK)
        .fetch_all(&mut *connection)
        .await?;
        let Some(last) = rows.last() else { return Ok(()) };
        after = last.id;
        for row in rows {
            if row.pending {
                report.pending += 1;
            } else {
                report.clamps += 1;
                check(connection, row, reference, report).await?;
            }
        }
    }
}

async fn check(
    connection: &mut PgConnection,
    row: Row,
    reference: &Reference,
    report: &mut VerifyReport,
) -> Result<(), StoreError> {
    let clamp = ClampId::new(row.id);
    let entries = match entries::all(connection, clamp).await {
        Ok(entries) => entries,
        Err(error @ StoreError::Inconsistent { .. }) => {
            report.found(ViolationKind::Unreadable, Some(row.id), None, error.to_string());
            return Ok(());
        }
        Err(error) => return Err(error),
    };
    let mut folded = fold(clamp, &entries, reference);
    let mut lockouts: BTreeMap<LockoutId, Lockout> = folded
        .take_closed()
        .into_iter()
        .map(|lockout| (lockout.id, lockout))
        .collect();
    lockouts.extend(folded.lockouts.iter().map(|(id, lockout)| (*id, lockout.clone())));
    if row.state.0.as_ref() != Some(&folded) {
        report.found(
            ViolationKind::StateDiffers,
            Some(row.id),
            None,
            "the stored state is not the fold of its entries",
        );
    }
    let at = row.projected_at.map_or(Timestamp::MIN, |at| at.to_jiff());
    let stored = projection::stored(connection, &[clamp]).await?;
    if stored != [Columns::of(&folded, reference, at)] {
        report.found(
            ViolationKind::ProjectionDiffers,
            Some(row.id),
            None,
            "the stored columns are not those of its state",
        );
    }
    let periods = out_periods::rows(row.id, &out_period::whole(clamp, &entries, reference));
    let kept = out_periods::stored(connection, row.id).await?;
    if kept != periods {
        report.found(
            ViolationKind::OutPeriodsDiffer,
            Some(row.id),
            None,
            out_periods::differing(&kept, &periods),
        );
    }
    let kept: Vec<Json<Lockout>> =
        sqlx::query_scalar("-- verify.lockouts\nselect record from lockout where clamp_id = $1 order by id")
            .bind(row.id)
            .fetch_all(&mut *connection)
            .await?;
    let kept: BTreeMap<LockoutId, Lockout> = kept
        .into_iter()
        .map(|Json(lockout)| (lockout.id, lockout))
        .collect();
    if kept != lockouts {
        report.found(
            ViolationKind::LockoutsDiffer,
            Some(row.id),
            None,
            differing(&kept, &lockouts),
        );
    }
    check_lockout_columns(connection, row.id, report).await
}

/// The columns of a lock-out against its record: the guards read the columns.
async fn check_lockout_columns(
    connection: &mut PgConnection,
    clamp: Uuid,
    report: &mut VerifyReport,
) -> Result<(), StoreError> {
    let differing: Vec<Uuid> = sqlx::query_scalar(
        "-- verify.lockout_columns
         select id from lockout where clamp_id = $1 and (
           record ->> 'id' is distinct from id::text
           or (record ->> 'bars_from')::timestamptz is distinct from bars_from
           or (record -> 'closed' ->> 'by_entry') is distinct from closed_by_entry::text
           or (record ->> 'opened_by_entry') is distinct from opened_by_entry::text) order by id",
    )
    .bind(clamp)
    .fetch_all(connection)
    .await?;
    if !differing.is_empty() {
        let detail = format!("columns differ from the record of {differing:?}");
        report.found(ViolationKind::LockoutsDiffer, Some(clamp), None, detail);
    }
    Ok(())
}

fn differing(kept: &BTreeMap<LockoutId, Lockout>, folded: &BTreeMap<LockoutId, Lockout>) -> String {
    let ids: Vec<String> = kept
        .keys()
        .chain(folded.keys())
        .filter(|id| kept.get(id) != folded.get(id))
        .map(ToString::to_string)
        .collect();
    format!("stored and computed lock-outs differ: {}", ids.join(", "))
}

/// Clamps of which the ledger knows and the table does not, and numbers that are borne and not claimed.
async fn check_presence(connection: &mut PgConnection, report: &mut VerifyReport) -> Result<(), StoreError> {
    let missing: Vec<Uuid> = sqlx::query_scalar(
        "-- verify.missing_clamps
         select distinct l.stream from ledger as l where l.kind = 'registered'
           and not exists (select from clamp as c where c.id = l.stream) order by 1",
    )
    .fetch_all(&mut *connection)
    .await?;
    for clamp in missing {
        report.found(
            ViolationKind::ClampMissing,
            Some(clamp),
            None,
            "it was registered and has no row",
        );
    }
    let strays: Vec<Uuid> = sqlx::query_scalar(
        "-- verify.stray_periods
         select distinct p.clamp_id from out_period as p
         where not exists (select from clamp as c where c.id = p.clamp_id) order by 1",
    )
    .fetch_all(&mut *connection)
    .await?;
    for clamp in strays {
        report.found(
            ViolationKind::OutPeriodsDiffer,
            Some(clamp),
            None,
            "periods are kept of a clamp that is not there",
        );
    }
    let unclaimed: Vec<Uuid> = sqlx::query_scalar(
        "-- verify.unclaimed_numbers
         select c.id from clamp as c where c.serial_key is not null and c.maker_key is not null
           and not exists (select from clamp_number as n where n.clamp_id = c.id
                             and n.serial_key = c.serial_key and n.maker_key = c.maker_key) order by 1",
    )
    .fetch_all(connection)
    .await?;
    for clamp in unclaimed {
        report.found(
            ViolationKind::NumberNotClaimed,
            Some(clamp),
            None,
            "another clamp could be given its number",
        );
    }
    Ok(())
}
