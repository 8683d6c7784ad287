//! What became of a delivery, and what follows for its endpoint.

use super::Delivery;
use crate::notices::raise::{ToTell, raise};
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::notice::{About, NoticeKind, Occasion, webhook_gave_up, webhook_paused};
use clampward_domain::webhook::{EventType, PausedBecause};
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use uuid::Uuid;

/// Between two notes that an endpoint is well.
const BETWEEN_NOTES: SignedDuration = SignedDuration::from_secs(10);
/// Attempts in a row after which an endpoint counts as away, and not only as unable to take one event.
const WAS_AWAY: i32 = 3;
/// After how long without a single delivery an endpoint is paused.
const PAUSED_AFTER: SignedDuration = SignedDuration::from_hours(5 * 24);

pub(super) enum How<'a> {
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

pub(super) struct End<'a> {
    pub(super) store: &'a Store,
    pub(super) delivery: &'a Delivery,
    pub(super) token: Uuid,
    pub(super) how: How<'a>,
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
