//! Keys by which people sign on devices: rows of the device's stream, never changed. A new key of a person on a device ends
//! the one before.

use super::super::{AccountKind, PeopleError, accounts};
use super::public_key;
use crate::ledger::hex;
use crate::reference::{ReferenceRow, record_beside, word};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{DeviceId, PersonId, derived_entry_id};
use clampward_domain::signing::SigningKey;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use sqlx::FromRow;
use std::collections::{BTreeMap, BTreeSet};
use std::str::FromStr;
use uuid::Uuid;

/// Why a key signs no more, other than by its age.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum KeyEnd {
    /// The person has a newer one on this device.
    Replaced,
    /// Somebody withdrew it.
    Withdrawn,
    /// The device was revoked.
    DeviceRevoked,
}

impl KeyEnd {
    /// The word of the database.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Replaced => "replaced",
            Self::Withdrawn => "withdrawn",
            Self::DeviceRevoked => "device_revoked",
        }
    }
    /// Whether it ended because somebody else may have it.
    const fn is_distrust(self) -> bool {
        match self {
            Self::Replaced => false,
            Self::Withdrawn | Self::DeviceRevoked => true,
        }
    }
}
impl FromStr for KeyEnd {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        [Self::Replaced, Self::Withdrawn, Self::DeviceRevoked]
            .into_iter()
            .find(|end| end.code() == text)
            .ok_or_else(|| format!("{text} is no end of a key"))
    }
}

/// A key that is made.
#[derive(Clone, Debug)]
pub struct NewSigningKey {
    /// Id of the ledger's row.
    pub row_id: Uuid,
    /// Its id.
    pub id: Uuid,
    /// The device.
    pub device: DeviceId,
    /// The person.
    pub person: PersonId,
    /// Its public half.
    pub public_key: [u8; 32],
    /// Until when.
    pub expires_at: Timestamp,
}

/// A key with who ended it and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SigningKeyRecord {
    /// The key.
    pub key: SigningKey,
    /// How it ended, other than by its age.
    pub end: Option<KeyEnd>,
}

/// What the ledger says of a new key.
#[derive(Serialize)]
struct KeyBody<'a> {
    key_id: Uuid,
    person_id: PersonId,
    public_key: &'a str,
    expires_at: Timestamp,
}

/// What the ledger says of its end.
#[derive(Serialize)]
struct EndBody<'a> {
    key_id: Uuid,
    why: KeyEnd,
    reason: Option<&'a str>,
}

#[derive(FromRow)]
struct Row {
    id: Uuid,
    device_id: Uuid,
    person_id: Uuid,
    public_key: Vec<u8>,
    recorded_at: SqlTimestamp,
    expires_at: SqlTimestamp,
    revoked_at: Option<SqlTimestamp>,
    why: Option<String>,
}

impl Row {
    fn read(self) -> Result<SigningKeyRecord, StoreError> {
        let end: Option<KeyEnd> = self
            .why
            .map(|why| word("signing_key_revocation", "why", self.id, &why))
            .transpose()?;
        Ok(SigningKeyRecord {
            key: SigningKey {
                id: self.id,
                device_id: DeviceId::new(self.device_id),
                person_id: PersonId::new(self.person_id),
                public_key: public_key("signing_key", self.id, self.public_key)?,
                created_at: self.recorded_at.to_jiff(),
                expires_at: self.expires_at.to_jiff(),
                revoked_at: self.revoked_at.map(SqlTimestamp::to_jiff),
                is_distrusted: end.is_some_and(KeyEnd::is_distrust),
            },
            end,
        })
    }
}

// It ends with the first of its ends. One that distrusts it counts whenever it came; the end of its device is one, also
// where that was said before each key had a row of it.
const KEYS: &str = "select k.id, k.device_id, k.person_id, k.public_key, k.recorded_at, k.expires_at, r.revoked_at, r.why
  from signing_key k
  left join lateral (
    select min(e.recorded_at) as revoked_at, (array_agg(e.why order by e.why = 'replaced', e.position))[1] as why
      from (select s.why, s.position, s.recorded_at from signing_key_revocation s where s.key_id = k.id
            union all
            select 'device_revoked', d.position, d.recorded_at from device_revocation d where d.device_id = k.device_id) e) r
    on true";

