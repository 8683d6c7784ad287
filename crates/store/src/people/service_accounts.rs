//! Secrets of service accounts. They come and stay as digests; each is a session, so that access tokens end with it.
//!
//! Two may be valid at once: the next one is handed out before the last one is withdrawn.

use super::sessions::{Ending, end_family, insert_family};
use super::{Account, AccountBody, AccountKind, PeopleError, accounts};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::PersonId;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

/// How many secrets of an account may be valid at once.
pub const MAX_VALID_SECRETS: i64 = 2;
/// Most secrets that are listed.
const MAX_LISTED: i64 = 100;

/// A secret that is handed out.
#[derive(Clone, Debug)]
pub struct NewSecret {
    /// Its id.
    pub id: Uuid,
    /// Its digest.
    pub digest: Vec<u8>,
    /// Its first characters, to tell it from another.
    pub shown: String,
    /// Valid until.
    pub expires_at: Timestamp,
}

/// What is known of a secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SecretRecord {
    /// Its id.
    pub id: Uuid,
    /// Its first characters.
    pub shown: String,
    /// Since when.
    pub created_at: Timestamp,
    /// By whom.
    pub created_by: PersonId,
    /// Until when.
    pub expires_at: Timestamp,
    /// Since when it opens nothing any more.
    pub revoked_at: Option<Timestamp>,
    /// When a token was last got by it.
    pub last_used_at: Option<Timestamp>,
}

/// A service account that proved itself by a secret.
#[derive(Clone, Copy, Debug)]
pub struct ClientSession {
    /// The account.
    pub account: PersonId,
    /// The secret, which is the session.
    pub secret: Uuid,
    /// Version of the grants.
    pub grants_version: u64,
    /// End of the secret.
    pub expires_at: Timestamp,
}

#[derive(FromRow)]
struct SecretRow {
    id: Uuid,
    shown: String,
    created_at: SqlTimestamp,
    created_by: Uuid,
    expires_at: SqlTimestamp,
    revoked_at: Option<SqlTimestamp>,
    last_used_at: Option<SqlTimestamp>,
}

impl From<SecretRow> for SecretRecord {
    fn from(row: SecretRow) -> Self {
        Self {
            id: row.id,
            shown: row.shown,
            created_at: row.created_at.to_jiff(),
            created_by: PersonId::new(row.created_by),
            expires_at: row.expires_at.to_jiff(),
            revoked_at: row.revoked_at.map(SqlTimestamp::to_jiff),
            last_used_at: row.last_used_at.map(SqlTimestamp::to_jiff),
        }
    }
}

impl Store {
    /// Records a service account with its first secret.
    pub async fn create_service_account(
        &self,
        row_id: Uuid,
        by: PersonId,
        id: PersonId,
        body: &AccountBody,
        secret: &NewSecret,
    ) -> Result<Account, PeopleError> {
        self.run_tx("service_accounts.create", async |tx| {
            let account = accounts::create(self, tx, row_id, by, id, body).await?;
            insert(tx, id, by, secret).await?;
            Ok(account)
        })
        .await
    }
    /// Hands out a further secret, unless as many as allowed are valid.
    pub async fn add_service_secret(
        &self,
        by: PersonId,
        id: PersonId,
        secret: &NewSecret,
    ) -> Result<SecretRecord, PeopleError> {
        self.run_tx("service_accounts.add_secret", async |tx| {
            let account = accounts::locked(tx, id).await?;
            account
                .filter(|account| account.body.kind == AccountKind::Service)
                .ok_or(PeopleError::NotFound)?;
            let valid: i64 = sqlx::query_scalar(
                "-- service_accounts.count_valid
                 select count(*) from session_family f join service_secret s on s.id = f.id
                  where s.account_id = $1 and f.ended_at is null and f.expires_at > $2",
            )
            .bind(id.uuid())
            .bind(tx.now().to_sqlx())
            .fetch_one(&mut **tx)
            .await?;
            if valid >= MAX_VALID_SECRETS {
                return Err(PeopleError::SecretsFull);
            }
            insert(tx, id, by, secret).await?;
            Ok(SecretRecord {
                id: secret.id,
                shown: secret.shown.clone(),
                created_at: tx.now(),
                created_by: by,
                expires_at: secret.expires_at,
                revoked_at: None,
                last_used_at: None,
            })
        })
        .await
    }
    /// An account's secrets, the newest first.
    pub async fn service_secrets(&self, id: PersonId) -> Result<Vec<SecretRecord>, StoreError> {
        let rows: Vec<SecretRow> = sqlx::query_as(
            "-- service_accounts.secrets
             select s.id, s.shown, f.started_at as created_at, s.created_by, f.expires_at, f.ended_at as revoked_at,
                    s.last_used_at
               from session_family f join service_secret s on s.id = f.id
              where s.account_id = $1 order by s.id desc limit $2",
        )
        .bind(id.uuid())
        .bind(MAX_LISTED)
        .fetch_all(&self.inner.door)
        .await?;
        Ok(rows.into_iter().map(SecretRecord::from).collect())
    }
    /// Withdraws a secret: it and the access tokens that were handed out for it open nothing any more. Withdrawing it
    /// again changes nothing.
    pub async fn revoke_service_secret(&self, id: PersonId, secret: Uuid) -> Result<(), PeopleError> {
        self.run_tx("service_accounts.revoke_secret", async |tx| {
            let known: Option<Uuid> = sqlx::query_scalar(
                "-- service_accounts.lock_secret
                 select f.id from session_family f join service_secret s on s.id = f.id
                  where f.id = $2 and f.person_id = $1 for update of f",
            )
            .bind(id.uuid())
            .bind(secret)
            .fetch_optional(&mut **tx)
            .await?;
            let secret = known.ok_or(PeopleError::NotFound)?;
            Ok(end_family(tx, secret, Ending::SecretRevoked).await?)
        })
        .await
    }
    /// The service account that a secret opens now; marks the secret as used.
    pub async fn client_session(
        &self,
        id: PersonId,
        digest: &[u8],
    ) -> Result<Option<ClientSession>, StoreError> {
        let row: Option<(Uuid, i32, SqlTimestamp)> = sqlx::query_as(
            "-- service_accounts.client_session
             update service_secret s set last_used_at = $3
               from session_family f
               join person p on p.id = f.person_id
               join person_version v on v.person_id = p.id and v.version = p.version
              where f.id = s.id and s.digest = $2 and f.person_id = $1 and p.kind = 'service' and v.enabled
                and f.ended_at is null and f.expires_at > $3
             returning s.id, p.version, f.expires_at",
        )
        .bind(id.uuid())
        .bind(digest)
        .bind(self.now().to_sqlx())
        .fetch_optional(&self.inner.door)
        .await?;
        Ok(row.map(|(secret, version, expires_at)| ClientSession {
            account: id,
            secret,
            grants_version: u64::from(version.unsigned_abs()),
            expires_at: expires_at.to_jiff(),
        }))
    }
}

async fn insert(tx: &mut Tx, id: PersonId, by: PersonId, secret: &NewSecret) -> Result<(), StoreError> {
    insert_family(tx, secret.id, id, secret.expires_at).await?;
    sqlx::query(
        "-- service_accounts.insert_secret
         insert into service_secret (id, account_id, digest, shown, created_by) values ($1, $2, $3, $4, $5)",
    )
    .bind(secret.id)
    .bind(id.uuid())
    .bind(&secret.digest)
    .bind(&secret.shown)
    .bind(by.uuid())
    .execute(&mut **tx)
    .await?;
    Ok(())
}
