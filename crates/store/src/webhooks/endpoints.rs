//! Endpoints as people keep them.

use super::secrets::{self, NewKeys};
use super::{Endpoint, EndpointBody, EndpointStatus, MAX_ENDPOINTS, WebhookError};
use crate::reference::{word, words};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::PersonId;
use clampward_domain::webhook::PausedBecause;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

#[derive(FromRow)]
struct Row {
    id: Uuid,
    version: i64,
    url: String,
    description: String,
    events: Vec<String>,
    paused_because: Option<String>,
    created_at: SqlTimestamp,
    created_by: Uuid,
    changed_at: SqlTimestamp,
}

impl Row {
    fn read(self) -> Result<Endpoint, StoreError> {
        let table = "webhook_endpoint";
        Ok(Endpoint {
            id: self.id,
            version: self.version.unsigned_abs(),
            body: EndpointBody {
                url: self.url,
                description: self.description,
                events: words(table, "events", self.id, &self.events)?,
                paused: self
                    .paused_because
                    .map(|because| word(table, "paused_because", self.id, &because))
                    .transpose()?,
            },
            created_at: self.created_at.to_jiff(),
            created_by: PersonId::new(self.created_by),
            changed_at: self.changed_at.to_jiff(),
        })
    }
}

impl Store {
    /// Records an endpoint with its first secret. It is told of what is recorded from now on.
    pub async fn create_webhook_endpoint(
        &self,
        by: PersonId,
        id: Uuid,
        body: &EndpointBody,
        keys: &NewKeys,
    ) -> Result<Endpoint, WebhookError> {
        self.run_tx("webhooks.create", async |tx| {
            sqlx::query("-- webhooks.alone\nselect pg_advisory_xact_lock(hashtextextended('webhook endpoints', 0))")
                .execute(&mut **tx)
                .await?;
            let there: i64 = sqlx::query_scalar(
                "-- webhooks.count\nselect count(*) from webhook_endpoint where removed_at is null",
            )
            .fetch_one(&mut **tx)
            .await?;
            if there >= MAX_ENDPOINTS {
                return Err(WebhookError::EndpointsFull);
            }
            let now = tx.now().to_sqlx();
            sqlx::query(
                "-- webhooks.create
                 insert into webhook_endpoint (id, url, description, events, paused_because, created_at, created_by,
                                               changed_at, changed_by, position, moment)
                 select $1, $2, $3, $4, $5, $6, $7, $6, $7, h.position, $6 from ledger_head as h",
            )
            .bind(id)
            .bind(&body.url)
            .bind(&body.description)
            .bind(codes(body))
            .bind(body.paused.map(PausedBecause::code))
            .bind(now)
            .bind(by.uuid())
            .execute(&mut **tx)
            .await?;
            secrets::insert(tx, id, by, keys).await?;
            Ok(Endpoint {
                id,
                version: 1,
                body: body.clone(),
                created_at: tx.now(),
                created_by: by,
                changed_at: tx.now(),
            })
        })
        .await
    }