/// Of these keys, those that somebody may have who should not.
pub(crate) async fn withdrawn_keys(tx: &mut Tx, keys: &[Uuid]) -> Result<BTreeSet<Uuid>, StoreError> {
    if keys.is_empty() {
        return Ok(BTreeSet::new());
    }
    let sql = sqlx::AssertSqlSafe(format!("-- signing_keys.withdrawn\n{KEYS} where k.id = any ($1)"));
    let rows: Vec<Row> = sqlx::query_as(sql).bind(keys).fetch_all(&mut **tx).await?;
    let mut withdrawn = BTreeSet::new();
    for row in rows {
        let key = row.read()?.key;
        if key.is_distrusted {
            withdrawn.insert(key.id);
        }
    }
    Ok(withdrawn)
}

impl Store {
    /// The keys that signatures name, by their ids; what is no key is left out.
    pub async fn signing_keys(&self, ids: &[Uuid]) -> Result<BTreeMap<Uuid, SigningKey>, StoreError> {
        let sql = sqlx::AssertSqlSafe(format!("-- signing_keys.named\n{KEYS} where k.id = any ($1)"));
        let rows: Vec<Row> = sqlx::query_as(sql)
            .bind(ids)
            .fetch_all(&self.inner.reader)
            .await?;
        rows.into_iter()
            .map(|row| row.read().map(|record| (record.key.id, record.key)))
            .collect()
    }
    /// The keys on a device, the newest first.
    pub async fn signing_keys_on(
        &self,
        device: DeviceId,
        after: Option<Uuid>,
        limit: u32,
    ) -> Result<Vec<SigningKeyRecord>, StoreError> {
        let sql = sqlx::AssertSqlSafe(format!(
            "-- signing_keys.on_device
             {KEYS} where k.device_id = $1 and ($2::uuid is null or k.id < $2) order by k.id desc limit $3"
        ));
        let rows: Vec<Row> = sqlx::query_as(sql)
            .bind(device.uuid())
            .bind(after)
            .bind(i64::from(limit))
            .fetch_all(&self.inner.reader)
            .await?;
        rows.into_iter().map(Row::read).collect()
    }
    /// Makes a key for a person on a device and ends the one before.
    pub async fn create_signing_key(&self, new: &NewSigningKey) -> Result<SigningKeyRecord, PeopleError> {
        self.run_tx("signing_keys.create", async |tx| {
            if !locked_device(tx, new.device).await? {
                return Err(PeopleError::DeviceRevoked);
            }
            let live: Vec<Uuid> = sqlx::query_scalar(
                "-- signing_keys.before
                 select k.id from signing_key k
                  where k.device_id = $1 and k.person_id = $2
                    and not exists (select from signing_key_revocation r where r.key_id = k.id) order by k.id",
            )
            .bind(new.device.uuid())
            .bind(new.person.uuid())
            .fetch_all(&mut **tx)
            .await?;
            for before in live {
                let end = End {
                    key: before,
                    why: KeyEnd::Replaced,
                    reason: None,
                };
                write_end(tx, new.person, new.device, &end).await?;
            }
            let written = hex(&new.public_key);
            let body = KeyBody {
                key_id: new.id,
                person_id: new.person,
                public_key: &written,
                expires_at: new.expires_at,
            };
            let row = ReferenceRow {
                id: new.row_id,
                subject: new.device.uuid(),
                kind: "signing_key",
                by: new.person,
                version: None,
                body: &body,
            };
            let place = record_beside(tx, &row).await?;
            sqlx::query(
                "-- signing_keys.insert
                 insert into signing_key (id, device_id, person_id, public_key, expires_at, position, recorded_at, recorded_by)
                 values ($1, $2, $3, $4, $5, $6, $7, $3)",
            )
            .bind(new.id)
            .bind(new.device.uuid())
            .bind(new.person.uuid())
            .bind(new.public_key.as_slice())
            .bind(new.expires_at.to_sqlx())
            .bind(place.position.cast_signed())
            .bind(place.recorded_at.to_sqlx())
            .execute(&mut **tx)
            .await?;
            Ok(SigningKeyRecord {
                key: SigningKey {
                    id: new.id,
                    device_id: new.device,
                    person_id: new.person,
                    public_key: new.public_key,
                    created_at: place.recorded_at,
                    expires_at: new.expires_at,
                    revoked_at: None,
                    is_distrusted: false,
                },
                end: None,
            })
        })
        .await
    }
    /// Withdraws a key on a device, also one that was replaced; what was recorded before stays signed, what comes in later is
    /// nobody's word. Withdrawing it again changes nothing.
    pub async fn withdraw_signing_key(
        &self,
        by: PersonId,
        device: DeviceId,
        key: Uuid,
        reason: Option<&str>,
    ) -> Result<SigningKeyRecord, PeopleError> {
        self.run_tx("signing_keys.withdraw", async |tx| {
            locked_device(tx, device).await?;
            let read = one(tx, device, key).await?;
            if read.end.is_some_and(KeyEnd::is_distrust) {
                return Ok(read);
            }
            let end = End {
                key,
                why: KeyEnd::Withdrawn,
                reason,
            };
            write_end(tx, by, device, &end).await?;
            one(tx, device, key).await
        })
        .await
    }
}

