//! The end of a device: it and every key on it, at one instant and for good. What was recorded before stays.

use super::super::sessions::{Ending, end_families};
use super::super::{AccountKind, PeopleError, accounts};
use super::signing_keys::{End, KeyEnd, write_end};
use super::{DeviceRecord, read};
use crate::reference::{ReferenceRow, record_beside};
use crate::{Store, Tx};
use clampward_domain::ids::{DeviceId, PersonId, derived_entry_id};
use jiff_sqlx::ToSqlx;
use serde::Serialize;
use uuid::Uuid;

/// What the ledger says of it.
#[derive(Serialize)]
struct Body<'a> {
    reason: &'a str,
}

impl Store {
    /// Revokes a device. Revoking it again changes nothing. `row_id` is that of the account's new version.
    pub async fn revoke_device(
        &self,
        row_id: Uuid,
        by: PersonId,
        device: DeviceId,
        reason: &str,
    ) -> Result<DeviceRecord, PeopleError> {
        self.run_tx("devices.revoke", async |tx| {
            let id = PersonId::new(device.uuid());
            let account = accounts::locked(tx, id)
                .await?
                .filter(|account| account.body.kind == AccountKind::Device)
                .ok_or(PeopleError::NotFound)?;
            if account.body.enabled {
                end_families(tx, id, Ending::DeviceRevoked).await?;
                let mut body = account.body;
                body.enabled = false;
                accounts::write(self, tx, row_id, by, id, account.version + 1, &body).await?;
                end(tx, by, device, reason).await?;
            }
            read(tx, device).await?.ok_or(PeopleError::NotFound)
        })
        .await
    }
}

async fn end(tx: &mut Tx, by: PersonId, device: DeviceId, reason: &str) -> Result<(), PeopleError> {
    let row = ReferenceRow {
        // A device ends once.
        id: derived_entry_id(&["device_revoked", &device.to_string()]).uuid(),
        subject: device.uuid(),
        kind: "device_revoked",
        by,
        version: None,
        body: &Body { reason },
    };
    let place = record_beside(tx, &row).await?;
    sqlx::query(
        "-- devices.insert_revocation
         insert into device_revocation (device_id, reason, position, recorded_at, recorded_by) values ($1, $2, $3, $4, $5)",
    )
    .bind(device.uuid())
    .bind(reason)
    .bind(place.position.cast_signed())
    .bind(place.recorded_at.to_sqlx())
    .bind(by.uuid())
    .execute(&mut **tx)
    .await?;
    // Also those that were replaced or are over: whoever has the device writes times within their lives.
    let keys: Vec<Uuid> = sqlx::query_scalar(
        "-- devices.trusted_keys
         select k.id from signing_key k
          where k.device_id = $1
            and not exists (select from signing_key_revocation r where r.key_id = k.id and r.why <> 'replaced')
          order by k.id",
    )
    .bind(device.uuid())
    .fetch_all(&mut **tx)
    .await?;
    for key in keys {
        let end = End {
            key,
            why: KeyEnd::DeviceRevoked,
            reason: None,
        };
        write_end(tx, by, device, &end).await?;
    }
    Ok(())
}
