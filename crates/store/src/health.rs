//! How the database and the way to it are: for readiness and for the counters that operators watch.

use crate::migrate::MIGRATIONS;
use crate::{Store, StoreError};
use sqlx::PgPool;

/// How far the database is migrated, and how far it must be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Schema {
    /// The newest migration that was applied.
    pub applied: i64,
    /// The newest migration that this program knows.
    pub needed: i64,
}

impl Schema {
    /// Whether this program can work with it. A later schema is one: migrations only add what older programs leave out.
    pub fn is_sufficient(&self) -> bool {
        self.applied >= self.needed
    }
}

/// How many connections of a pool there are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PoolUse {
    /// What the pool is for.
    pub role: &'static str,
    /// Connections that are open.
    pub open: u32,
    /// Those of them that nobody uses.
    pub idle: usize,
}

impl Store {
    /// How far the database is migrated.
    pub async fn schema(&self) -> Result<Schema, StoreError> {
        let applied: Option<i64> =
            sqlx::query_scalar("-- health.schema\nselect max(version) from _sqlx_migrations where success")
                .fetch_one(&self.inner.reader)
                .await?;
        let needed = MIGRATIONS.iter().map(|migration| migration.version).max();
        Ok(Schema {
            applied: applied.unwrap_or_default(),
            needed: needed.unwrap_or_default(),
        })
    }
    /// How many clamps are still to be reassessed after a change of reference data.
    pub async fn pending_reassessments(&self) -> Result<u64, StoreError> {
        let pending: i64 =
            sqlx::query_scalar("-- health.pending_reassessments\nselect count(*) from pending_reassessment")
                .fetch_one(&self.inner.door)
                .await?;
        Ok(pending.unsigned_abs())
    }
    /// How many connections there are.
    pub fn pools(&self) -> [PoolUse; 3] {
        let inner = &self.inner;
        let (open, idle) = inner.look_ups.connections();
        let of = |role, pool: &PgPool| PoolUse {
            role,
            open: pool.size(),
            idle: pool.num_idle(),
        };
        [
            of("door", &inner.door),
            of("reader", &inner.reader),
            PoolUse {
                role: "fitness",
                open,
                idle,
            },
        ]
    }
}
