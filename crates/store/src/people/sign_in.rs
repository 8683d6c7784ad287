//! Credentials, one-time tokens and sessions. Secrets come and stay as digests; nothing here is part of the ledger.

use super::PeopleError;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::PersonId;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use sqlx::FromRow;
use uuid::Uuid;

/// What a sign-in is compared with.
#[derive(Clone, Debug)]
pub struct Credentials {
    /// The person.
    pub person: PersonId,
    /// Hash of their password, if they have set one.
    pub password_hash: Option<String>,
    /// Whether they may sign in.
    pub enabled: bool,
    /// Version of their grants.
    pub grants_version: u64,
}

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
}

/// A session that goes on.
#[derive(Clone, Copy, Debug)]
pub struct Renewed {
    /// Whose.
    pub person: PersonId,
    /// Version of their grants.
    pub grants_version: u64,
}

/// A one-time token to set a password by.
#[derive(Clone, Debug)]
pub struct SetPasswordToken {
    /// Its digest.
    pub digest: Vec<u8>,
    /// Valid until.
    pub expires_at: Timestamp,
}

#[derive(FromRow)]
struct TokenRow {
    family_id: Uuid,
    person_id: Uuid,
    used: bool,
    over: bool,
    enabled: bool,
    grants_version: i32,
}

impl Store {
    /// Credentials under an e-mail address.
    pub async fn credentials(&self, email: &str) -> Result<Option<Credentials>, StoreError> {
        let row: Option<(Uuid, Option<String>, bool, i32)> = sqlx::query_as(
            "-- sign_in.credentials
             select p.id, c.password_hash, v.enabled, p.version
               from person p join person_version v on v.person_id = p.id and v.version = p.version
               left join credential c on c.person_id = p.id
              where p.email = $1",
        )
        .bind(email)
        .fetch_optional(&self.inner.door)
        .await?;
        Ok(row.map(|(person, password_hash, enabled, version)| Credentials {
            person: PersonId::new(person),
            password_hash,
            enabled,
            grants_version: u64::from(version.unsigned_abs()),
        }))
    }
    /// Begins a session.
    pub async fn open_session(&self, session: &NewSession) -> Result<(), StoreError> {
        self.run_tx("sign_in.open_session", async |tx| {
            let now = tx.now();
            sqlx::query(
                "-- sign_in.insert_family
                 insert into session_family (id, person_id, started_at, expires_at) values ($1, $2, $3, $4)",
            )
            .bind(session.family)
            .bind(session.person.uuid())
            .bind(now.to_sqlx())
            .bind(session.expires_at.to_sqlx())
            .execute(&mut **tx)
            .await?;
            insert_token(tx, session.family, &session.token).await
        })
        .await
    }
    /// Exchanges a refresh token for the next one. `None`: unknown, expired or ended. Use of a token that was used
    /// before ends the whole session.
    pub async fn renew_session(&self, token: &[u8], next: &[u8]) -> Result<Option<Renewed>, StoreError> {
        self.run_tx("sign_in.renew_session", async |tx| {
            let now = tx.now().to_sqlx();
            let Some(row) = lock_token(tx, token).await? else { return Ok(None) };
            if row.used {
                tracing::warn!(person = %row.person_id, family = %row.family_id, "a used refresh token came again");
                end_family(tx, row.family_id, "reuse").await?;
                return Ok(None);
            }
            if row.over || !row.enabled {
                return Ok(None);
            }
            sqlx::query("-- sign_in.use_token\nupdate refresh_token set used_at = $2 where digest = $1")
                .bind(token)
                .bind(now)
                .execute(&mut **tx)
                .await?;
            insert_token(tx, row.family_id, next).await?;
            Ok(Some(Renewed {
                person: PersonId::new(row.person_id),
                grants_version: u64::from(row.grants_version.unsigned_abs()),
            }))
        })
        .await
    }
    /// Ends the session of a refresh token, whichever of its tokens it is. Unknown tokens end nothing.
    pub async fn end_session(&self, token: &[u8]) -> Result<(), StoreError> {
        self.run_tx("sign_in.end_session", async |tx| {
            match lock_token(tx, token).await? {
                Some(row) => end_family(tx, row.family_id, "revoked").await,
                None => Ok(()),
            }
        })
        .await
    }
    /// Hands out a one-time token to set a password by; earlier ones of the person open nothing any more.
    pub async fn issue_set_password_token(
        &self,
        person: PersonId,
        token: &SetPasswordToken,
    ) -> Result<(), StoreError> {
        self.run_tx("sign_in.issue_set_password_token", async |tx| {
            let now = tx.now().to_sqlx();
            use_up_tokens(tx, person).await?;
            sqlx::query(
                "-- sign_in.insert_set_password_token
                 insert into set_password_token (digest, person_id, issued_at, expires_at) values ($1, $2, $3, $4)",
            )
            .bind(&token.digest)
            .bind(person.uuid())
            .bind(now)
            .bind(token.expires_at.to_sqlx())
            .execute(&mut **tx)
            .await?;
            Ok(())
        })
        .await
    }
    /// Whose password a one-time token would set now.
    pub async fn set_password_token_of(&self, digest: &[u8]) -> Result<Option<PersonId>, StoreError> {
        let person: Option<Uuid> = sqlx::query_scalar(
            "-- sign_in.set_password_token_of
             select person_id from set_password_token where digest = $1 and used_at is null and expires_at > $2",
        )
        .bind(digest)
        .bind(self.now().to_sqlx())
        .fetch_optional(&self.inner.door)
        .await?;
        Ok(person.map(PersonId::new))
    }
    /// Sets the password by a one-time token and ends every session of the person.
    pub async fn set_password(&self, digest: &[u8], password_hash: &str) -> Result<(), PeopleError> {
        self.run_tx("sign_in.set_password", async |tx| {
            let person: Option<Uuid> = sqlx::query_scalar(
                "-- sign_in.use_set_password_token
                 update set_password_token set used_at = $2
                  where digest = $1 and used_at is null and expires_at > $2 returning person_id",
            )
            .bind(digest)
            .bind(tx.now().to_sqlx())
            .fetch_optional(&mut **tx)
            .await?;
            let person = PersonId::new(person.ok_or(PeopleError::NotFound)?);
            write_password(tx, person, password_hash).await?;
            use_up_tokens(tx, person).await?;
            sqlx::query(
                "-- sign_in.end_families
                 update session_family set ended_at = $2, ended_for = 'password_set'
                  where person_id = $1 and ended_at is null",
            )
            .bind(person.uuid())
            .bind(tx.now().to_sqlx())
            .execute(&mut **tx)
            .await?;
            Ok(())
        })
        .await
    }
}

