//! Credentials and one-time tokens. Secrets come and stay as digests; nothing here is part of the ledger.

use super::sessions::{Ending, end_families};
use super::{AccountKey, PeopleError};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::PersonId;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
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

/// A one-time token to set a password by.
#[derive(Clone, Debug)]
pub struct SetPasswordToken {
    /// Its digest.
    pub digest: Vec<u8>,
    /// Valid until.
    pub expires_at: Timestamp,
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
    /// Words that a guesser has at hand about a person: name and address, and the yards' codes and names.
    pub async fn password_context(&self, person: PersonId) -> Result<Vec<String>, StoreError> {
        let words: Vec<String> = sqlx::query_scalar(
            "-- sign_in.password_context
             select unnest(array[v.email, v.name]) from person p
               join person_version v on v.person_id = p.id and v.version = p.version where p.id = $1
             union all
             (select unnest(array[y.code, v.body ->> 'name']) from yard y
               join yard_version v on v.yard_id = y.id and v.version = y.version order by y.id limit 1000)",
        )
        .bind(person.uuid())
        .fetch_all(&self.inner.door)
        .await?;
        Ok(words)
    }
    /// Sets the password by a one-time token, ends every session of the person and forgets what was tried before.
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
            end_families(tx, person, Ending::PasswordSet).await?;
            let email: String =
                sqlx::query_scalar("-- sign_in.email_of\nselect email from person where id = $1")
                    .bind(person.uuid())
                    .fetch_one(&mut **tx)
                    .await?;
            super::throttle::forget(tx, &AccountKey::of(&email)).await?;
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

pub(super) async fn use_up_tokens(tx: &mut Tx, person: PersonId) -> Result<(), StoreError> {
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
