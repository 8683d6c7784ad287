//! Reports: counts over the fleet, read from stored columns and periods and never by folding clamps. Each is seen through
//! the reading role, so that it counts what the caller may see and nothing else.

mod ageing;
mod due;
mod fleet;
mod out_of_service;
mod rejections;

pub use ageing::{AGE_BANDS, AgeGroup, LockoutAgeing};
pub use due::{DueGroup, InspectionsDue};
pub use fleet::{FleetGroup, FleetReport};
pub use out_of_service::{GroupBy, MAX_GROUPS, OutCounts, OutGroup, OutOfService};
pub use rejections::{RejectedBy, RejectedGroup, RejectedKey, Rejections};

use crate::{ReadTx, Store, StoreError};
use clampward_domain::reference::Reference;
use std::sync::Arc;

/// Reference data of the moment that a transaction sees.
async fn reference_at(store: &Store, tx: &mut ReadTx) -> Result<Arc<Reference>, StoreError> {
    let version = crate::reference::current_version(tx).await?;
    store.snapshot(tx, version).await
}
