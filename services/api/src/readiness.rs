//! Whether this process can answer, for whoever sends traffic here. Shared by all workers; knows no HTTP.

use crate::limits;
use crate::reply::chain;
use clampward_store::Store;
use std::time::{Duration, Instant};
use tokio::sync::{Mutex, watch};

/// How long the database may take to answer.
const PATIENCE: Duration = Duration::from_secs(1);

/// Why it cannot.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotReady {
    /// It was told to stop.
    Stopping,
    /// The database does not answer.
    Database,
    /// The database is not migrated as far as this program knows.
    Schema,
}

impl NotReady {
    /// In words.
    pub const fn detail(self) -> &'static str {
        match self {
            Self::Stopping => "The service is stopping: send requests elsewhere.",
            Self::Database => "The database does not answer.",
            Self::Schema => "The database is not migrated to the schema that this version needs.",
        }
    }
}

/// What is known about it.
#[derive(Debug, Default)]
pub struct Readiness {
    draining: watch::Sender<bool>,
    last: Mutex<Option<(Instant, Result<(), NotReady>)>>,
}

impl Readiness {
    /// From now on it cannot.
    pub fn drain(&self) {
        self.draining.send_replace(true);
    }
    /// Whether it was told to stop.
    pub fn is_draining(&self) -> bool {
        *self.draining.borrow()
    }
    /// Turns true when it was told to stop.
    pub fn draining(&self) -> watch::Receiver<bool> {
        self.draining.subscribe()
    }
    /// Asks the database, unless it was asked a moment ago; however many ask at once, the database is asked once.
    pub async fn check(&self, store: &Store) -> Result<(), NotReady> {
        if self.is_draining() {
            return Err(NotReady::Stopping);
        }
        let mut last = self.last.lock().await;
        let fresh = last.filter(|(at, _)| at.elapsed() < limits::READINESS.duration());
        if let Some((_, known)) = fresh {
            return known;
        }
        let found = look(store).await;
        *last = Some((Instant::now(), found));
        found
    }
}

async fn look(store: &Store) -> Result<(), NotReady> {
    let asked = tokio::time::timeout(PATIENCE, async {
        store.ping().await?;
        store.schema().await
    });
    match asked.await {
        Ok(Ok(schema)) if schema.is_sufficient() => Ok(()),
        Ok(Ok(schema)) => {
            tracing::warn!(
                applied = schema.applied,
                needed = schema.needed,
                "the schema is too old"
            );
            Err(NotReady::Schema)
        }
        Ok(Err(error)) => {
            tracing::warn!(error = %chain(&error), "not ready");
            Err(NotReady::Database)
        }
        Err(_) => {
            tracing::warn!("not ready: the database takes too long");
            Err(NotReady::Database)
        }
    }
}
