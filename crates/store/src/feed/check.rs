//! Where a reader stands, and whether that is a place in this history.

use super::head::Head;
use crate::StoreError;
use clampward_domain::ids::YardId;
use sqlx::PgConnection;

/// For how long a cursor is good although it was not moved. No longer than that must anybody remember what a device that
/// went missing had seen; what it had not is in the ledger for ever.
pub const RETENTION_DAYS: i64 = 180;

/// Where a reader of a yard stands: it has every row that went to the yard up to this position.
///
/// With rows it is told how clamps are at that moment, which may be later than the rows: a page that is full ends long
/// before the head, and a snapshot is read part by part. What it has seen so is in its cursor too. If the ledger goes back
/// to somewhere between, the rows are still there and the states are of another history.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cursor {
    /// The epoch of the ledger.
    pub epoch: u32,
    /// The last position that was read.
    pub position: u64,
    /// The random tag of the row at that position; zero at zero.
    pub tag: i64,
    /// The yard; [`super::EVERYBODY`] for the whole ledger.
    pub yard: YardId,
    /// How far the states go that it was told; nothing for the whole ledger, which tells none, and in cursors of the first
    /// form, which did not say.
    pub seen: Option<Seen>,
}

/// The head of the ledger when states were read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seen {
    /// Its position.
    pub position: u64,
    /// The random tag of the row there.
    pub tag: i64,
}

impl Cursor {
    /// The positions at which the history has to be the same.
    pub(super) fn positions(&self) -> [u64; 2] {
        [
            self.position,
            self.seen.map_or(self.position, |seen| seen.position),
        ]
    }
    fn tags(&self) -> [i64; 2] {
        [self.tag, self.seen.map_or(self.tag, |seen| seen.tag)]
    }
}

/// Why nothing can be read from a cursor.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gone {
    /// The yard is not the reader's, or not any more.
    NotGranted,
    /// The history begins anew.
    EpochChanged,
    /// The ledger does not reach so far: it was restored from before.
    FromFuture,
    /// It stood still for too long, and things have happened since.
    Expired,
    /// Another row stands at this position now.
    Diverged,
}

/// What a cursor is good for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// Rows after it can be read.
    Good,
    /// Nothing can be said here and now: this database follows another one and may be behind.
    Wait,
    /// Nothing can be read from it any more.
    Gone(Gone),
}

/// Judges a cursor. `tags` are those of the rows at its positions now.
pub(super) async fn judge(
    connection: &mut PgConnection,
    cursor: &Cursor,
    head: &Head,
    tags: [Option<i64>; 2],
) -> Result<Verdict, StoreError> {
    let is_of_the_first_form = cursor.seen.is_none() && cursor.yard != super::EVERYBODY;
    let gone = if cursor.epoch != head.epoch {
        Some(Gone::EpochChanged)
    } else if cursor
        .positions()
        .iter()
        .any(|position| *position > head.position)
    {
        Some(Gone::FromFuture)
    } else if is_of_the_first_form
        || (cursor.position < head.floor && has_expired(connection, cursor, head.floor).await?)
    {
        Some(Gone::Expired)
    } else if tags != cursor.tags().map(Some) {
        Some(Gone::Diverged)
    } else {
        None
    };
    Ok(match gone {
        None => Verdict::Good,
        // Only the primary knows that something is gone.
        Some(_) if head.is_replica => Verdict::Wait,
        Some(gone) => Verdict::Gone(gone),
    })
}

/// Whether anything went to the yard between a cursor and the floor. Where nothing did, the cursor stands where a newer
/// one would: a quiet yard's is never too old. The whole ledger is kept for ever, so that its readers begin anywhere.
async fn has_expired(connection: &mut PgConnection, cursor: &Cursor, floor: u64) -> Result<bool, StoreError> {
    if cursor.yard == super::EVERYBODY {
        return Ok(false);
    }
    Ok(sqlx::query_scalar(
        "-- feed.has_expired
         select exists (select from delivered where yard_id = $1 and position > $2 and position <= $3)
                or exists (select from company_rows($2, $3, 1))",
    )
    .bind(cursor.yard.uuid())
    .bind(cursor.position.cast_signed())
    .bind(floor.cast_signed())
    .fetch_one(connection)
    .await?)
}
