//! Mails: put together once, leased by whoever sends them, finished only by whoever holds the lease.

use crate::reference::word;
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{ClampId, PersonId, YardId};
use clampward_domain::notice::{About, NoticeForm, NoticeKind};
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::types::Json;
use uuid::Uuid;

/// Most notices of one mail.
const NOTICES: i64 = 500;
/// What is still to leave, as its index has it.
const TO_LEAVE: &str =
    "mail_id is null and acknowledged_at is null and not (over_if_settled and settled_at is not null)";

/// A notice in a mail.
#[derive(Clone, Debug, PartialEq)]
pub struct MailNotice {
    /// Its id.
    pub id: Uuid,
    /// What it is about.
    pub kind: NoticeKind,
    /// How it leaves.
    pub form: NoticeForm,
    /// The step of its escalation: from 1 on, nobody saw to it before.
    pub level: u16,
    /// The clamp.
    pub clamp: Option<ClampId>,
    /// The yard by whose day it leaves.
    pub yard: Option<YardId>,
    /// What it says.
    pub about: About,
    /// Since when there is something to tell.
    pub since: Timestamp,
    /// When it was to leave.
    pub leaves_at: Timestamp,
    /// Whether the matter is over meanwhile.
    pub is_over: bool,
}

/// A mail under lease.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// Its id; the same with each attempt.
    pub id: Uuid,
    /// Who is told.
    pub recipient: PersonId,
    /// Their name.
    pub name: String,
    /// Their address as it is now.
    pub address: String,
    /// Whether their account is open.
    pub is_open: bool,
    /// When it was put together.
    pub made_at: Timestamp,
    /// Which attempt this is, from 1.
    pub attempt: u32,
    /// What they are told, what was to leave first before the rest.
    pub notices: Vec<MailNotice>,
}

impl Store {
    /// Leases the next mail that is to be sent, or puts one together of what is to leave. `new_id` is the id of a new one,
    /// `token` what its holder finishes it by.
    pub async fn claim_mail(
        &self,
        token: Uuid,
        new_id: Uuid,
        lease: SignedDuration,
    ) -> Result<Option<Mail>, StoreError> {
        let claim = Claim { token, new_id, lease };
        self.run_command("notices.claim_mail", &claim).await
    }

    /// Notes that a mail was handed over; false if the lease went to somebody else meanwhile.
    pub async fn mail_sent(&self, mail: &Mail, token: Uuid) -> Result<bool, StoreError> {
        let done = sqlx::query(
            "-- notices.mail_sent
             update mail set sent_at = $3, address = $4, lease_token = null, lease_until = null
              where id = $1 and lease_token = $2 and sent_at is null",
        )
        .bind(mail.id)
        .bind(token)
        .bind(self.now().to_sqlx())
        .bind(&mail.address)
        .execute(&self.inner.door)
        .await?;
        Ok(done.rows_affected() == 1)
    }

    /// Notes that a mail could not be handed over, and when to try again; never, if there is no time for it.
    pub async fn mail_failed(
        &self,
        mail: &Mail,
        token: Uuid,
        error: &str,
        next_try_at: Option<Timestamp>,
    ) -> Result<bool, StoreError> {
        // Whom nobody can reach is not waited for: the next ones hear of it at once.
        let done: i64 = sqlx::query_scalar(
            "-- notices.mail_failed
             with failed as (
               update mail set last_error = $3, next_try_at = coalesce($4, next_try_at),
                      dead_because = case when $4::timestamptz is null then $3 end, lease_token = null, lease_until = null
                where id = $1 and lease_token = $2 and sent_at is null returning id, dead_because
             ), further as (
               update notice as n set escalates_at = $5 from failed as f
                where n.mail_id = f.id and f.dead_because is not null and n.acknowledged_at is null
                  and n.settled_at is null
             )
             select count(*) from failed",
        )
        .bind(mail.id)
        .bind(token)
        .bind(error)
        .bind(next_try_at.map(ToSqlx::to_sqlx))
        .bind(self.now().to_sqlx())
        .fetch_one(&self.inner.door)
        .await?;
        Ok(done == 1)
    }

