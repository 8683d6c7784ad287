//! What events are signed with. Two may be valid at once: a receiver changes over while both sign.

use super::{WebhookError, endpoints};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::PersonId;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

/// Most secrets of an endpoint that are valid at once.
pub const MAX_SECRETS: i64 = 2;
/// Random bytes of a secret.
pub const KEYS_BYTES: usize = 64;

/// A new secret.
#[derive(Clone)]
pub struct NewKeys {
    /// Its id.
    pub id: Uuid,
    /// The bytes.
    pub bytes: [u8; KEYS_BYTES],
}

/// What is known of a secret.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WebhookSecret {
    /// Its id.
    pub id: Uuid,
    /// Since when.
    pub created_at: Timestamp,
    /// By whom.
    pub created_by: PersonId,
    /// Until when it signs; none for the one that goes on.
    pub expires_at: Option<Timestamp>,
}

impl Store {
    /// Gives an endpoint a further secret. What signs already does so until `others_until`; at once no more, if that is now.
    pub async fn rotate_webhook_secret(
        &self,
        by: PersonId,
        endpoint: Uuid,
        keys: &NewKeys,
        others_until: Timestamp,
    ) -> Result<(), WebhookError> {
        self.run_tx("webhooks.rotate", async |tx| {
            endpoints::lock(tx, endpoint).await?;
            let now = tx.now();
            if others_until > now {
                let valid: i64 = sqlx::query_scalar(
                    "-- webhooks.count_secrets
                     select count(*) from webhook_secret
                      where endpoint_id = $1 and (expires_at is null or expires_at > $2)",
                )
                .bind(endpoint)
                .bind(now.to_sqlx())
                .fetch_one(&mut **tx)
                .await?;
                if valid >= MAX_SECRETS {
                    return Err(WebhookError::SecretsFull);
                }
            }
            // One that is over can be used for nothing any more, and is not kept.
            sqlx::query("-- webhooks.drop_secrets\ndelete from webhook_secret where endpoint_id = $1 and ($2 or expires_at <= $3)")
                .bind(endpoint)
                .bind(others_until <= now)
                .bind(now.to_sqlx())
                .execute(&mut **tx)
                .await?;
            sqlx::query(
                "-- webhooks.end_secrets
                 update webhook_secret set expires_at = $2 where endpoint_id = $1 and expires_at is null",
            )
            .bind(endpoint)
            .bind(others_until.to_sqlx())
            .execute(&mut **tx)
            .await?;
            Ok(insert(tx, endpoint, by, keys).await?)
        })
        .await
    }

    /// An endpoint's secrets that are valid, the newest first.
    pub async fn webhook_secrets(&self, endpoint: Uuid) -> Result<Vec<WebhookSecret>, StoreError> {
        #[derive(FromRow)]
        struct Row {
            id: Uuid,
            created_at: SqlTimestamp,
            created_by: Uuid,
            expires_at: Option<SqlTimestamp>,
        }
        let rows: Vec<Row> = sqlx::query_as(
            "-- webhooks.secrets
             select id, created_at, created_by, expires_at from webhook_secret
              where endpoint_id = $1 and (expires_at is null or expires_at > $2) order by expires_at desc nulls first, id",
        )
        .bind(endpoint)
        .bind(self.now().to_sqlx())
        .fetch_all(&self.inner.door)
        .await?;
        let read = |row: Row| WebhookSecret {
            id: row.id,
            created_at: row.created_at.to_jiff(),
            created_by: PersonId::new(row.created_by),
            expires_at: row.expires_at.map(SqlTimestamp::to_jiff),
        };
        Ok(rows.into_iter().map(read).collect())
    }
}

pub(super) async fn insert(
    tx: &mut Tx,
    endpoint: Uuid,
    by: PersonId,
    keys: &NewKeys,
) -> Result<(), StoreError> {
    sqlx::query(
        "-- webhooks.insert_secret
         insert into webhook_secret (id, endpoint_id, keys, created_at, created_by) values ($1, $2, $3, $4, $5)",
    )
    .bind(keys.id)
    .bind(endpoint)
    .bind(keys.bytes.as_slice())
    .bind(tx.now().to_sqlx())
    .bind(by.uuid())
    .execute(&mut **tx)
    .await?;
    Ok(())
}