async fn one(tx: &mut Tx, device: DeviceId, key: Uuid) -> Result<SigningKeyRecord, PeopleError> {
    let sql = sqlx::AssertSqlSafe(format!(
        "-- signing_keys.one\n{KEYS} where k.id = $1 and k.device_id = $2"
    ));
    let row: Option<Row> = sqlx::query_as(sql)
        .bind(key)
        .bind(device.uuid())
        .fetch_optional(&mut **tx)
        .await?;
    Ok(row.ok_or(PeopleError::NotFound)?.read()?)
}

/// Locks a device, so that nobody makes or ends a key on it meanwhile; whether it is still one.
async fn locked_device(tx: &mut Tx, device: DeviceId) -> Result<bool, PeopleError> {
    let account = accounts::locked(tx, PersonId::new(device.uuid()))
        .await?
        .filter(|account| account.body.kind == AccountKind::Device)
        .ok_or(PeopleError::NotFound)?;
    Ok(account.body.enabled)
}

/// How a key ends.
pub(super) struct End<'a> {
    pub(super) key: Uuid,
    pub(super) why: KeyEnd,
    pub(super) reason: Option<&'a str>,
}

/// Ends a key; the device is locked.
pub(super) async fn write_end(
    tx: &mut Tx,
    by: PersonId,
    device: DeviceId,
    end: &End<'_>,
) -> Result<(), StoreError> {
    let body = EndBody {
        key_id: end.key,
        why: end.why,
        reason: end.reason,
    };
    let ended: bool = sqlx::query_scalar(
        "-- signing_keys.is_ended\nselect exists (select from signing_key_revocation where key_id = $1)",
    )
    .bind(end.key)
    .fetch_one(&mut **tx)
    .await?;
    let key = end.key.to_string();
    let row = ReferenceRow {
        // A key ends once, and each further end is said once.
        id: if ended {
            derived_entry_id(&["signing_key_revoked", &key, end.why.code()]).uuid()
        } else {
            derived_entry_id(&["signing_key_revoked", &key]).uuid()
        },
        subject: device.uuid(),
        kind: "signing_key_revoked",
        by,
        version: None,
        body: &body,
    };
    let place = record_beside(tx, &row).await?;
    sqlx::query(
        "-- signing_keys.insert_revocation
         insert into signing_key_revocation (key_id, why, reason, position, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6)",
    )
    .bind(end.key)
    .bind(end.why.code())
    .bind(end.reason)
    .bind(place.position.cast_signed())
    .bind(place.recorded_at.to_sqlx())
    .bind(by.uuid())
    .execute(&mut **tx)
    .await?;
    Ok(())
}
