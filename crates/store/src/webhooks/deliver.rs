//! Deliveries under lease: taken up, and ended by whoever still holds the lease.

use crate::notices::raise::{ToTell, raise};
use crate::reference::word;
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::notice::{About, NoticeKind, Occasion, webhook_failing};
use clampward_domain::webhook::{EventType, PausedBecause};
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

/// After how long without a single delivery an endpoint is paused.
pub const PAUSED_AFTER: SignedDuration = SignedDuration::from_hours(5 * 24);
/// Deliveries of one endpoint that are made at once: a slow one leaves senders to the others.
const AT_ONCE: i64 = 2;
/// Between two notes that an endpoint is well.
const BETWEEN_NOTES: SignedDuration = SignedDuration::from_secs(10);

/// A delivery under lease.
#[derive(Clone)]
pub struct Delivery {
    /// To which endpoint.
    pub endpoint: Uuid,
    /// Where to.
    pub url: String,
    /// The event; the same with each attempt.
    pub event: Uuid,
    /// Its type.
    pub kind: EventType,
    /// What it says; the same bytes with each attempt.
    pub body: String,
    /// When it was to be delivered first.
    pub made_at: Timestamp,
    /// Which attempt this is, from 1.
    pub attempt: u32,
    /// Attempts in a row that found the endpoint away.
    pub failures: u32,
    /// Since when nothing could be delivered there.
    pub failing_since: Option<Timestamp>,
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

