//! Reference data as judging needs them: one snapshot per reference version, kept in the process.
//!
//! Every transaction that judges asks for the snapshot first and hands its version to the append, which refuses if it
//! moved on. A snapshot is never changed; a new version is loaded beside it.

mod load;
mod models;
mod row;
mod yards;

pub use load::{load, load_known_at};
pub use models::{ModelChange, ModelRecord};
pub use row::{ReferenceError, VersionNumber};
pub(crate) use row::{ReferenceRow, queue_entries_of, read_body, record, record_beside, word, words};
pub use yards::{YardChange, YardRecord};

use crate::{Store, StoreError, Tx};
use clampward_domain::reference::Reference;
use sqlx::PgConnection;
use std::sync::{Arc, RwLock};

/// The last snapshot that was loaded.
#[derive(Default)]
pub(crate) struct Cache(RwLock<Arc<Reference>>);

impl Cache {
    pub(crate) fn of(&self, version: u64) -> Option<Arc<Reference>> {
        let kept = self.0.read().ok()?;
        (kept.version == version && version > 0).then(|| Arc::clone(&kept))
    }
    fn keep(&self, loaded: &Arc<Reference>) {
        if let Ok(mut kept) = self.0.write()
            && kept.version < loaded.version
        {
            *kept = Arc::clone(loaded);
        }
    }
}

/// The reference version at this moment.
pub async fn current_version(connection: &mut PgConnection) -> Result<u64, StoreError> {
    let version: i64 =
        sqlx::query_scalar("-- reference.current_version\nselect reference_version from ledger_head")
            .fetch_one(connection)
            .await?;
    Ok(version.unsigned_abs())
}

impl Store {
    /// The snapshot to judge by inside a transaction; its `version` goes to the append.
    pub async fn reference_in(&self, tx: &mut Tx) -> Result<Arc<Reference>, StoreError> {
        let version = current_version(tx).await?;
        self.snapshot(tx, version).await
    }
    /// The snapshot of a version, from the process or the database (then it may be a newer one).
    pub(crate) async fn snapshot(
        &self,
        connection: &mut PgConnection,
        version: u64,
    ) -> Result<Arc<Reference>, StoreError> {
        if let Some(kept) = self.inner.reference.of(version) {
            return Ok(kept);
        }
        let loaded = Arc::new(load(connection).await?);
        // A unit sees its own version before anybody knows whether it will be one.
        if self.shared.is_none() {
            self.inner.reference.keep(&loaded);
        }
        Ok(loaded)
    }
}
