//! Reading on for an endpoint: what it is to be told of the ledger's next rows, and of the instants that came.

use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{ClampId, LockoutId};
use clampward_domain::out_period::OutKind;
use clampward_domain::reference::Reference;
use clampward_domain::webhook::{
    EventType, barred_since, barring_id, event_id, moment_id, of_entry, of_moment,
};
use clampward_domain::words::EntryKind;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use sqlx::FromRow;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Rows that are read in one transaction.
const ROWS: i64 = 500;
/// Deliveries that may wait for an endpoint before nothing more is read for it: the ledger keeps the rest.
const MOST_WAITING: i64 = 10_000;
/// Between two looks at the instants that came.
const BETWEEN_LOOKS: SignedDuration = SignedDuration::from_secs(1);
/// How long ago an instant is before it is told: whoever is told asks a service whose clock may be a little behind, and an entry
/// that was being recorded then is there by now.
const SETTLES_WITHIN: SignedDuration = SignedDuration::from_secs(10);
/// Instants of so much time are looked at together: after weeks away each page reads a stretch, and not all of it.
const STRETCH: SignedDuration = SignedDuration::from_hours(6);
/// For how long deliveries that ended are kept.
pub const KEPT_FOR: SignedDuration = SignedDuration::from_hours(30 * 24);
/// Deliveries that are forgotten at a time.
const FORGOTTEN: i64 = 1000;

/// An event's body: what it is, when it happened, and where it is read.
#[derive(Serialize)]
struct Body<'a> {
    #[serde(rename = "type")]
    kind: EventType,
    timestamp: Timestamp,
    data: Data<'a>,
}

#[derive(Serialize)]
struct Data<'a> {
    id: Uuid,
    href: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry_id: Option<Uuid>,
    #[serde(skip_serializing_if = "Option::is_none")]
    position: Option<u64>,
    /// Until when the clamp is fit as far as is known; null if it is not.
    #[serde(skip_serializing_if = "Option::is_none")]
    fit_until: Option<Option<Timestamp>>,
}

/// What an event is about.
#[derive(Clone, Copy)]
enum Subject {
    Clamp(Uuid),
    Bulletin(Uuid),
    /// Nothing: somebody tries the endpoint out.
    Endpoint(Uuid),
}

impl Subject {
    fn id(self) -> Uuid {
        match self {
            Self::Clamp(id) | Self::Bulletin(id) | Self::Endpoint(id) => id,
        }
    }
    fn href(self) -> String {
        match self {
            Self::Clamp(id) => format!("/v1/clamps/{id}"),
            Self::Bulletin(id) => format!("/v1/bulletins/{id}"),
            Self::Endpoint(id) => format!("/v1/webhook-endpoints/{id}"),
        }
    }
}

/// An event that an endpoint may be told of.
struct Event {
    id: Uuid,
    kind: EventType,
    subject: Subject,
    happened_at: Timestamp,
    entry: Option<Uuid>,
    position: Option<i64>,
}

#[derive(FromRow)]
struct LedgerRow {
    position: i64,
    id: Uuid,
    stream: Uuid,
    kind: String,
    recorded_at: SqlTimestamp,
    bytes: Vec<u8>,
    outcome: Option<Vec<u8>>,
}

#[derive(FromRow)]
struct Moment {
    clamp_id: Uuid,
    starts_at: SqlTimestamp,
    kind: Option<String>,
    before: Option<String>,
    by_date: bool,
}

/// The day of a lock-out that came.
#[derive(FromRow)]
struct Barring {
    id: Uuid,
    clamp_id: Uuid,
    bars_from: SqlTimestamp,
}

impl Store {
    /// Reads on for every endpoint that is told of anything at present. Answers whether there is more to read at once.
    pub async fn read_on_for_webhooks(&self) -> Result<bool, StoreError> {
        let endpoints: Vec<Uuid> = sqlx::query_scalar(
            "-- webhooks.to_read_for
             select id from webhook_endpoint where removed_at is null and paused_because is null order by id",
        )
        .fetch_all(&self.inner.door)
        .await?;
        let mut has_more = false;
        let mut failed = None;
        for endpoint in endpoints {
            let read = ReadOn {
                store: self,
                endpoint,
            };
            match self.run_command("webhooks.read_on", &read).await {
                Ok(more) => has_more |= more,
                // The others are read for all the same.
                Err(error) => failed = failed.or(Some(error)),
            }
        }
        failed.map_or(Ok(has_more), Err)
    }