    /// Endpoints, those recorded last first.
    pub async fn webhook_endpoints(&self) -> Result<Vec<Endpoint>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "-- webhooks.list
             select id, version, url, description, events, paused_because, created_at, created_by, changed_at
               from webhook_endpoint where removed_at is null order by created_at desc, id desc",
        )
        .fetch_all(&self.inner.door)
        .await?;
        rows.into_iter().map(Row::read).collect()
    }

    /// An endpoint.
    pub async fn webhook_endpoint(&self, id: Uuid) -> Result<Option<Endpoint>, StoreError> {
        let row: Option<Row> = sqlx::query_as(
            "-- webhooks.read
             select id, version, url, description, events, paused_because, created_at, created_by, changed_at
               from webhook_endpoint where removed_at is null and id = $1",
        )
        .bind(id)
        .fetch_optional(&self.inner.door)
        .await?;
        row.map(Row::read).transpose()
    }

    /// Changes an endpoint that is still in this version. One that goes on is told of everything since it stopped.
    pub async fn change_webhook_endpoint(
        &self,
        by: PersonId,
        id: Uuid,
        version: u64,
        body: &EndpointBody,
    ) -> Result<Endpoint, WebhookError> {
        self.run_tx("webhooks.change", async |tx| {
            let row: Option<Row> = sqlx::query_as(
                "-- webhooks.change
                 update webhook_endpoint
                    set version = version + 1, url = $3, description = $4, events = $5, paused_because = $6,
                        changed_at = $7, changed_by = $8, failures = 0, wait_until = null,
                        failing_since = case when paused_because is null then failing_since end
                  where id = $1 and version = $2 and removed_at is null
                 returning id, version, url, description, events, paused_because, created_at, created_by, changed_at",
            )
            .bind(id)
            .bind(i64::try_from(version).unwrap_or(i64::MAX))
            .bind(&body.url)
            .bind(&body.description)
            .bind(codes(body))
            .bind(body.paused.map(PausedBecause::code))
            .bind(tx.now().to_sqlx())
            .bind(by.uuid())
            .fetch_optional(&mut **tx)
            .await?;
            let changed = row.ok_or(WebhookError::Stale)?.read()?;
            // What waits is tried at once, and for as long as if it were new.
            sqlx::query(
                "-- webhooks.try_again
                 update webhook_delivery set made_at = $2, next_try_at = $2, attempts = 0
                  where endpoint_id = $1 and state = 'waiting' and lease_until is null",
            )
            .bind(id)
            .bind(tx.now().to_sqlx())
            .execute(&mut **tx)
            .await?;
            Ok(changed)
        })
        .await
    }

    /// Removes an endpoint with its secrets: it is told of nothing any more, also not of what waits.
    pub async fn remove_webhook_endpoint(&self, by: PersonId, id: Uuid) -> Result<(), WebhookError> {
        self.run_tx("webhooks.remove", async |tx| {
            let done = sqlx::query(
                "-- webhooks.remove
                 update webhook_endpoint set removed_at = $2, changed_at = $2, changed_by = $3, version = version + 1
                  where id = $1 and removed_at is null",
            )
            .bind(id)
            .bind(tx.now().to_sqlx())
            .bind(by.uuid())
            .execute(&mut **tx)
            .await?;
            if done.rows_affected() == 0 {
                return Err(WebhookError::NotFound);
            }
            sqlx::query("-- webhooks.remove_secrets\ndelete from webhook_secret where endpoint_id = $1")
                .bind(id)
                .execute(&mut **tx)
                .await?;
            // What it waits for is not made any more; the worker forgets it part by part.
            Ok(())
        })
        .await
    }

    /// How it goes with an endpoint.
    pub async fn webhook_status(&self, id: Uuid) -> Result<Option<EndpointStatus>, StoreError> {
        #[derive(FromRow)]
        struct Status {
            position: i64,
            head: i64,
            waiting: i64,
            waiting_since: Option<SqlTimestamp>,
            given_up: i64,
            failing_since: Option<SqlTimestamp>,
            last_error: Option<String>,
            next_try_at: Option<SqlTimestamp>,
            delivered_at: Option<SqlTimestamp>,
        }
        let row: Option<Status> = sqlx::query_as(
            "-- webhooks.status
             select e.position, h.position as head, e.failing_since, e.last_error, e.delivered_at,
                    w.waiting, w.waiting_since, greatest(w.next_try_at, e.wait_until) as next_try_at,
                    (select count(*) from webhook_delivery where endpoint_id = e.id and state = 'given_up') as given_up
               from webhook_endpoint as e cross join ledger_head as h
              cross join lateral (select count(*) as waiting, min(made_at) as waiting_since, min(next_try_at) as next_try_at
                                    from webhook_delivery where endpoint_id = e.id and state = 'waiting') as w
              where e.id = $1 and e.removed_at is null",
        )
        .bind(id)
        .fetch_optional(&self.inner.door)
        .await?;
        let at = |time: Option<SqlTimestamp>| time.map(SqlTimestamp::to_jiff);
        Ok(row.map(|row| EndpointStatus {
            position: row.position.unsigned_abs(),
            head: row.head.unsigned_abs(),
            waiting: row.waiting.unsigned_abs(),
            waiting_since: at(row.waiting_since),
            given_up: row.given_up.unsigned_abs(),
            failing_since: at(row.failing_since),
            last_error: row.last_error,
            next_try_at: at(row.next_try_at),
            delivered_at: at(row.delivered_at),
        }))
    }
}

fn codes(body: &EndpointBody) -> Vec<&'static str> {
    body.events.iter().map(|event| event.code()).collect()
}

/// Locks an endpoint, so that nobody reads on for it, changes or removes it meanwhile.
pub(super) async fn lock(tx: &mut Tx, id: Uuid) -> Result<(), WebhookError> {
    let there: Option<Uuid> = sqlx::query_scalar(
        "-- webhooks.lock\nselect id from webhook_endpoint where id = $1 and removed_at is null for no key update",
    )
    .bind(id)
    .fetch_optional(&mut **tx)
    .await?;
    there.map(drop).ok_or(WebhookError::NotFound)
}
