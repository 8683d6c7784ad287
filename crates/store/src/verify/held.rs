//! Held entries: the table that lists them, compared both ways with the rows of the ledger that keep them.

use super::{VerifyReport, ViolationKind};
use crate::StoreError;
use sqlx::PgConnection;
use uuid::Uuid;

/// A held entry that one side has otherwise than the other, or not at all.
type Differing = (Option<i64>, Uuid, String);

pub(super) async fn walk(connection: &mut PgConnection, report: &mut VerifyReport) -> Result<(), StoreError> {
    let differing: Vec<Differing> = sqlx::query_as(
        "-- verify.held
         select l.position, coalesce(h.device_id, l.stream),
                case when h.id is null then 'what a row held keeps is not listed'
                     when l.id is null then 'no row held of the ledger keeps what is listed'
                     else 'what is listed differs from what a row held keeps' end
           from (select position, id, stream, content_hash, recorded_at, recorded_by, bytes from ledger
                  where kind = 'held') as l
           full join held_entry as h on h.id = l.id
          where h.id is null or l.id is null or l.stream <> h.device_id or l.content_hash <> h.told_hash
             or l.recorded_by <> h.received_by
             or h.reason is distinct from convert_from(l.bytes, 'UTF8')::json ->> 'reason'
             or h.entry_id::text is distinct from convert_from(l.bytes, 'UTF8')::json ->> 'entry_id'
          order by 1, 2",
    )
    .fetch_all(&mut *connection)
    .await?;
    let settled: Vec<Differing> = sqlx::query_as(
        "-- verify.settled
         select l.position, coalesce(h.device_id, l.stream), 'what became of a held entry is not what the ledger says'
           from (select position, kind, stream, performed_by, (convert_from(bytes, 'UTF8')::json ->> 'held_id')::uuid as held_id
                   from ledger where kind in ('placed', 'dismissed')) as l
           full join (select * from held_entry where state in ('placed', 'dismissed')) as h on h.id = l.held_id
          where h.id is null or l.held_id is null or l.kind <> h.state or l.performed_by <> h.settled_by
          order by 1, 2",
    )
    .fetch_all(&mut *connection)
    .await?;
    for (position, device, detail) in differing.into_iter().chain(settled) {
        report.found(ViolationKind::HeldEntriesDiffer, Some(device), position, detail);
    }
    Ok(())
}
