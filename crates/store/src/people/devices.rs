//! Devices: what is known of each, and what proves it. A device is an account; its key is a session, so that access
//! tokens end with it.
//!
//! Knows no algorithm: keys are bytes here, and who may keep devices is decided elsewhere.

mod enrolments;
mod revocation;
mod signing_keys;

pub use enrolments::{EnrolmentRecord, NewDevice, NewEnrolment};
pub(crate) use signing_keys::withdrawn_keys;
pub use signing_keys::{KeyEnd, NewSigningKey, SigningKeyRecord};

use super::Account;
use super::accounts::{ACCOUNT_COLUMNS, AccountRow};
use crate::{Store, StoreError};
use clampward_domain::ids::{DeviceId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::{FromRow, PgConnection};
use uuid::Uuid;

/// What a device last sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LastPush {
    /// When.
    pub at: Timestamp,
    /// Highest number of an entry that came.
    pub received_to: u64,
    /// How many below it never came.
    pub missing: u64,
    /// How many the device still had, what came then included.
    pub queue_length: u64,
}

/// The end of a device.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceEnd {
    /// When.
    pub at: Timestamp,
    /// By whom.
    pub by: PersonId,
    /// Why.
    pub reason: String,
}

/// A device as it is now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeviceRecord {
    /// Its id, which is its account's.
    pub id: DeviceId,
    /// Its account: name, yards, version.
    pub account: Account,
    /// Since when.
    pub enrolled_at: Timestamp,
    /// Who made the code for it.
    pub enrolled_by: PersonId,
    /// The highest number that it was given.
    pub number: u32,
    /// What it last sent, if it ever did.
    pub last_push: Option<LastPush>,
    /// When somebody else was last noticed to use its numbers.
    pub copy_noticed_at: Option<Timestamp>,
    /// Its end.
    pub revoked: Option<DeviceEnd>,
}

impl DeviceRecord {
    /// Its yards: a device never has all of them.
    pub fn yards(&self) -> &[YardId] {
        match &self.account.body.yards {
            YardScope::All => &[],
            YardScope::Some(yards) => yards,
        }
    }
}

/// What a device's sign-in is held against.
#[derive(Clone, Debug)]
pub struct DeviceCredentials {
    /// The device.
    pub device: DeviceId,
    /// Its public key.
    pub public_key: [u8; 32],
    /// The session that its key is.
    pub session: Uuid,
    /// End of the session.
    pub session_ends: Timestamp,
    /// Version of its grants.
    pub grants_version: u64,
}

#[derive(FromRow)]
struct DeviceRow {
    #[sqlx(flatten)]
    account: AccountRow,
    enrolled_at: SqlTimestamp,
    enrolled_by: Uuid,
    last_number: i32,
    pushed_at: Option<SqlTimestamp>,
    received_to: i64,
    queue_length: i64,
    missing: i64,
    copy_noticed_at: Option<SqlTimestamp>,
    revoked_at: Option<SqlTimestamp>,
    revoked_by: Option<Uuid>,
    revoked_for: Option<String>,
}

impl DeviceRow {
    fn read(self) -> Result<DeviceRecord, StoreError> {
        let account = self.account.read()?;
        let end = self.revoked_at.zip(self.revoked_by).zip(self.revoked_for);
        Ok(DeviceRecord {
            id: DeviceId::new(account.id.uuid()),
            account,
            enrolled_at: self.enrolled_at.to_jiff(),
            enrolled_by: PersonId::new(self.enrolled_by),
            number: self.last_number.unsigned_abs(),
            last_push: self.pushed_at.map(|at| LastPush {
                at: at.to_jiff(),
                received_to: self.received_to.unsigned_abs(),
                missing: self.missing.unsigned_abs(),
                queue_length: self.queue_length.unsigned_abs(),
            }),
            copy_noticed_at: self.copy_noticed_at.map(SqlTimestamp::to_jiff),
            revoked: end.map(|((at, by), reason)| DeviceEnd {
                at: at.to_jiff(),
                by: PersonId::new(by),
                reason,
            }),
        })
    }
}