    /// Has mails that were given up within so many days tried again, for as long as new ones. Answers how many.
    pub async fn retry_dead_mails(&self, days: u16) -> Result<u64, StoreError> {
        let done = sqlx::query(
            "-- notices.retry_dead
             update mail set dead_because = null, attempts = 0, next_try_at = $1, made_at = $1
              where dead_because is not null and made_at >= $2",
        )
        .bind(self.now().to_sqlx())
        .bind((self.now() - SignedDuration::from_hours(24 * i64::from(days))).to_sqlx())
        .execute(&self.inner.door)
        .await?;
        Ok(done.rows_affected())
    }

    /// How many mails wait, how many were given up, and since when the oldest notice should have left.
    pub async fn mail_backlog(&self) -> Result<(u64, u64, Option<Timestamp>), StoreError> {
        let sql = sqlx::AssertSqlSafe(format!(
            "-- notices.backlog
             select (select count(*) from mail where sent_at is null and dead_because is null),
                    (select count(*) from mail where dead_because is not null),
                    least((select min(made_at) from mail where sent_at is null and dead_because is null),
                          (select leaves_at from notice where {TO_LEAVE} and leaves_at <= $1 order by leaves_at limit 1))"
        ));
        let (waiting, dead, since): (i64, i64, Option<SqlTimestamp>) = sqlx::query_as(sql)
            .bind(self.now().to_sqlx())
            .fetch_one(&self.inner.door)
            .await?;
        Ok((
            waiting.unsigned_abs(),
            dead.unsigned_abs(),
            since.map(|since| since.to_jiff()),
        ))
    }
}

struct Claim {
    token: Uuid,
    new_id: Uuid,
    lease: SignedDuration,
}

#[derive(sqlx::FromRow)]
struct MailRow {
    id: Uuid,
    recipient: Uuid,
    made_at: SqlTimestamp,
    attempts: i32,
}

#[derive(sqlx::FromRow)]
struct NoticeRow {
    id: Uuid,
    kind: String,
    form: String,
    level: i16,
    clamp_id: Option<Uuid>,
    yard_id: Option<Uuid>,
    about: Json<About>,
    since: SqlTimestamp,
    leaves_at: SqlTimestamp,
    is_over: bool,
}

impl NoticeRow {
    fn read(self) -> Result<MailNotice, StoreError> {
        Ok(MailNotice {
            id: self.id,
            kind: word("notice", "kind", self.id, &self.kind)?,
            form: word("notice", "form", self.id, &self.form)?,
            level: self.level.unsigned_abs(),
            clamp: self.clamp_id.map(ClampId::new),
            yard: self.yard_id.map(YardId::new),
            about: self.about.0,
            since: self.since.to_jiff(),
            leaves_at: self.leaves_at.to_jiff(),
            is_over: self.is_over,
        })
    }
}

impl Command for Claim {
    type Output = Option<Mail>;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Option<Mail>, StoreError> {
        let until = tx.now() + self.lease;
        let taken = match self.waiting(tx, until).await? {
            Some(mail) => Some(mail),
            None => self.put_together(tx, until).await?,
        };
        match taken {
            Some(mail) => Ok(Some(read(tx, mail).await?)),
            None => Ok(None),
        }
    }
}

impl Claim {
    /// One that was put together before: its attempt is counted before it is made, so that one which ends the process is
    /// not tried for ever.
    async fn waiting(&self, tx: &mut Tx, until: Timestamp) -> Result<Option<MailRow>, StoreError> {
        let now = tx.now().to_sqlx();
        Ok(sqlx::query_as(
            "-- notices.lease_mail
             update mail set attempts = attempts + 1, lease_token = $1, lease_until = $2
              where id = (select id from mail
                           where sent_at is null and dead_because is null and next_try_at <= $3
                             and (lease_until is null or lease_until <= $3)
                           order by next_try_at limit 1 for no key update skip locked)
             returning id, recipient, made_at, attempts",
        )
        .bind(self.token)
        .bind(until.to_sqlx())
        .bind(now)
        .fetch_optional(&mut **tx)
        .await?)
    }

