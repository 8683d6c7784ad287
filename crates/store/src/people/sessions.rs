//! Sessions: a family of refresh tokens, of which one at a time opens. Tokens come and stay as digests; nothing here is
//! part of the ledger. Knows no password and no access token.

use super::AccountKey;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::PersonId;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

/// How long a used refresh token may be exchanged once more while its successor is unused: the answer was lost.
pub const REFRESH_GRACE_SECONDS: i64 = 60;

/// How long a session that is over can still be looked up.
pub const ENDED_SESSIONS_KEPT_DAYS: i64 = 90;

/// A session that begins.
#[derive(Clone, Debug)]
pub struct NewSession {
    /// The family of its refresh tokens.
    pub family: Uuid,
    /// Whose.
    pub person: PersonId,
    /// Digest of the first refresh token.
    pub token: Vec<u8>,
    /// End at the latest.
    pub expires_at: Timestamp,
    /// The account whose attempts without success are forgotten with it.
    pub account: AccountKey,
    /// The hash that the password was checked against.
    pub password_hash: String,
}

/// A session that goes on.
#[derive(Clone, Copy, Debug)]
pub struct Renewed {
    /// Which.
    pub family: Uuid,
    /// Whose.
    pub person: PersonId,
    /// Version of their grants.
    pub grants_version: u64,
    /// End at the latest.
    pub expires_at: Timestamp,
}

/// Why a session ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ending {
    /// By whoever holds it.
    Revoked,
    /// A refresh token was used twice.
    Reuse,
    /// A new password was set.
    PasswordSet,
    /// The account was closed.
    AccountClosed,
    /// The secret of a service account was withdrawn.
    SecretRevoked,
    /// The device was revoked.
    DeviceRevoked,
}

impl Ending {
    fn code(self) -> &'static str {
        match self {
            Self::Revoked => "revoked",
            Self::Reuse => "reuse",
            Self::PasswordSet => "password_set",
            Self::AccountClosed => "account_closed",
            Self::SecretRevoked => "secret_revoked",
            Self::DeviceRevoked => "device_revoked",
        }
    }
}

#[derive(FromRow)]
struct FamilyRow {
    id: Uuid,
    person_id: Uuid,
    over: bool,
    enabled: bool,
    grants_version: i32,
    expires_at: SqlTimestamp,
}

#[derive(FromRow)]
struct TokenRow {
    used_at: Option<SqlTimestamp>,
    successor: Option<Vec<u8>>,
    successor_is_unused: bool,
}

impl Store {
    /// Forgets sessions that have been over for [`ENDED_SESSIONS_KEPT_DAYS`], with their tokens; at most so many, and answers
    /// how many. What has no refresh tokens stays: secrets of service accounts and keys of devices are listed for good.
    pub async fn forget_ended_sessions(&self, most: u32) -> Result<u64, StoreError> {
        let kept = SignedDuration::from_hours(ENDED_SESSIONS_KEPT_DAYS * 24);
        let now = self.now();
        let before = now.checked_sub(kept).unwrap_or(now);
        let gone = sqlx::query(
            "-- sessions.forget
             delete from session_family where id in (
               select f.id from session_family as f
                where least(f.ended_at, f.expires_at) < $1
                  and exists (select from refresh_token as t where t.family_id = f.id)
                limit $2)",
        )
        .bind(before.to_sqlx())
        .bind(i64::from(most))
        .execute(&self.inner.door)
        .await?;
        Ok(gone.rows_affected())
    }
}

impl Store {
    /// Begins a session, if the password is still the one that was checked and the account still open: checking takes
    /// long enough for both to change meanwhile. Answers whether it began.
    pub async fn open_session(&self, session: &NewSession) -> Result<bool, StoreError> {
        self.run_tx("sessions.open", async |tx| {
            let still: Option<bool> = sqlx::query_scalar(
                "-- sessions.still_proven
                 select v.enabled
                   from credential c
                   join person p on p.id = c.person_id
                   join person_version v on v.person_id = p.id and v.version = p.version
                  where c.person_id = $1 and c.password_hash = $2
                    for share of c",
            )
            .bind(session.person.uuid())
            .bind(&session.password_hash)
            .fetch_optional(&mut **tx)
            .await?;
            if still != Some(true) {
                return Ok(false);
            }
            insert_family(tx, session.family, session.person, session.expires_at).await?;
            super::throttle::forget(tx, &session.account).await?;
            insert_token(tx, session.family, &session.token).await?;
            Ok(true)
        })
        .await
    }
    /// Exchanges a refresh token for the next one. `None`: unknown, expired or ended.
    ///
    /// A token that was used before is exchanged once more within [`REFRESH_GRACE_SECONDS`] while its successor is
    /// unused, which then counts as used at that time; in any other case its use ends the whole session.
    pub async fn renew_session(&self, token: &[u8], next: &[u8]) -> Result<Option<Renewed>, StoreError> {
        self.run_tx("sessions.renew", async |tx| {
            let Some(family) = lock_family(tx, token).await? else { return Ok(None) };
            let row = read_token(tx, token).await?;
            let lost = match (row.used_at, row.successor) {
                (None, _) => None,
                (Some(used_at), Some(lost)) if row.successor_is_unused && in_grace(used_at, tx.now()) => {
                    Some(lost)
                }
                (Some(_), _) => {
                    if !family.over {
                        tracing::warn!(person = %family.person_id, family = %family.id, "a used refresh token came again: the session is ended");
                    }
                    end_family(tx, family.id, Ending::Reuse).await?;
                    return Ok(None);
                }
            };
            if family.over || !family.enabled {
                return Ok(None);
            }
            insert_token(tx, family.id, next).await?;
            if let Some(lost) = lost {
                use_token(tx, &lost, next).await?;
            }
            use_token(tx, token, next).await?;
            Ok(Some(Renewed {
                family: family.id,
                person: PersonId::new(family.person_id),
                grants_version: u64::from(family.grants_version.unsigned_abs()),
                expires_at: family.expires_at.to_jiff(),
            }))
        })
        .await
    }
    /// Ends the session of a refresh token, whichever of its tokens it is. Unknown tokens end nothing.
    pub async fn end_session(&self, token: &[u8]) -> Result<(), StoreError> {
        self.run_tx("sessions.end", async |tx| match lock_family(tx, token).await? {
            Some(family) => end_family(tx, family.id, Ending::Revoked).await,
            None => Ok(()),
        })
        .await
    }
}

