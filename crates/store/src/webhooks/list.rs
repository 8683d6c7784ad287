//! Deliveries as they are looked at.

use crate::reference::word;
use crate::{Store, StoreError};
use clampward_domain::webhook::{DeliveryState, EventType};
use jiff::Timestamp;
use jiff_sqlx::Timestamp as SqlTimestamp;
use sqlx::FromRow;
use uuid::Uuid;

/// A delivery with what became of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DeliveryRecord {
    /// Its place among the endpoint's.
    pub seq: u64,
    /// The event.
    pub event: Uuid,
    /// Its type.
    pub kind: EventType,
    /// When what it tells of happened.
    pub happened_at: Timestamp,
    /// What became of it.
    pub state: DeliveryState,
    /// Attempts so far.
    pub attempts: u32,
    /// When it is tried next.
    pub next_try_at: Option<Timestamp>,
    /// What the endpoint answered last.
    pub last_status: Option<u16>,
    /// Why it did not take it.
    pub last_error: Option<String>,
    /// When it was taken or given up.
    pub ended_at: Option<Timestamp>,
}

#[derive(FromRow)]
struct Row {
    seq: i64,
    event_id: Uuid,
    r#type: String,
    happened_at: SqlTimestamp,
    state: String,
    attempts: i32,
    next_try_at: SqlTimestamp,
    last_status: Option<i16>,
    last_error: Option<String>,
    ended_at: Option<SqlTimestamp>,
}

impl Row {
    fn read(self) -> Result<DeliveryRecord, StoreError> {
        let table = "webhook_delivery";
        let state: DeliveryState = word(table, "state", self.event_id, &self.state)?;
        let waits = state == DeliveryState::Waiting;
        Ok(DeliveryRecord {
            seq: self.seq.unsigned_abs(),
            event: self.event_id,
            kind: word(table, "type", self.event_id, &self.r#type)?,
            happened_at: self.happened_at.to_jiff(),
            state,
            attempts: self.attempts.unsigned_abs(),
            next_try_at: waits.then(|| self.next_try_at.to_jiff()),
            last_status: self.last_status.map(i16::unsigned_abs),
            last_error: self.last_error,
            ended_at: self.ended_at.map(SqlTimestamp::to_jiff),
        })
    }
}

impl Store {
    /// Deliveries to an endpoint that are kept, the newest first, before the place `before`.
    pub async fn webhook_deliveries(
        &self,
        endpoint: Uuid,
        state: Option<DeliveryState>,
        before: Option<u64>,
        limit: u32,
    ) -> Result<Vec<DeliveryRecord>, StoreError> {
        let rows: Vec<Row> = sqlx::query_as(
            "-- webhooks.deliveries
             select seq, event_id, type, happened_at, state, attempts, next_try_at, last_status, last_error, ended_at
               from webhook_delivery
              where endpoint_id = $1 and ($2::text is null or state = $2) and ($3::bigint is null or seq < $3)
              order by seq desc limit $4",
        )
        .bind(endpoint)
        .bind(state.map(DeliveryState::code))
        .bind(before.map(|before| i64::try_from(before).unwrap_or(i64::MAX)))
        .bind(i64::from(limit))
        .fetch_all(&self.inner.door)
        .await?;
        rows.into_iter().map(Row::read).collect()
    }
}
