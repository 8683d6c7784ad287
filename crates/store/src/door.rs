//! The door: the one way in which entries about clamps are written, whoever hands them in.
//!
//! Locks in one order (numbers, clamps by id), looks the ids up, judges by one reference version, projects, appends:
//! one transaction, entries and projection together or nothing of it. What an entry counts for is the domain's
//! decision; this module only carries it out. It decides about yards itself, and answers alike for "not there" and
//! "not yours".

mod answer;
mod batch;
mod error;
mod judging;
mod known;
mod locks;
mod numbers;
mod reassess;
mod record;
mod subject;
mod together;
mod types;
mod write;

pub(crate) use batch::{Batch, Settled, Taken, ToTake, against_registration};
pub use error::RecordError;
pub(crate) use known::{Known, look_up};
pub(crate) use locks::lock_clamps;
pub(crate) use record::record_locked;
pub(crate) use subject::Subject;
pub(crate) use together::Together;
pub use types::{Author, Mode, NewEntry, Recorded, Recording, Signing};
pub(crate) use types::{FromDevice, may_restrict};
