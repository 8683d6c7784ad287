//! Reading on for an endpoint: what it is to be told of the ledger's next rows, and of the instants that came.

use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{ClampId, LockoutId};
use clampward_domain::out_period::OutKind;
use clampward_domain::reference::Reference;
use clampward_domain::webhook::{EventType, barring_id, event_id, moment_id, of_entry, of_moment};
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
    kind: String,
    before: Option<String>,
    lockout: Option<Uuid>,
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
        for endpoint in endpoints {
            let read = ReadOn {
                store: self,
                endpoint,
            };
            has_more |= self.run_command("webhooks.read_on", &read).await?;
        }
        Ok(has_more)
    }

    /// Forgets deliveries that ended long ago.
    pub async fn forget_webhook_deliveries(&self) -> Result<bool, StoreError> {
        let done = sqlx::query(
            "-- webhooks.forget
             delete from webhook_delivery
              where ctid in (select ctid from webhook_delivery where state <> 'waiting' and ended_at < $1 limit $2)",
        )
        .bind((self.now() - KEPT_FOR).to_sqlx())
        .bind(FORGOTTEN)
        .execute(&self.inner.door)
        .await?;
        Ok(done.rows_affected() >= FORGOTTEN.unsigned_abs())
    }
}

/// Has an endpoint be told something now that somebody asks for, to try it out. Answers the event's id.
pub(super) async fn add_test(tx: &mut Tx, endpoint: Uuid, event: Uuid) -> Result<(), StoreError> {
    let event = Event {
        id: event,
        kind: EventType::WebhookTest,
        subject: Subject::Endpoint(endpoint),
        happened_at: tx.now(),
        entry: None,
        position: None,
    };
    // Each of them is a subject of its own: none waits for another.
    write(tx, endpoint, &[event], &BTreeMap::new(), true).await
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
        let mut events: Vec<Event> = rows.iter().flat_map(|row| of_row(row, now)).collect();
        let looks = now.duration_since(reached.moment.to_jiff()) >= BETWEEN_LOOKS;
        let moments = if looks {
            let reference = self.store.reference_in(tx).await?;
            moments(tx, &reference, &reached, now).await?
        } else {
            Vec::new()
        };
        for moment in &moments {
            events.extend(of_instant(moment)?);
        }
        events.retain(|event| reached.events.iter().any(|wanted| wanted == event.kind.code()));
        let fit_until = fit_until(tx, &events, now).await?;
        write(tx, self.endpoint, &events, &fit_until, false).await?;
        let full = |read: usize| i64::try_from(read).is_ok_and(|read| read >= ROWS);
        let (moment, moment_clamp) = match moments.last() {
            _ if !looks => (reached.moment.to_jiff(), reached.moment_clamp),
            Some(last) if full(moments.len()) => (last.starts_at.to_jiff(), last.clamp_id),
            _ => (now, Uuid::max()),
        };
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
        Ok(full(rows.len()) || full(moments.len()))
    }
}

/// Events of a row of the ledger. Of an entry that cannot be read, because a later version wrote it, that the clamp is another.
fn of_row(row: &LedgerRow, now: Timestamp) -> Vec<Event> {
    let event = |kind, subject| Event {
        id: event_id(row.id, kind),
        kind,
        subject,
        happened_at: row.recorded_at.to_jiff(),
        entry: Some(row.id),
        position: Some(row.position),
    };
    if row.kind.parse::<EntryKind>().is_ok() {
        let types = read(row).map_or_else(
            |error| {
                tracing::error!(event = "entry_not_read", entry = %row.id, %error, "an entry cannot be read: endpoints are told only that its clamp changed");
                vec![EventType::ClampChanged]
            },
            |(entry, outcome)| of_entry(&entry, &outcome, now),
        );
        return types
            .into_iter()
            .map(|kind| event(kind, Subject::Clamp(row.stream)))
            .collect();
    }
    match row.kind.as_str() {
        "bulletin" => vec![event(EventType::BulletinOpened, Subject::Bulletin(row.stream))],
        "bulletin_closed" => vec![event(EventType::BulletinClosed, Subject::Bulletin(row.stream))],
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

/// Events of an instant from which a clamp is out.
fn of_instant(moment: &Moment) -> Result<Vec<Event>, StoreError> {
    let kind = |text: &str| -> Result<OutKind, StoreError> {
        crate::reference::word("out_period", "kind", moment.clamp_id, text)
    };
    let before = moment.before.as_deref().map(kind).transpose()?;
    let at = moment.starts_at.to_jiff();
    let types = of_moment(kind(&moment.kind)?, before, moment.lockout.is_some());
    let event = |kind| {
        let follows_from = match moment.lockout {
            Some(lockout) if kind == EventType::ClampTaggedOut => barring_id(LockoutId::new(lockout)),
            _ => moment_id(ClampId::new(moment.clamp_id), at),
        };
        Event {
            id: event_id(follows_from, kind),
            kind,
            subject: Subject::Clamp(moment.clamp_id),
            happened_at: at,
            entry: None,
            position: None,
        }
    };
    Ok(types.into_iter().map(event).collect())
}

/// Instants after the last one that was read at which clamps began to be out, up to now. Those that an entry brought are among
/// them; what they come to is the domain's to say. Read by the indexes that the counts over the fleet have.
async fn moments(
    tx: &mut Tx,
    reference: &Reference,
    reached: &Reached,
    now: Timestamp,
) -> Result<Vec<Moment>, StoreError> {
    let yards: Vec<Uuid> = reference.yards.keys().map(|yard| yard.uuid()).collect();
    Ok(sqlx::query_as(
        "-- webhooks.moments
         select p.clamp_id, p.starts_at, p.kind,
                (select q.kind from out_period as q where q.clamp_id = p.clamp_id and q.ends_at = p.starts_at limit 1) as before,
                (select l.id from lockout as l
                  where l.clamp_id = p.clamp_id and l.bars_from = p.starts_at and l.bars_from > l.opened_at
                  order by l.id limit 1) as lockout
           from (select distinct p.starts_at, p.clamp_id, p.kind
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
                       and ends_at > $2 and starts_at >= $2 and starts_at <= $4) as p
                  where (p.starts_at, p.clamp_id) > ($2, $3)
                  order by p.starts_at, p.clamp_id limit $5) as p
          order by p.starts_at, p.clamp_id",
    )
    .bind(yards)
    .bind(reached.moment)
    .bind(reached.moment_clamp)
    .bind(now.to_sqlx())
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
    each_by_itself: bool,
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
    let subject = |event: &Event| {
        if each_by_itself {
            event.id
        } else {
            event.subject.id()
        }
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