const DEVICES: &str = "d.enrolled_at, d.enrolled_by, d.last_number, d.pushed_at, d.received_to, d.queue_length,
       d.missing, d.copy_noticed_at, r.recorded_at as revoked_at, r.recorded_by as revoked_by, r.reason as revoked_for
  from device d
  join person p on p.id = d.id
  join person_version v on v.person_id = p.id and v.version = p.version
  left join device_revocation r on r.device_id = d.id";

/// The arrays of a scope: whether it is all yards, and which if not.
fn scope_parts(scope: &YardScope) -> (bool, Vec<Uuid>) {
    match scope {
        YardScope::All => (true, Vec::new()),
        YardScope::Some(yards) => (false, yards.iter().map(|yard| yard.uuid()).collect()),
    }
}

impl Store {
    /// A device as it is now.
    pub async fn device(&self, id: DeviceId) -> Result<Option<DeviceRecord>, StoreError> {
        let mut connection = self.inner.reader.acquire().await?;
        read(&mut connection, id).await
    }
    /// Devices with a yard of the scope, in the order of their ids, after `after`.
    pub async fn devices(
        &self,
        scope: &YardScope,
        after: Option<DeviceId>,
        limit: u32,
    ) -> Result<Vec<DeviceRecord>, StoreError> {
        let (all, yards) = scope_parts(scope);
        let sql = sqlx::AssertSqlSafe(format!(
            "-- devices.list\nselect {ACCOUNT_COLUMNS}, {DEVICES}
              where ($1::uuid is null or d.id > $1) and ($2 or v.yards && $3) order by d.id limit $4"
        ));
        let rows: Vec<DeviceRow> = sqlx::query_as(sql)
            .bind(after.map(DeviceId::uuid))
            .bind(all)
            .bind(&yards)
            .bind(i64::from(limit))
            .fetch_all(&self.inner.reader)
            .await?;
        rows.into_iter().map(DeviceRow::read).collect()
    }
    /// What a device that may sign in now proves itself by.
    pub async fn device_credentials(&self, id: DeviceId) -> Result<Option<DeviceCredentials>, StoreError> {
        let row: Option<(Vec<u8>, Uuid, SqlTimestamp, i32)> = sqlx::query_as(
            "-- devices.credentials
             select d.public_key, f.id, f.expires_at, p.version
               from device d
               join session_family f on f.id = d.session_id and f.person_id = d.id
               join person p on p.id = d.id
               join person_version v on v.person_id = p.id and v.version = p.version
              where d.id = $1 and v.enabled and f.ended_at is null and f.expires_at > $2",
        )
        .bind(id.uuid())
        .bind(self.now().to_sqlx())
        .fetch_optional(&self.inner.door)
        .await?;
        row.map(|(key, session, ends, version)| {
            Ok(DeviceCredentials {
                device: id,
                public_key: public_key("device", id.uuid(), key)?,
                session,
                session_ends: ends.to_jiff(),
                grants_version: u64::from(version.unsigned_abs()),
            })
        })
        .transpose()
    }
}

async fn read(connection: &mut PgConnection, id: DeviceId) -> Result<Option<DeviceRecord>, StoreError> {
    let sql = sqlx::AssertSqlSafe(format!(
        "-- devices.read\nselect {ACCOUNT_COLUMNS}, {DEVICES} where d.id = $1"
    ));
    let row: Option<DeviceRow> = sqlx::query_as(sql)
        .bind(id.uuid())
        .fetch_optional(connection)
        .await?;
    row.map(DeviceRow::read).transpose()
}

fn public_key(table: &'static str, id: Uuid, bytes: Vec<u8>) -> Result<[u8; 32], StoreError> {
    bytes
        .try_into()
        .map_err(|bytes: Vec<u8>| StoreError::Inconsistent {
            table,
            column: "public_key",
            id,
            detail: format!("{} bytes instead of 32", bytes.len()),
        })
}