pub(super) async fn write_password(
    tx: &mut Tx,
    person: PersonId,
    password_hash: &str,
) -> Result<(), StoreError> {
    sqlx::query(
        "-- sign_in.write_password
         insert into credential (person_id, password_hash, set_at) values ($1, $2, $3)
         on conflict (person_id) do update set password_hash = excluded.password_hash, set_at = excluded.set_at",
    )
    .bind(person.uuid())
    .bind(password_hash)
    .bind(tx.now().to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

async fn use_up_tokens(tx: &mut Tx, person: PersonId) -> Result<(), StoreError> {
    sqlx::query(
        "-- sign_in.use_up_tokens
         update set_password_token set used_at = $2 where person_id = $1 and used_at is null",
    )
    .bind(person.uuid())
    .bind(tx.now().to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

async fn insert_token(tx: &mut Tx, family: Uuid, digest: &[u8]) -> Result<(), StoreError> {
    sqlx::query("-- sign_in.insert_token\ninsert into refresh_token (digest, family_id, issued_at) values ($1, $2, $3)")
        .bind(digest)
        .bind(family)
        .bind(tx.now().to_sqlx())
        .execute(&mut **tx)
        .await?;
    Ok(())
}

/// The token with its session, under lock: two uses of one token at once are one use and one reuse.
async fn lock_token(tx: &mut Tx, digest: &[u8]) -> Result<Option<TokenRow>, StoreError> {
    let row = sqlx::query_as(
        "-- sign_in.lock_token
         select t.family_id, f.person_id, t.used_at is not null as used,
                (f.ended_at is not null or f.expires_at <= $2) as over, v.enabled, p.version as grants_version
           from refresh_token t
           join session_family f on f.id = t.family_id
           join person p on p.id = f.person_id
           join person_version v on v.person_id = p.id and v.version = p.version
          where t.digest = $1
            for update of t, f",
    )
    .bind(digest)
    .bind(tx.now().to_sqlx())
    .fetch_optional(&mut **tx)
    .await?;
    Ok(row)
}

async fn end_family(tx: &mut Tx, family: Uuid, reason: &str) -> Result<(), StoreError> {
    sqlx::query(
        "-- sign_in.end_family
         update session_family set ended_at = $2, ended_for = $3 where id = $1 and ended_at is null",
    )
    .bind(family)
    .bind(tx.now().to_sqlx())
    .bind(reason)
    .execute(&mut **tx)
    .await?;
    Ok(())
}
