//! Deliveries under lease: taken up, and ended by whoever still holds the lease ([`super::ended`]).

use super::ended::{End, How};
use crate::reference::word;
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::webhook::EventType;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

/// Deliveries of one endpoint that are made at once: a slow one leaves senders to the others.
const AT_ONCE: i64 = 2;

/// A delivery under lease.
#[derive(Clone)]
pub struct Delivery {
    /// To which endpoint.
    pub endpoint: Uuid,
    /// Its version: what is found out about it counts for this one.
    pub version: u64,
    /// Where to.
    pub url: String,
    /// The event; the same with each attempt.
    pub event: Uuid,
    /// Its type.
    pub kind: EventType,
    /// What it says; the same bytes with each attempt.
    pub body: String,
    /// When it was tried first.
    pub made_at: Timestamp,
    /// Which attempt this is, from 1.
    pub attempt: u32,
    /// Attempts in a row that found the endpoint away.
    pub failures: u32,
    /// What it is signed with, the newest first.
    pub keys: Vec<Vec<u8>>,
}

impl Store {
    /// Leases the next delivery that is to be made.
    pub async fn claim_delivery(
        &self,
        token: Uuid,
        lease: SignedDuration,
    ) -> Result<Option<Delivery>, StoreError> {
        self.run_command("webhooks.claim", &Claim { token, lease }).await
    }

    /// Notes that the endpoint took it; false if the lease went to somebody else meanwhile.
    pub async fn delivered(&self, delivery: &Delivery, token: Uuid, status: u16) -> Result<bool, StoreError> {
        let end = End {
            store: self,
            delivery,
            token,
            how: How::Taken(status),
        };
        self.run_command("webhooks.delivered", &end).await
    }

    /// Notes that the endpoint did not take this one, and when to try again; never, if it is given up. What comes after it of
    /// the same clamp waits as long.
    pub async fn delivery_refused(
        &self,
        delivery: &Delivery,
        token: Uuid,
        (status, error): (Option<u16>, &str),
        next_try_at: Option<Timestamp>,
    ) -> Result<bool, StoreError> {
        let end = End {
            store: self,
            delivery,
            token,
            how: How::Refused {
                status,
                error,
                next_try_at,
            },
        };
        self.run_command("webhooks.refused", &end).await
    }

    /// Notes that the endpoint was not there: everything for it waits, and this one until `next_try_at`, so that one by which an
    /// endpoint breaks down is not always the first.
    pub async fn endpoint_away(
        &self,
        delivery: &Delivery,
        token: Uuid,
        (status, error): (Option<u16>, &str),
        (wait_until, next_try_at): (Timestamp, Timestamp),
    ) -> Result<bool, StoreError> {
        let end = End {
            store: self,
            delivery,
            token,
            how: How::Away {
                status,
                error,
                wait_until,
                next_try_at,
            },
        };
        self.run_command("webhooks.away", &end).await
    }

    /// Notes that the endpoint says that it is gone: it is paused.
    pub async fn endpoint_gone(&self, delivery: &Delivery, token: Uuid) -> Result<bool, StoreError> {
        let end = End {
            store: self,
            delivery,
            token,
            how: How::Gone,
        };
        self.run_command("webhooks.gone", &end).await
    }
}

struct Claim {
    token: Uuid,
    lease: SignedDuration,
}

#[derive(FromRow)]
struct Open {
    id: Uuid,
    version: i64,
    url: String,
    failures: i32,
}

#[derive(FromRow)]
struct Leased {
    event_id: Uuid,
    r#type: String,
    body: String,
    made_at: SqlTimestamp,
    attempts: i32,
}

impl Command for Claim {
    type Output = Option<Delivery>;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Option<Delivery>, StoreError> {
        let now = tx.now();
        if let Some(test) = self.test(tx).await? {
            return Ok(Some(test));
        }
        // In any order, so that none is always asked first.
        let endpoints: Vec<Open> = sqlx::query_as(
            "-- webhooks.to_tell
             select id, version, url, failures
               from webhook_endpoint as e
              where removed_at is null and paused_because is null and (wait_until is null or wait_until <= $1)
                and (select count(*) from webhook_delivery as d where d.endpoint_id = e.id and d.lease_until > $1) < $2
              order by random()",
        )
        .bind(now.to_sqlx())
        .bind(AT_ONCE)
        .fetch_all(&mut **tx)
        .await?;
        for endpoint in endpoints {
            if let Some(leased) = self.lease(tx, &endpoint).await? {
                return Ok(Some(delivery(tx, endpoint, leased).await?));
            }
        }
        Ok(None)
    }
}

