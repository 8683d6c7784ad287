//! A clamp on any day: what was true then, as far as was known at some time.
//!
//! `as_of` is an instant of the world, `known_at` one of our knowledge. Amendments act at the time of what they amend,
//! and so does the second person's word on one; returns act at their own.

use super::Knowledge;
use super::entries;
use crate::{Store, StoreError, reference};
use clampward_domain::acting::acting_at;
use clampward_domain::calendar::Zone;
use clampward_domain::entry::Entry;
use clampward_domain::fold::{ClampState, fold};
use clampward_domain::ids::{ClampId, YardId};
use clampward_domain::reference::{Reference, YardScope};
use clampward_domain::standing::{Standing, standing_now};
use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;

/// The time that is asked about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AsOf {
    /// An instant.
    Instant(Timestamp),
    /// The end of a day in the clamp's yard.
    EndOf(Date),
}

/// A clamp at another time.
#[derive(Clone, Debug)]
pub struct ClampThen {
    /// Its state, closed lock-outs among them.
    pub state: ClampState,
    /// Number of entries that it rests on.
    pub entries: u64,
    /// The instant asked about.
    pub as_of: Timestamp,
    /// What it rests on.
    pub knowledge: Knowledge,
    /// The reference data known then.
    pub reference: Reference,
}

impl ClampThen {
    /// Its standing at the instant asked about.
    pub fn standing(&self) -> Standing {
        standing_now(&self.state, &self.reference, self.as_of)
    }
}

impl Store {
    /// A clamp as it was at `as_of` (now, if left out), as far as was known at `known_at` (now, if left out). Nothing if
    /// the clamp is not in these yards now, or was not known then.
    pub async fn clamp_then(
        &self,
        clamp: ClampId,
        yards: &YardScope,
        as_of: Option<AsOf>,
        known_at: Option<Timestamp>,
    ) -> Result<Option<ClampThen>, StoreError> {
        let now = self.now();
        let known_by = known_at.unwrap_or(now).min(now);
        let mut tx = self.read_moment(yards).await?;
        let position: i64 = sqlx::query_scalar("-- clamps.position_known_at\nselect position_known_at($1)")
            .bind(known_by.to_sqlx())
            .fetch_one(&mut *tx)
            .await?;
        let there: bool =
            sqlx::query_scalar("-- clamps.is_there\nselect exists (select from clamp where id = $1)")
                .bind(clamp.uuid())
                .fetch_one(&mut *tx)
                .await?;
        if !there {
            return Ok(None);
        }
        let known = entries::whole(&mut tx, clamp, position).await?;
        tx.finish().await?;
        if known.is_empty() {
            return Ok(None);
        }
        let reference = self.reference_known_at(position.unsigned_abs()).await?;
        let as_of = match as_of {
            None => now,
            Some(AsOf::Instant(instant)) => instant,
            Some(AsOf::EndOf(day)) => end_of_day(clamp, &known, &reference, day),
        };
        let acting: Vec<Entry> = acting_at(known, as_of);
        let state = fold(clamp, &acting, &reference);
        let knowledge = Knowledge {
            position: position.unsigned_abs(),
            known_at: known_by,
            reference_version: reference.version,
        };
        let entries = u64::try_from(acting.len()).unwrap_or(u64::MAX);
        Ok(Some(ClampThen {
            state,
            entries,
            as_of,
            knowledge,
            reference,
        }))
    }

    async fn reference_known_at(&self, position: u64) -> Result<Reference, StoreError> {
        let mut connection = self.inner.door.acquire().await?;
        reference::load_known_at(&mut connection, position).await
    }
}

/// The last instant of a day in a yard's zone; in UTC where there is none.
pub(crate) fn end_of_day_in(reference: &Reference, yard: Option<YardId>, day: Date) -> Timestamp {
    let midnight = Zone::utc().end_of(day);
    let end = yard
        .and_then(|yard| reference.yard_at(yard, midnight))
        .map_or(midnight, |yard| yard.value.time_zone.end_of(day));
    end.checked_sub(SignedDuration::from_micros(1)).unwrap_or(end)
}

/// The last instant of a day in the zone of the yard that the clamp was in by then.
fn end_of_day(clamp: ClampId, known: &[Entry], reference: &Reference, day: Date) -> Timestamp {
    // The zone that matters is that of the yard then; which yard that was hardly depends on hours.
    let midnight = Zone::utc().end_of(day);
    let by_then = fold(clamp, &acting_at(known.to_vec(), midnight), reference).yards();
    // One that was registered within those hours has been there ever since.
    let yard = by_then
        .first()
        .copied()
        .or_else(|| fold(clamp, known, reference).yards().first().copied());
    end_of_day_in(reference, yard, day)
}
