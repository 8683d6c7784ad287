//! Enrolment: a code that a person makes, and the device that redeems it. Codes come and stay as digests.

use super::super::accounts::{self, scope};
use super::super::sessions::insert_family;
use super::super::{AccountBody, AccountKey, AccountKind, PeopleError, throttle};
use super::{DeviceRecord, public_key, read, scope_parts};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{DeviceId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

/// A code that is handed out.
#[derive(Clone, Debug)]
pub struct NewEnrolment {
    /// Its id.
    pub id: Uuid,
    /// Digest of the code.
    pub digest: Vec<u8>,
    /// What attempts at it are counted under.
    pub attempts: AccountKey,
    /// Name of the device.
    pub name: String,
    /// Its yards.
    pub yards: Vec<YardId>,
    /// Until when.
    pub expires_at: Timestamp,
}

/// What is known of a code: not the code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EnrolmentRecord {
    /// Its id.
    pub id: Uuid,
    /// Name of the device.
    pub name: String,
    /// Its yards.
    pub yards: Vec<YardId>,
    /// Since when.
    pub created_at: Timestamp,
    /// By whom.
    pub created_by: PersonId,
    /// Until when.
    pub expires_at: Timestamp,
    /// When it was withdrawn.
    pub withdrawn_at: Option<Timestamp>,
    /// The device that it enrolled.
    pub device: Option<DeviceId>,
}

/// A device that comes with a code.
#[derive(Clone, Debug)]
pub struct NewDevice {
    /// Id of the ledger's row.
    pub row_id: Uuid,
    /// Its id, if it becomes one.
    pub id: DeviceId,
    /// Id of its session.
    pub session: Uuid,
    /// End of its session.
    pub session_ends: Timestamp,
    /// Digest of the code.
    pub digest: Vec<u8>,
    /// Its public key.
    pub public_key: [u8; 32],
    /// What attempts at this code were counted under.
    pub attempts: AccountKey,
    /// The roles by which a person keeps devices.
    pub keepers: &'static [Role],
}

#[derive(FromRow)]
struct Row {
    id: Uuid,
    name: String,
    yards: Vec<Uuid>,
    created_at: SqlTimestamp,
    created_by: Uuid,
    expires_at: SqlTimestamp,
    withdrawn_at: Option<SqlTimestamp>,
    device_id: Option<Uuid>,
}

impl From<Row> for EnrolmentRecord {
    fn from(row: Row) -> Self {
        Self {
            id: row.id,
            name: row.name,
            yards: row.yards.into_iter().map(YardId::new).collect(),
            created_at: row.created_at.to_jiff(),
            created_by: PersonId::new(row.created_by),
            expires_at: row.expires_at.to_jiff(),
            withdrawn_at: row.withdrawn_at.map(SqlTimestamp::to_jiff),
            device: row.device_id.map(DeviceId::new),
        }
    }
}

impl Store {
    /// Hands out a code.
    pub async fn create_enrolment(
        &self,
        by: PersonId,
        new: &NewEnrolment,
    ) -> Result<EnrolmentRecord, PeopleError> {
        self.run_tx("devices.create_enrolment", async |tx| {
            let yards: Vec<Uuid> = new.yards.iter().map(|yard| yard.uuid()).collect();
            sqlx::query(
                "-- devices.insert_enrolment
                 insert into device_enrolment (id, digest, name, yards, created_at, created_by, expires_at, name_digest)
                 values ($1, $2, $3, $4, $5, $6, $7, $8)",
            )
            .bind(new.id)
            .bind(&new.digest)
            .bind(&new.name)
            .bind(&yards)
            .bind(tx.now().to_sqlx())
            .bind(by.uuid())
            .bind(new.expires_at.to_sqlx())
            .bind(new.attempts.bytes())
            .execute(&mut **tx)
            .await?;
            Ok(EnrolmentRecord {
                id: new.id,
                name: new.name.clone(),
                yards: new.yards.clone(),
                created_at: tx.now(),
                created_by: by,
                expires_at: new.expires_at,
                withdrawn_at: None,
                device: None,
            })
        })
        .await
    }
    /// What is known of a code.
    pub async fn enrolment(&self, id: Uuid) -> Result<Option<EnrolmentRecord>, StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "-- devices.enrolment
             select id, name, yards, created_at, created_by, expires_at, withdrawn_at, device_id
               from device_enrolment where id = $1",
        )
        .bind(id)
        .fetch_optional(&self.inner.door)
        .await?;
        Ok(row.map(EnrolmentRecord::from))
    }
    /// Codes whose device would be in a yard of the scope, in the order of their ids, after `after`.
    pub async fn enrolments(
        &self,
        scope: &YardScope,
        after: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<EnrolmentRecord>, StoreError> {
        let (all, yards) = scope_parts(scope);
        let rows: Vec<Row> = sqlx::query_as(
            "-- devices.enrolments
             select id, name, yards, created_at, created_by, expires_at, withdrawn_at, device_id
               from device_enrolment
              where ($1::uuid is null or id > $1) and ($2 or yards && $3) order by id limit $4",
        )
        .bind(after)
        .bind(all)
        .bind(&yards)
        .bind(i64::from(limit))
        .fetch_all(&self.inner.door)
        .await?;
        Ok(rows.into_iter().map(EnrolmentRecord::from).collect())
    }
    /// Whether there is a code by this name that opens something: attempts are counted for no other.
    pub async fn is_enrolment_live(&self, attempts: &AccountKey) -> Result<bool, StoreError> {
        let is_live = sqlx::query_scalar(
            "-- devices.is_enrolment_live
             select exists (select from device_enrolment
                             where name_digest = $1 and expires_at > $2 and withdrawn_at is null)",
        )
        .bind(attempts.bytes())
        .bind(self.now().to_sqlx())
        .fetch_one(&self.inner.door)
        .await?;
        Ok(is_live)
    }
    /// Withdraws a code that nobody redeemed. Withdrawing it again changes nothing.
    pub async fn withdraw_enrolment(&self, id: Uuid) -> Result<(), PeopleError> {
        self.run_tx("devices.withdraw_enrolment", async |tx| {
            let used: Option<bool> = sqlx::query_scalar(
                "-- devices.lock_enrolment
                 select device_id is not null from device_enrolment where id = $1 for update",
            )
            .bind(id)
            .fetch_optional(&mut **tx)
            .await?;
            if used.ok_or(PeopleError::NotFound)? {
                return Err(PeopleError::EnrolmentUsed);
            }
            sqlx::query(
                "-- devices.withdraw_enrolment
                 update device_enrolment set withdrawn_at = $2 where id = $1 and withdrawn_at is null",
            )
            .bind(id)
            .bind(tx.now().to_sqlx())
            .execute(&mut **tx)
            .await?;
            Ok(())
        })
        .await
    }
    /// Enrols the device that comes with a code. The same device with the same code gets what it got the first time, for as
    /// long as the code lives; two at once are one after the other.
    pub async fn redeem_enrolment(&self, new: &NewDevice) -> Result<DeviceRecord, PeopleError> {
        self.run_tx("devices.redeem", async |tx| {
            let row: Option<Row> = sqlx::query_as(
                "-- devices.lock_code
                 select id, name, yards, created_at, created_by, expires_at, withdrawn_at, device_id
                   from device_enrolment where digest = $1 and expires_at > $2 and withdrawn_at is null for update",
            )
            .bind(&new.digest)
            .bind(tx.now().to_sqlx())
            .fetch_optional(&mut **tx)
            .await?;
            let row = row.ok_or(PeopleError::CodeRefused)?;
            let device = match row.device_id {
                Some(id) => again(tx, DeviceId::new(id), &new.public_key).await?,
                None => enrol(self, tx, new, row).await?,
            };
            throttle::forget(tx, &new.attempts).await?;
            Ok(device)
        })
        .await
    }
}