async fn delivery(tx: &mut Tx, endpoint: Open, leased: Leased) -> Result<Delivery, StoreError> {
    let keys = keys(tx, endpoint.id).await?;
    Ok(Delivery {
        endpoint: endpoint.id,
        version: endpoint.version.unsigned_abs(),
        url: endpoint.url,
        event: leased.event_id,
        kind: word("webhook_delivery", "type", leased.event_id, &leased.r#type)?,
        body: leased.body,
        made_at: leased.made_at.to_jiff(),
        attempt: leased.attempts.unsigned_abs(),
        failures: endpoint.failures.unsigned_abs(),
        keys,
    })
}

impl Claim {
    /// A test, whatever is the matter with its endpoint: somebody waits for it.
    async fn test(&self, tx: &mut Tx) -> Result<Option<Delivery>, StoreError> {
        #[derive(FromRow)]
        struct Test {
            endpoint_id: Uuid,
            #[sqlx(flatten)]
            leased: Leased,
        }
        let now = tx.now();
        let test: Option<Test> = sqlx::query_as(
            "-- webhooks.lease_test
             update webhook_delivery as d set attempts = attempts + 1, lease_token = $1, lease_until = $2
               from (select w.endpoint_id, w.event_id from webhook_delivery as w
                      where w.state = 'waiting' and w.type = 'webhook.test' and w.next_try_at <= $3
                        and (w.lease_until is null or w.lease_until <= $3)
                      order by w.next_try_at, w.seq limit 1 for no key update skip locked) as next
              where d.endpoint_id = next.endpoint_id and d.event_id = next.event_id
             returning d.endpoint_id, d.event_id, d.type, d.body, d.made_at, d.attempts",
        )
        .bind(self.token)
        .bind((now + self.lease).to_sqlx())
        .bind(now.to_sqlx())
        .fetch_optional(&mut **tx)
        .await?;
        let Some(test) = test else { return Ok(None) };
        let endpoint: Open = sqlx::query_as(
            "-- webhooks.tested
select id, version, url, failures from webhook_endpoint where id = $1",
        )
        .bind(test.endpoint_id)
        .fetch_one(&mut **tx)
        .await?;
        Ok(Some(delivery(tx, endpoint, test.leased).await?))
    }

    /// The next one of an endpoint before which nothing of the same clamp waits. Its attempt is counted before it is made, and so
    /// is the time for which it may be tried: what waited behind another is as new as on its first day.
    async fn lease(&self, tx: &mut Tx, endpoint: &Open) -> Result<Option<Leased>, StoreError> {
        let now = tx.now();
        Ok(sqlx::query_as(
            "-- webhooks.lease
             update webhook_delivery as d
                set attempts = attempts + 1, made_at = case when attempts = 0 then $4 else made_at end,
                    lease_token = $2, lease_until = $3
              where endpoint_id = $1 and event_id = (
                select w.event_id from webhook_delivery as w
                 where w.endpoint_id = $1 and w.state = 'waiting' and w.next_try_at <= $4
                   and (w.lease_until is null or w.lease_until <= $4)
                   and not exists (select from webhook_delivery as b
                                    where b.endpoint_id = $1 and b.subject = w.subject and b.state = 'waiting' and b.seq < w.seq)
                 order by w.next_try_at, w.seq limit 1 for no key update skip locked)
             returning event_id, type, body, made_at, attempts",
        )
        .bind(endpoint.id)
        .bind(self.token)
        .bind((now + self.lease).to_sqlx())
        .bind(now.to_sqlx())
        .fetch_optional(&mut **tx)
        .await?)
    }
}

async fn keys(tx: &mut Tx, endpoint: Uuid) -> Result<Vec<Vec<u8>>, StoreError> {
    let now = tx.now().to_sqlx();
    Ok(sqlx::query_scalar(
        "-- webhooks.keys
         select keys from webhook_secret where endpoint_id = $1 and (expires_at is null or expires_at > $2)
          order by expires_at desc nulls first, id",
    )
    .bind(endpoint)
    .bind(now)
    .fetch_all(&mut **tx)
    .await?)
}
