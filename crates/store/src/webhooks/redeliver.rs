//! Deliveries that somebody asks for: to try an endpoint out, and of what it was told before.

use super::{WebhookError, endpoints, read_on};
use crate::Store;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use uuid::Uuid;

/// Most events that are told again at once.
pub const MAX_REDELIVERED: i64 = 10_000;

impl Store {
    /// Has an endpoint be told something that means nothing, under this event id. It is tried once, also while it is paused.
    pub async fn test_webhook_endpoint(&self, endpoint: Uuid, event: Uuid) -> Result<(), WebhookError> {
        self.run_tx("webhooks.test", async |tx| {
            endpoints::lock(tx, endpoint).await?;
            Ok(read_on::add_test(tx, endpoint, event).await?)
        })
        .await
    }

    /// Has an endpoint be told of an event again, under the same id.
    pub async fn redeliver_event(&self, endpoint: Uuid, event: Uuid) -> Result<u64, WebhookError> {
        self.run_tx("webhooks.redeliver_event", async |tx| {
            endpoints::lock(tx, endpoint).await?;
            let done = sqlx::query(
                "-- webhooks.redeliver_event
                 update webhook_delivery
                    set state = 'waiting', ended_at = null, attempts = 0, made_at = $3, next_try_at = $3
                  where endpoint_id = $1 and event_id = $2 and lease_until is null",
            )
            .bind(endpoint)
            .bind(event)
            .bind(tx.now().to_sqlx())
            .execute(&mut **tx)
            .await?;
            if done.rows_affected() > 0 {
                return Ok(done.rows_affected());
            }
            // Somebody is at it just now: it is told without further ado.
            let there: Option<bool> = sqlx::query_scalar(
                "-- webhooks.is_there\nselect true from webhook_delivery where endpoint_id = $1 and event_id = $2",
            )
            .bind(endpoint)
            .bind(event)
            .fetch_optional(&mut **tx)
            .await?;
            there.map(|_| 0).ok_or(WebhookError::NotFound)
        })
        .await
    }

    /// Has an endpoint be told again of everything that happened from `from` on and before `to`, as far as it is kept. Answers
    /// of how many events.
    pub async fn redeliver_events(
        &self,
        endpoint: Uuid,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<u64, WebhookError> {
        self.run_tx("webhooks.redeliver_events", async |tx| {
            endpoints::lock(tx, endpoint).await?;
            let there: i64 = sqlx::query_scalar(
                "-- webhooks.count_events
                 select count(*) from (select from webhook_delivery
                                        where endpoint_id = $1 and happened_at >= $2 and happened_at < $3 limit $4) as d",
            )
            .bind(endpoint)
            .bind(from.to_sqlx())
            .bind(to.to_sqlx())
            .bind(MAX_REDELIVERED + 1)
            .fetch_one(&mut **tx)
            .await?;
            if there > MAX_REDELIVERED {
                return Err(WebhookError::TooMany);
            }
            let done = sqlx::query(
                "-- webhooks.redeliver_events
                 update webhook_delivery
                    set state = 'waiting', ended_at = null, attempts = 0, made_at = $4, next_try_at = $4
                  where endpoint_id = $1 and happened_at >= $2 and happened_at < $3 and state <> 'waiting'
                    and type <> 'webhook.test'",
            )
            .bind(endpoint)
            .bind(from.to_sqlx())
            .bind(to.to_sqlx())
            .bind(tx.now().to_sqlx())
            .execute(&mut **tx)
            .await?;
            Ok(done.rows_affected())
        })
        .await
    }
}