    /// Forgets deliveries that ended long ago, and those to endpoints that were removed. Answers whether there may be more.
    pub async fn forget_webhook_deliveries(&self) -> Result<bool, StoreError> {
        let done = sqlx::query(
            "-- webhooks.forget
             delete from webhook_delivery
              where ctid = any (array(select ctid from webhook_delivery where state <> 'waiting' and ended_at < $1 limit $2)
                                || array(select d.ctid from webhook_endpoint as e join webhook_delivery as d on d.endpoint_id = e.id
                                          where e.removed_at is not null limit $2))",
        )
        .bind((self.now() - KEPT_FOR).to_sqlx())
        .bind(FORGOTTEN)
        .execute(&self.inner.door)
        .await?;
        Ok(done.rows_affected() >= FORGOTTEN.unsigned_abs())
    }
}

/// Has an endpoint be told something now that somebody asks for, to try it out.
pub(super) async fn add_test(tx: &mut Tx, endpoint: Uuid, event: Uuid) -> Result<(), StoreError> {
    let event = Event {
        id: event,
        kind: EventType::WebhookTest,
        subject: Subject::Endpoint(endpoint),
        happened_at: tx.now(),
        entry: None,
        position: None,
    };
    write(tx, endpoint, &[event], &BTreeMap::new()).await
}

struct ReadOn<'a> {
    store: &'a Store,
    endpoint: Uuid,
}

#[derive(FromRow)]
struct Reached {
    events: Vec<String>,
    position: i64,
    moment: SqlTimestamp,
    moment_clamp: Uuid,
    waiting: i64,
}

impl Command for ReadOn<'_> {
    type Output = bool;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<bool, StoreError> {
        let reached: Option<Reached> = sqlx::query_as(
            "-- webhooks.reached
             select events, position, moment, moment_clamp,
                    (select count(*) from (select from webhook_delivery as d
                                            where d.endpoint_id = e.id and d.state = 'waiting' limit $2) as w) as waiting
               from webhook_endpoint as e
              where id = $1 and removed_at is null and paused_because is null for no key update of e skip locked",
        )
        .bind(self.endpoint)
        .bind(MOST_WAITING)
        .fetch_optional(&mut **tx)
        .await?;
        let Some(reached) = reached.filter(|reached| reached.waiting < MOST_WAITING) else {
            return Ok(false);
        };
        let rows: Vec<LedgerRow> = sqlx::query_as(
            "-- webhooks.rows
             select position, id, stream, kind, recorded_at, bytes, outcome from ledger
              where position > $1 order by position limit $2",
        )
        .bind(reached.position)
        .bind(ROWS)
        .fetch_all(&mut **tx)
        .await?;
        let now = tx.now();
        let full = |read: usize| i64::try_from(read).is_ok_and(|read| read >= ROWS);
        let mut events: Vec<Event> = rows.iter().flat_map(of_row).collect();
        // Up to where the ledger was read, so that nothing of a clamp overtakes what was before it.
        let settled = now - SETTLES_WITHIN;
        let read_until = rows.last().filter(|_| full(rows.len()));
        let read_until = read_until.map_or(settled, |row| row.recorded_at.to_jiff().min(settled));
        let from = reached.moment.to_jiff();
        let upto = read_until.min(from + STRETCH);
        let looks = upto.duration_since(from) >= BETWEEN_LOOKS;
        let moments = if looks {
            let reference = self.store.reference_in(tx).await?;
            moments(tx, &reference, &reached, upto).await?
        } else {
            Vec::new()
        };
        let (moment, moment_clamp) = match moments.last() {
            _ if !looks => (from, reached.moment_clamp),
            Some(last) if full(moments.len()) => (last.starts_at.to_jiff(), last.clamp_id),
            _ => (upto, Uuid::max()),
        };
        for moment in &moments {
            events.extend(of_instant(moment)?);
        }
        events.extend(barrings(tx, from, moment).await?);
        events.sort_by_key(|event| event.happened_at);
        events.retain(|event| reached.events.iter().any(|wanted| wanted == event.kind.code()));
        let fit_until = fit_until(tx, &events, now).await?;
        write(tx, self.endpoint, &events, &fit_until).await?;
        let position = rows.last().map_or(reached.position, |row| row.position);
        if position > reached.position || looks {
            sqlx::query(
                "-- webhooks.read_on
                 update webhook_endpoint set position = $2, moment = $3, moment_clamp = $4 where id = $1",
            )
            .bind(self.endpoint)
            .bind(position)
            .bind(moment.to_sqlx())
            .bind(moment_clamp)
            .execute(&mut **tx)
            .await?;
        }
        Ok(full(rows.len()) || full(moments.len()) || (looks && upto < settled))
    }
}