/// The device that a code enrolled, if it is this one and still may do anything.
async fn again(tx: &mut Tx, id: DeviceId, key: &[u8; 32]) -> Result<DeviceRecord, PeopleError> {
    let kept: Option<Vec<u8>> =
        sqlx::query_scalar("-- devices.key_of\nselect public_key from device where id = $1")
            .bind(id.uuid())
            .fetch_optional(&mut **tx)
            .await?;
    let kept = kept
        .map(|kept| public_key("device", id.uuid(), kept))
        .transpose()?;
    if kept.as_ref() != Some(key) {
        return Err(PeopleError::CodeRefused);
    }
    read(tx, id)
        .await?
        .filter(|device| device.revoked.is_none())
        .ok_or(PeopleError::CodeRefused)
}

/// Whether an account may enrol a device in these yards.
fn may_enrol(maker: &AccountBody, keepers: &[Role], yards: &[Uuid]) -> bool {
    maker.enabled
        && maker.roles.iter().any(|role| keepers.contains(role))
        && yards.iter().all(|yard| maker.yards.covers(YardId::new(*yard)))
}

async fn enrol(
    store: &Store,
    tx: &mut Tx,
    new: &NewDevice,
    enrolment: Row,
) -> Result<DeviceRecord, PeopleError> {
    let account = PersonId::new(new.id.uuid());
    let by = PersonId::new(enrolment.created_by);
    // A code is its maker's word, and worth no more than that is now.
    let maker = accounts::locked(tx, by).await?;
    if !maker.is_some_and(|maker| may_enrol(&maker.body, new.keepers, &enrolment.yards)) {
        return Err(PeopleError::CodeRefused);
    }
    let body = AccountBody {
        kind: AccountKind::Device,
        // Nobody's address: the top-level name `invalid` never exists (RFC 2606).
        email: format!("{}@devices.invalid", new.id),
        name: enrolment.name,
        roles: vec![Role::Device],
        yards: scope(false, enrolment.yards),
        enabled: true,
    };
    accounts::create(store, tx, new.row_id, by, account, &body).await?;
    insert_family(tx, new.session, account, new.session_ends).await?;
    sqlx::query(
        "-- devices.insert
         insert into device (id, session_id, public_key, enrolled_at, enrolled_by) values ($1, $2, $3, $4, $5)",
    )
    .bind(new.id.uuid())
    .bind(new.session)
    .bind(new.public_key.as_slice())
    .bind(tx.now().to_sqlx())
    .bind(by.uuid())
    .execute(&mut **tx)
    .await?;
    sqlx::query("-- devices.use_code\nupdate device_enrolment set device_id = $2 where id = $1")
        .bind(enrolment.id)
        .bind(new.id.uuid())
        .execute(&mut **tx)
        .await?;
    read(tx, new.id)
        .await?
        .ok_or(PeopleError::Store(StoreError::Inconsistent {
            table: "device",
            column: "id",
            id: new.id.uuid(),
            detail: "the device that was enrolled is not there".to_owned(),
        }))
}
