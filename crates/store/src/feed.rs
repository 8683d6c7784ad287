//! The ledger as its readers see it, by position: pages of what went to a yard, the clamps as they are now, snapshots,
//! digests, and the whole of it for those who see all yards.
//!
//! A reader stands at a [`Cursor`]: epoch, position, and the random tag of the row at that position, by which another
//! history is told from this one although its numbers are the same; and the same of the head when states were read. Everything here is read under the reading role,
//! which is told the yards that are asked about and no others; the head is read first, in the same moment as the rows.

mod check;
mod clamps;
mod digest;
mod epoch;
mod events;
mod head;
mod page;
mod rows;
mod shares;
mod snapshot;
mod stable;
mod watch;

pub use check::{Cursor, Gone, RETENTION_DAYS, Seen};
pub use clamps::FeedClamp;
pub use digest::{Digest, Digested};
pub use epoch::raise_epoch;
pub use events::Events;
pub use page::{Changes, Page, ReferenceRecord};
pub use rows::FeedRow;
pub use snapshot::{SnapshotPart, SnapshotStart};
pub(crate) use stable::Stable;
pub use watch::Moves;

/// Most rows of one page.
pub const MAX_ROWS: u32 = 1_000;
/// Most bytes of the entries of one page; a page has one entry at least, however large it is.
pub const MAX_PAGE_BYTES: u32 = 4 << 20;
/// The id under which stands what is delivered to everybody, and by which a cursor of the whole ledger is told.
pub const EVERYBODY: clampward_domain::ids::YardId = clampward_domain::ids::YardId::new(uuid::Uuid::nil());