/// Events of a row of the ledger. Of an entry that cannot be read, because a later version wrote it, that the clamp is another.
fn of_row(row: &LedgerRow) -> Vec<Event> {
    let recorded_at = row.recorded_at.to_jiff();
    let event = |follows_from, kind, subject| Event {
        id: event_id(follows_from, kind),
        kind,
        subject,
        happened_at: recorded_at,
        entry: Some(row.id),
        position: Some(row.position),
    };
    if row.kind.parse::<EntryKind>().is_ok() {
        let clamp = Subject::Clamp(row.stream);
        let (types, barred) = match read(row) {
            Ok((entry, outcome)) => (
                of_entry(&entry, &outcome),
                barred_since(&entry, &outcome, recorded_at),
            ),
            Err(error) => {
                tracing::error!(event = "entry_not_read", entry = %row.id, %error, "an entry cannot be read: endpoints are told only that its clamp changed");
                (vec![EventType::ClampChanged], Vec::new())
            }
        };
        let types = types.into_iter().map(|kind| event(row.id, kind, clamp));
        let barred = barred.into_iter();
        let barred = barred.map(|lockout| event(barring_id(lockout), EventType::ClampTaggedOut, clamp));
        return types.chain(barred).collect();
    }
    let bulletin = Subject::Bulletin(row.stream);
    match row.kind.as_str() {
        "bulletin" => vec![event(row.id, EventType::BulletinOpened, bulletin)],
        "bulletin_closed" => vec![event(row.id, EventType::BulletinClosed, bulletin)],
        _ => Vec::new(),
    }
}

fn read(
    row: &LedgerRow,
) -> Result<(clampward_domain::entry::Entry, clampward_domain::judge::Outcome), StoreError> {
    let entry = crate::clamps::entries::parse(row.id, &row.bytes)?;
    let outcome = row.outcome.as_deref().map(serde_json::from_slice).transpose()?;
    Ok((entry, outcome.unwrap_or_default()))
}

/// Events of an instant at which a clamp begins to be out, or is no longer.
fn of_instant(moment: &Moment) -> Result<Vec<Event>, StoreError> {
    let kind = |text: &str| -> Result<OutKind, StoreError> {
        crate::reference::word("out_period", "kind", moment.clamp_id, text)
    };
    let now = moment.kind.as_deref().map(kind).transpose()?;
    let before = moment.before.as_deref().map(kind).transpose()?;
    let at = moment.starts_at.to_jiff();
    let follows_from = moment_id(ClampId::new(moment.clamp_id), at);
    let types = of_moment(now, before, moment.by_date);
    Ok(types
        .into_iter()
        .map(|kind| by_itself(follows_from, kind, moment.clamp_id, at))
        .collect())
}

fn by_itself(follows_from: Uuid, kind: EventType, clamp: Uuid, at: Timestamp) -> Event {
    Event {
        id: event_id(follows_from, kind),
        kind,
        subject: Subject::Clamp(clamp),
        happened_at: at,
        entry: None,
        position: None,
    }
}

/// Lock-outs whose day came after `from`, up to `upto`, and that still bar.
async fn barrings(tx: &mut Tx, from: Timestamp, upto: Timestamp) -> Result<Vec<Event>, StoreError> {
    let rows: Vec<Barring> = sqlx::query_as(
        "-- webhooks.barrings
         select id, clamp_id, bars_from from lockout
          where closed_at is null and bars_from > opened_at and bars_from > $1 and bars_from <= $2 order by bars_from, id",
    )
    .bind(from.to_sqlx())
    .bind(upto.to_sqlx())
    .fetch_all(&mut **tx)
    .await?;
    let event = |row: Barring| {
        let follows_from = barring_id(LockoutId::new(row.id));
        by_itself(
            follows_from,
            EventType::ClampTaggedOut,
            row.clamp_id,
            row.bars_from.to_jiff(),
        )
    };
    Ok(rows.into_iter().map(event).collect())
}

/// Instants after the last one that was read at which clamps began to be out, up to `upto`, and at which they were no longer by
/// themselves. Those that an entry brought are among the former; what they come to is the domain's to say. Read by the indexes
/// that the counts over the fleet have.
async fn moments(
    tx: &mut Tx,
    reference: &Reference,
    reached: &Reached,
    upto: Timestamp,
) -> Result<Vec<Moment>, StoreError> {
    let yards: Vec<Uuid> = reference.yards.keys().map(|yard| yard.uuid()).collect();
    Ok(sqlx::query_as(
        "-- webhooks.moments
         select p.clamp_id, p.starts_at, p.kind,
                (select q.kind from out_period as q where q.clamp_id = p.clamp_id and q.ends_at = p.starts_at limit 1) as before,
                exists (select from lockout as l
                         where l.clamp_id = p.clamp_id and l.bars_from = p.starts_at and l.bars_from > l.opened_at) as by_date
           from (select distinct p.starts_at, p.clamp_id, p.kind
                   from (
                    select e.ends_at as starts_at, e.clamp_id, null as kind from out_period as e
                     where e.foreseen and e.ends_at < 'infinity' and e.ends_at >= $2 and e.ends_at <= $4
                       and not exists (select from out_period as f where f.clamp_id = e.clamp_id and f.starts_at = e.ends_at)
                    union all
                    select q.starts_at, q.clamp_id, q.kind
                   from unnest($1::uuid[]) as y(yard_id)
                  cross join lateral (
                    select starts_at, clamp_id, kind from out_period
                     where yard_id = y.yard_id and foreseen and not in_doubt and cardinality(reasons) <= 8
                       and starts_at >= $2 and starts_at <= $4
                    union all
                    select starts_at, clamp_id, kind from out_period
                     where yard_id = y.yard_id and not foreseen and not in_doubt and cardinality(reasons) <= 8
                       and ends_at > $2 and starts_at >= $2 and starts_at <= $4
                    union all
                    select starts_at, clamp_id, kind from out_period
                     where yard_id = y.yard_id and (in_doubt or cardinality(reasons) > 8)
                       and ends_at > $2 and starts_at >= $2 and starts_at <= $4) as q) as p
                  where (p.starts_at, p.clamp_id) > ($2, $3)
                  order by p.starts_at, p.clamp_id limit $5) as p
          order by p.starts_at, p.clamp_id",
    )
    .bind(yards)
    .bind(reached.moment)
    .bind(reached.moment_clamp)
    .bind(upto.to_sqlx())
    .bind(ROWS)
    .fetch_all(&mut **tx)
    .await?)
}