    /// Notes that the endpoint was not there: everything for it waits.
    pub async fn endpoint_away(
        &self,
        delivery: &Delivery,
        token: Uuid,
        (status, error): (Option<u16>, &str),
        wait_until: Timestamp,
    ) -> Result<bool, StoreError> {
        let end = End {
            store: self,
            delivery,
            token,
            how: How::Away {
                status,
                error,
                wait_until,
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
    url: String,
    is_open: bool,
    failures: i32,
    failing_since: Option<SqlTimestamp>,
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
        // In any order, so that none is always asked first. A test is made whatever is the matter with the endpoint.
        let endpoints: Vec<Open> = sqlx::query_as(
            "-- webhooks.to_tell
             select id, url, failures, failing_since,
                    paused_because is null and (wait_until is null or wait_until <= $1) as is_open
               from webhook_endpoint as e
              where removed_at is null
                and (select count(*) from webhook_delivery as d where d.endpoint_id = e.id and d.lease_until > $1) < $2
              order by random()",
        )
        .bind(now.to_sqlx())
        .bind(AT_ONCE)
        .fetch_all(&mut **tx)
        .await?;
        for endpoint in endpoints {
            if let Some(leased) = self.lease(tx, &endpoint).await? {
                let keys = keys(tx, endpoint.id).await?;
                return Ok(Some(Delivery {
                    endpoint: endpoint.id,
                    url: endpoint.url,
                    event: leased.event_id,
                    kind: word("webhook_delivery", "type", leased.event_id, &leased.r#type)?,
                    body: leased.body,
                    made_at: leased.made_at.to_jiff(),
                    attempt: leased.attempts.unsigned_abs(),
                    failures: endpoint.failures.unsigned_abs(),
                    failing_since: endpoint.failing_since.map(SqlTimestamp::to_jiff),
                    keys,
                }));
            }
        }
        Ok(None)
    }
}

impl Claim {
    /// The next one of an endpoint before which nothing of the same clamp waits. Its attempt is counted before it is made, so
    /// that one which ends the process is not tried for ever.
    async fn lease(&self, tx: &mut Tx, endpoint: &Open) -> Result<Option<Leased>, StoreError> {
        let now = tx.now();
        Ok(sqlx::query_as(
            "-- webhooks.lease
             update webhook_delivery as d set attempts = attempts + 1, lease_token = $2, lease_until = $3
              where endpoint_id = $1 and event_id = (
                select w.event_id from webhook_delivery as w
                 where w.endpoint_id = $1 and w.state = 'waiting' and w.next_try_at <= $4
                   and (w.lease_until is null or w.lease_until <= $4)
                   and ($5 or w.type = $6)
                   and not exists (select from webhook_delivery as b
                                    where b.endpoint_id = $1 and b.subject = w.subject and b.state = 'waiting' and b.seq < w.seq)
                 order by w.next_try_at, w.seq limit 1 for no key update skip locked)
             returning event_id, type, body, made_at, attempts",
        )
        .bind(endpoint.id)
        .bind(self.token)
        .bind((now + self.lease).to_sqlx())
        .bind(now.to_sqlx())
        .bind(endpoint.is_open)
        .bind(EventType::WebhookTest.code())
        .fetch_optional(&mut **tx)
        .await?)
    }
}

async fn keys(tx: &mut Tx, endpoint: Uuid) -> Result<Vec<Vec<u8>>, StoreError> {
    let now = tx.now().to_sqlx();
    Ok(sqlx::query_scalar(
        "-- webhooks.keys
         select keys from webhook_secret where endpoint_id = $1 and (expires_at is null or expires_at > $2)
          order by created_at desc, id desc",
    )
    .bind(endpoint)
    .bind(now)
    .fetch_all(&mut **tx)
    .await?)
}

enum How<'a> {
    Taken(u16),
    Refused {
        status: Option<u16>,
        error: &'a str,
        next_try_at: Option<Timestamp>,
    },
    Away {
        status: Option<u16>,
        error: &'a str,
        wait_until: Timestamp,
    },
    Gone,
}

struct End<'a> {
    store: &'a Store,
    delivery: &'a Delivery,
    token: Uuid,
    how: How<'a>,
}

impl Command for End<'_> {
    type Output = bool;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<bool, StoreError> {
        let is_test = self.delivery.kind == EventType::WebhookTest;
        match self.how {
            How::Taken(status) => {
                let is_ours = self.note(tx, "delivered", Some(status), None).await?;
                if is_ours && !is_test {
                    self.is_well(tx).await?;
                }
                Ok(is_ours)
            }
            // A test is made once: whoever asked for it looks.
            How::Refused { status, error, .. } | How::Away { status, error, .. } if is_test => {
                self.note(tx, "given_up", status, Some(error)).await
            }
            How::Gone if is_test => self.note(tx, "given_up", Some(410), Some(GONE)).await,
            How::Refused {
                status,
                error,
                next_try_at: None,
            } => {
                let is_ours = self.note(tx, "given_up", status, Some(error)).await?;
                if is_ours && !self.is_failing(tx, error, None).await? {
                    let detail = format!(
                        "{}: one event was given up: {error}. What came after it is delivered.",
                        self.delivery.url
                    );
                    self.tell(tx, self.delivery.event, detail).await?;
                }
                Ok(is_ours)
            }
            How::Refused {
                status,
                error,
                next_try_at: Some(next),
            } => {
                let is_ours = self.note(tx, "waiting", status, Some(error)).await?;
                if is_ours {
                    self.park(tx, next).await?;
                    self.is_failing(tx, error, None).await?;
                }
                Ok(is_ours)
            }
            How::Away {
                status,
                error,
                wait_until,
            } => {
                let is_ours = self.note(tx, "waiting", status, Some(error)).await?;
                if is_ours {
                    self.is_failing(tx, error, Some(wait_until)).await?;
                }
                Ok(is_ours)
            }
            How::Gone => {
                let is_ours = self.note(tx, "waiting", Some(410), Some(GONE)).await?;
                if is_ours {
                    self.pause(tx, PausedBecause::Gone, GONE).await?;
                }
                Ok(is_ours)
            }
        }
    }
}

/// What is noted of an endpoint that answers 410.
const GONE: &str = "it says that it is gone (410)";