fn in_grace(used_at: SqlTimestamp, now: Timestamp) -> bool {
    now.duration_since(used_at.to_jiff()) <= SignedDuration::from_secs(REFRESH_GRACE_SECONDS)
}

/// The session of a token, under lock: whoever comes with one of its tokens at the same time waits here, before any
/// token is read.
async fn lock_family(tx: &mut Tx, digest: &[u8]) -> Result<Option<FamilyRow>, StoreError> {
    let row = sqlx::query_as(
        "-- sessions.lock_family
         select f.id, f.person_id, (f.ended_at is not null or f.expires_at <= $2) as over, v.enabled,
                p.version as grants_version, f.expires_at
           from session_family f
           join person p on p.id = f.person_id
           join person_version v on v.person_id = p.id and v.version = p.version
          where f.id = (select t.family_id from refresh_token t where t.digest = $1)
            for update of f",
    )
    .bind(digest)
    .bind(tx.now().to_sqlx())
    .fetch_optional(&mut **tx)
    .await?;
    Ok(row)
}

/// The token as it is now that its session is locked.
async fn read_token(tx: &mut Tx, digest: &[u8]) -> Result<TokenRow, StoreError> {
    let row = sqlx::query_as(
        "-- sessions.read_token
         select t.used_at, t.successor, coalesce(s.used_at is null, false) as successor_is_unused
           from refresh_token t left join refresh_token s on s.digest = t.successor where t.digest = $1",
    )
    .bind(digest)
    .fetch_one(&mut **tx)
    .await?;
    Ok(row)
}

pub(super) async fn insert_family(
    tx: &mut Tx,
    family: Uuid,
    person: PersonId,
    expires_at: Timestamp,
) -> Result<(), StoreError> {
    sqlx::query(
        "-- sessions.insert_family
         insert into session_family (id, person_id, started_at, expires_at) values ($1, $2, $3, $4)",
    )
    .bind(family)
    .bind(person.uuid())
    .bind(tx.now().to_sqlx())
    .bind(expires_at.to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

async fn insert_token(tx: &mut Tx, family: Uuid, digest: &[u8]) -> Result<(), StoreError> {
    sqlx::query("-- sessions.insert_token\ninsert into refresh_token (digest, family_id, issued_at) values ($1, $2, $3)")
        .bind(digest)
        .bind(family)
        .bind(tx.now().to_sqlx())
        .execute(&mut **tx)
        .await?;
    Ok(())
}

/// Used from its first use on: a later exchange within the grace does not prolong it.
async fn use_token(tx: &mut Tx, digest: &[u8], successor: &[u8]) -> Result<(), StoreError> {
    sqlx::query(
        "-- sessions.use_token
         update refresh_token set used_at = coalesce(used_at, $2), successor = $3 where digest = $1",
    )
    .bind(digest)
    .bind(tx.now().to_sqlx())
    .bind(successor)
    .execute(&mut **tx)
    .await?;
    Ok(())
}

pub(super) async fn end_family(tx: &mut Tx, family: Uuid, why: Ending) -> Result<(), StoreError> {
    sqlx::query(
        "-- sessions.end_family
         update session_family set ended_at = $2, ended_for = $3 where id = $1 and ended_at is null",
    )
    .bind(family)
    .bind(tx.now().to_sqlx())
    .bind(why.code())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// Ends every session of a person: the next request with any of their access tokens is refused.
pub(super) async fn end_families(tx: &mut Tx, person: PersonId, why: Ending) -> Result<(), StoreError> {
    sqlx::query(
        "-- sessions.end_families
         update session_family set ended_at = $2, ended_for = $3 where person_id = $1 and ended_at is null",
    )
    .bind(person.uuid())
    .bind(tx.now().to_sqlx())
    .bind(why.code())
    .execute(&mut **tx)
    .await?;
    Ok(())
}