/// Until when the clamps of these events are fit, as far as is known.
async fn fit_until(
    tx: &mut Tx,
    events: &[Event],
    now: Timestamp,
) -> Result<BTreeMap<Uuid, Option<Timestamp>>, StoreError> {
    let clamps: Vec<Uuid> = events
        .iter()
        .filter_map(|event| match event.subject {
            Subject::Clamp(id) => Some(id),
            Subject::Bulletin(_) | Subject::Endpoint(_) => None,
        })
        .collect();
    if clamps.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows: Vec<(Uuid, Option<SqlTimestamp>)> =
        sqlx::query_as("-- webhooks.fit_until\nselect id, fit_until from clamp where id = any($1)")
            .bind(clamps)
            .fetch_all(&mut **tx)
            .await?;
    let known = |until: Option<SqlTimestamp>| until.map(SqlTimestamp::to_jiff).filter(|until| *until > now);
    Ok(rows.into_iter().map(|(id, until)| (id, known(until))).collect())
}

/// Notes what an endpoint is to be told. What is there already stays as it is.
async fn write(
    tx: &mut Tx,
    endpoint: Uuid,
    events: &[Event],
    fit_until: &BTreeMap<Uuid, Option<Timestamp>>,
) -> Result<(), StoreError> {
    if events.is_empty() {
        return Ok(());
    }
    let now = tx.now();
    let mut bodies = Vec::with_capacity(events.len());
    for event in events {
        let href = event.subject.href();
        let body = Body {
            kind: event.kind,
            timestamp: event.happened_at,
            data: Data {
                id: event.subject.id(),
                href: &href,
                entry_id: event.entry,
                position: event.position.map(i64::unsigned_abs),
                fit_until: match event.subject {
                    Subject::Clamp(id) => Some(fit_until.get(&id).copied().flatten()),
                    Subject::Bulletin(_) | Subject::Endpoint(_) => None,
                },
            },
        };
        bodies.push(serde_json::to_string(&body)?);
    }
    // Each test is a subject of its own: none waits for another.
    let subject = |event: &Event| match event.subject {
        Subject::Clamp(id) | Subject::Bulletin(id) => id,
        Subject::Endpoint(_) => event.id,
    };
    let ids: Vec<Uuid> = events.iter().map(|event| event.id).collect();
    let types: Vec<&str> = events.iter().map(|event| event.kind.code()).collect();
    let subjects: Vec<Uuid> = events.iter().map(subject).collect();
    let times: Vec<SqlTimestamp> = events.iter().map(|event| event.happened_at.to_sqlx()).collect();
    // What comes behind something that failed waits as long as that does.
    sqlx::query(
        "-- webhooks.write
         insert into webhook_delivery (endpoint_id, event_id, type, subject, happened_at, body, made_at, next_try_at)
         select $1, u.id, u.type, u.subject, u.happened_at, u.body, $2,
                coalesce((select max(w.next_try_at) from webhook_delivery as w
                           where w.endpoint_id = $1 and w.subject = u.subject and w.state = 'waiting'), $2)
           from unnest($3::uuid[], $4::text[], $5::uuid[], $6::timestamptz[], $7::text[]) with ordinality
             as u(id, type, subject, happened_at, body, place)
          order by u.place
         on conflict (endpoint_id, event_id) do nothing",
    )
    .bind(endpoint)
    .bind(now.to_sqlx())
    .bind(ids)
    .bind(types)
    .bind(subjects)
    .bind(times)
    .bind(bodies)
    .execute(&mut **tx)
    .await?;
    Ok(())
}