impl End<'_> {
    /// Notes what became of it, if the lease is still ours.
    async fn note(
        &self,
        tx: &mut Tx,
        state: &str,
        status: Option<u16>,
        error: Option<&str>,
    ) -> Result<bool, StoreError> {
        let done = sqlx::query(
            "-- webhooks.note
             update webhook_delivery
                set state = $4, last_status = $5, last_error = $6, lease_token = null, lease_until = null,
                    ended_at = case when $4 <> 'waiting' then $7 end
              where endpoint_id = $1 and event_id = $2 and lease_token = $3 and state = 'waiting'",
        )
        .bind(self.delivery.endpoint)
        .bind(self.delivery.event)
        .bind(self.token)
        .bind(state)
        .bind(status.and_then(|status| i16::try_from(status).ok()))
        .bind(error)
        .bind(tx.now().to_sqlx())
        .execute(&mut **tx)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// It and what waits behind it are tried again then.
    async fn park(&self, tx: &mut Tx, next: Timestamp) -> Result<(), StoreError> {
        sqlx::query(
            "-- webhooks.park
             update webhook_delivery as w set next_try_at = $3
               from webhook_delivery as d
              where d.endpoint_id = $1 and d.event_id = $2
                and w.endpoint_id = $1 and w.subject = d.subject and w.state = 'waiting'",
        )
        .bind(self.delivery.endpoint)
        .bind(self.delivery.event)
        .bind(next.to_sqlx())
        .execute(&mut **tx)
        .await?;
        Ok(())
    }

    /// Something was delivered. Noted now and then only: the row is everybody's who delivers there.
    async fn is_well(&self, tx: &mut Tx) -> Result<(), StoreError> {
        let now = tx.now();
        sqlx::query(
            "-- webhooks.well
             update webhook_endpoint
                set failures = 0, failing_since = null, last_error = null, wait_until = null, delivered_at = $2
              where id = $1 and (failing_since is not null or delivered_at is null or delivered_at < $3)",
        )
        .bind(self.delivery.endpoint)
        .bind(now.to_sqlx())
        .bind((now - BETWEEN_NOTES).to_sqlx())
        .execute(&mut **tx)
        .await?;
        Ok(())
    }

    /// Something was not delivered. Answers whether the endpoint is paused because nothing was for days.
    async fn is_failing(
        &self,
        tx: &mut Tx,
        error: &str,
        wait_until: Option<Timestamp>,
    ) -> Result<bool, StoreError> {
        let now = tx.now();
        let since: Option<SqlTimestamp> = sqlx::query_scalar(
            "-- webhooks.failing
             update webhook_endpoint
                set failing_since = coalesce(failing_since, $2), last_error = $3,
                    failures = failures + case when $4::timestamptz is null then 0 else 1 end,
                    wait_until = coalesce($4, wait_until)
              where id = $1 and removed_at is null returning failing_since",
        )
        .bind(self.delivery.endpoint)
        .bind(now.to_sqlx())
        .bind(error)
        .bind(wait_until.map(ToSqlx::to_sqlx))
        .fetch_optional(&mut **tx)
        .await?
        .flatten();
        let for_days = since.is_some_and(|since| now.duration_since(since.to_jiff()) >= PAUSED_AFTER);
        if for_days {
            self.pause(tx, PausedBecause::Failing, error).await?;
        }
        Ok(for_days)
    }

    /// It is told of nothing until somebody lets it go on; whoever runs the service hears of it.
    async fn pause(&self, tx: &mut Tx, because: PausedBecause, error: &str) -> Result<(), StoreError> {
        let version: Option<i64> = sqlx::query_scalar(
            "-- webhooks.pause
             update webhook_endpoint
                set paused_because = $2, version = version + 1, changed_at = $3, last_error = $4
              where id = $1 and paused_because is null and removed_at is null returning version",
        )
        .bind(self.delivery.endpoint)
        .bind(because.code())
        .bind(tx.now().to_sqlx())
        .bind(error)
        .fetch_optional(&mut **tx)
        .await?;
        let Some(version) = version else { return Ok(()) };
        let why = match because {
            PausedBecause::Gone => GONE.to_owned(),
            PausedBecause::ByHand | PausedBecause::Failing => {
                format!(
                    "nothing could be delivered for {} days: {error}",
                    PAUSED_AFTER.as_hours() / 24
                )
            }
        };
        let detail = format!("{} is paused: {why}.", self.delivery.url);
        // Each pause is told: the version makes it one of its own.
        let subject = webhook_failing(self.delivery.endpoint, version.unsigned_abs());
        self.tell(tx, subject, detail).await
    }

    async fn tell(&self, tx: &mut Tx, subject: Uuid, detail: String) -> Result<(), StoreError> {
        let occasion = Occasion {
            kind: NoticeKind::WebhookFailing,
            subject,
            clamp: None,
            yards: Vec::new(),
            since: tx.now(),
            also: None,
            about: About {
                detail: Some(detail),
                ..About::default()
            },
        };
        let reference = self.store.reference_in(tx).await?;
        raise(tx, vec![ToTell::from(occasion)], &reference).await?;
        Ok(())
    }
}
