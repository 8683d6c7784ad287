//! Deliveries under lease: taken up, and ended by whoever still holds the lease.

use crate::notices::raise::{ToTell, raise};
use crate::reference::word;
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::notice::{About, NoticeKind, Occasion, webhook_gave_up, webhook_paused};
use clampward_domain::webhook::{EventType, PausedBecause};
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::FromRow;
use uuid::Uuid;

/// After how long without a single delivery an endpoint is paused.
pub const PAUSED_AFTER: SignedDuration = SignedDuration::from_hours(5 * 24);
/// Deliveries of one endpoint that are made at once: a slow one leaves senders to the others.
const AT_ONCE: i64 = 2;
/// Attempts in a row after which an endpoint counts as away, and not only as unable to take one event.
const WAS_AWAY: i32 = 3;
/// Between two notes that an endpoint is well.
const BETWEEN_NOTES: SignedDuration = SignedDuration::from_secs(10);

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
        if let Some(test) = self.test(tx).await? {
            return Ok(Some(test));
        }
        // In any order, so that none is always asked first.
        let endpoints: Vec<Open> = sqlx::query_as(
            "-- webhooks.to_tell
             select id, version, url, failures, failing_since
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
        failing_since: endpoint.failing_since.map(SqlTimestamp::to_jiff),
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
select id, version, url, failures, failing_since from webhook_endpoint where id = $1",
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
        next_try_at: Timestamp,
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
        if !matches!(self.how, How::Taken(_)) {
            // First the endpoint, then its deliveries, as whoever changes it does.
            sqlx::query("-- webhooks.hold\nselect from webhook_endpoint where id = $1 for no key update")
                .bind(self.delivery.endpoint)
                .execute(&mut **tx)
                .await?;
        }
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
                    let day = tx.now().to_zoned(jiff::tz::TimeZone::UTC).date();
                    let subject = webhook_gave_up(self.delivery.endpoint, day);
                    self.tell(tx, subject, detail).await?;
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
                next_try_at,
            } => {
                let is_ours = self.note(tx, "waiting", status, Some(error)).await?;
                if is_ours {
                    self.park(tx, next_try_at).await?;
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

    /// Something was delivered. Noted now and then only: the row is everybody's who delivers there. If the endpoint was away
    /// until now, what was tried meanwhile waits no longer.
    async fn is_well(&self, tx: &mut Tx) -> Result<(), StoreError> {
        let now = tx.now();
        let failures: Option<i32> = sqlx::query_scalar(
            "-- webhooks.well
             update webhook_endpoint as e
                set failures = 0, failing_since = null, last_error = null, delivered_at = $2
               from (select failures from webhook_endpoint where id = $1) as before
              where e.id = $1 and (e.failing_since is not null or e.delivered_at is null or e.delivered_at < $3)
             returning before.failures",
        )
        .bind(self.delivery.endpoint)
        .bind(now.to_sqlx())
        .bind((now - BETWEEN_NOTES).to_sqlx())
        .fetch_optional(&mut **tx)
        .await?;
        if failures.is_some_and(|failures| failures >= WAS_AWAY) {
            sqlx::query(
                "-- webhooks.is_back
                 update webhook_delivery set next_try_at = $2
                  where endpoint_id = $1 and state = 'waiting' and next_try_at > $2",
            )
            .bind(self.delivery.endpoint)
            .bind(now.to_sqlx())
            .execute(&mut **tx)
            .await?;
        }
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
              where id = $1 and removed_at is null and version = $5 returning failing_since",
        )
        .bind(self.delivery.endpoint)
        .bind(now.to_sqlx())
        .bind(error)
        .bind(wait_until.map(ToSqlx::to_sqlx))
        .bind(i64::try_from(self.delivery.version).unwrap_or(i64::MAX))
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
              where id = $1 and paused_because is null and removed_at is null and version = $5 returning version",
        )
        .bind(self.delivery.endpoint)
        .bind(because.code())
        .bind(tx.now().to_sqlx())
        .bind(error)
        .bind(i64::try_from(self.delivery.version).unwrap_or(i64::MAX))
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
        let subject = webhook_paused(self.delivery.endpoint, version.unsigned_abs());
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