    /// A new one, of everything that somebody is to be told by now.
    async fn put_together(&self, tx: &mut Tx, until: Timestamp) -> Result<Option<MailRow>, StoreError> {
        let now = tx.now().to_sqlx();
        let first = sqlx::AssertSqlSafe(format!(
            "-- notices.first_to_leave
             select recipient from notice where {TO_LEAVE} and leaves_at <= $1 order by leaves_at, id limit 1
                for no key update skip locked"
        ));
        let recipient: Option<Uuid> = sqlx::query_scalar(first)
            .bind(now)
            .fetch_optional(&mut **tx)
            .await?;
        let Some(recipient) = recipient else {
            return Ok(None);
        };
        // One mail at a time for each: two would share between them what belongs together.
        let alone: bool = sqlx::query_scalar(
            "-- notices.alone
select pg_try_advisory_xact_lock(hashtextextended('mail to ' || $1::text, 0))",
        )
        .bind(recipient)
        .fetch_one(&mut **tx)
        .await?;
        if !alone {
            return Ok(None);
        }
        let made: MailRow = sqlx::query_as(
            "-- notices.make_mail
             insert into mail (id, recipient, made_at, attempts, next_try_at, lease_token, lease_until)
             values ($1, $2, $3, 1, $3, $4, $5) returning id, recipient, made_at, attempts",
        )
        .bind(self.new_id)
        .bind(recipient)
        .bind(now)
        .bind(self.token)
        .bind(until.to_sqlx())
        .fetch_one(&mut **tx)
        .await?;
        let take = sqlx::AssertSqlSafe(format!(
            "-- notices.fill_mail
             update notice set mail_id = $1
              where id in (select id from notice where recipient = $2 and {TO_LEAVE} and leaves_at <= $3
                            order by leaves_at, id limit $4 for no key update skip locked)"
        ));
        sqlx::query(take)
            .bind(self.new_id)
            .bind(recipient)
            .bind(now)
            .bind(NOTICES)
            .execute(&mut **tx)
            .await?;
        Ok(Some(made))
    }
}

/// One that cannot be read, because a later version raised it, must not keep the others of its mail from being told.
fn readable(row: NoticeRow) -> Option<MailNotice> {
    let id = row.id;
    row.read()
        .inspect_err(|error| tracing::error!(event = "notice_not_told", notice = %id, %error, "a notice cannot be read"))
        .ok()
}

async fn read(tx: &mut Tx, mail: MailRow) -> Result<Mail, StoreError> {
    let notices: Vec<NoticeRow> = sqlx::query_as(
        "-- notices.of_mail
         select id, kind, form, level, clamp_id, yard_id, about, since, leaves_at, settled_at is not null as is_over
           from notice where mail_id = $1 order by leaves_at, id",
    )
    .bind(mail.id)
    .fetch_all(&mut **tx)
    .await?;
    let (name, address, is_open): (String, String, bool) = sqlx::query_as(
        "-- notices.recipient
         select v.name, p.email, v.enabled
           from person as p join person_version as v on v.person_id = p.id and v.version = p.version where p.id = $1",
    )
    .bind(mail.recipient)
    .fetch_one(&mut **tx)
    .await?;
    Ok(Mail {
        id: mail.id,
        recipient: PersonId::new(mail.recipient),
        name,
        address,
        is_open,
        made_at: mail.made_at.to_jiff(),
        attempt: mail.attempts.unsigned_abs(),
        notices: notices.into_iter().filter_map(readable).collect(),
    })
}
