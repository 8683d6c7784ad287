//! Entries that could not be placed, and the people who place or dismiss them.

pub mod dismiss;
pub mod list;
pub mod place;
pub mod read;
mod view;

use crate::extract::Authorized;
use crate::permission::KeepHeldEntries;
use crate::reply::Failure;
use clampward_store::sync::held::{SettleError, Settler};
use clampward_wire::problem;

/// Who settles, with the id of the row that says so.
fn settler(call: &Authorized<KeepHeldEntries>) -> Result<Settler, Failure> {
    Ok(Settler {
        person: call.person(),
        yards: call.yards().clone(),
        row_id: call.new_id()?,
    })
}

fn failure(error: SettleError) -> Failure {
    match error {
        SettleError::NotFound { what } => Failure::not_found(what),
        SettleError::Settled => Failure::new(
            problem::HELD_ENTRY_SETTLED,
            "It was placed, dismissed or recorded before: read it to see what became of it.",
        ),
        SettleError::NoEntry => Failure::new(
            problem::NOT_AN_ENTRY,
            "It cannot be read as an entry, so that nothing can be recorded of it: do what it calls for yourself (tag the clamp \
             out, inspect it again), then dismiss it.",
        ),
        SettleError::IdReused => Failure::new(
            problem::ID_REUSED,
            "Its id was used for another entry meanwhile: do what it calls for yourself, then dismiss it.",
        ),
        SettleError::Store(error) => error.into(),
    }
}
