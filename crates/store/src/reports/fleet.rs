//! The fleet by yard and model: how many clamps there are, and how many of them are fit.
//!
//! Counts every live clamp in the caller's yards, so that its work grows with them; how many are out comes from the stored
//! periods.

use super::{GroupBy, OutCounts};
use crate::{Store, StoreError};
use clampward_domain::ids::{ModelId, YardId};
use clampward_domain::reference::{Reference, YardScope};
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// Clamps of a model in a yard.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FleetGroup {
    /// Live clamps.
    pub clamps: u64,
    /// Those of them that are out, by the way in which they are.
    pub out: OutCounts,
}

impl FleetGroup {
    /// Those that are fit.
    pub fn fit(&self) -> u64 {
        self.clamps.saturating_sub(self.out.all())
    }
}

/// The report.
#[derive(Clone, Debug)]
pub struct FleetReport {
    /// By yard and model; a clamp in two yards counts in both.
    pub groups: BTreeMap<(YardId, Option<ModelId>), FleetGroup>,
    /// Every clamp once.
    pub total: FleetGroup,
    /// When it was read.
    pub generated_at: Timestamp,
    /// Names of yards and models.
    pub reference: Arc<Reference>,
}

impl Store {
    /// Live clamps in these yards.
    pub async fn fleet_report(&self, yards: &YardScope) -> Result<FleetReport, StoreError> {
        let out = self
            .out_of_service(yards, &[GroupBy::Yard, GroupBy::Model], None)
            .await?;
        let seen: Vec<Uuid> = out
            .reference
            .yards
            .keys()
            .filter(|yard| yards.covers(**yard))
            .map(|yard| yard.uuid())
            .collect();
        let mut tx = self.read_moment(yards).await?;
        let rows: Vec<(Uuid, Option<Uuid>, i64, i64)> = sqlx::query_as(
            "-- reports.fleet
             select y.id, c.model_id, count(*),
                    count(*) filter (where y.id = (select min(z.id::text)::uuid from unnest(c.yards) as z(id) where z.id = any($1)))
               from clamp as c cross join lateral unnest(c.yards) as y(id)
              where c.retired_at is null and y.id = any($1) group by 1, 2",
        )
        .bind(&seen)
        .fetch_all(&mut *tx)
        .await?;
        tx.finish().await?;
        let mut report = FleetReport {
            groups: BTreeMap::new(),
            total: FleetGroup {
                clamps: 0,
                out: out.total,
            },
            generated_at: out.generated_at,
            reference: out.reference,
        };
        for (yard, model, clamps, once) in rows {
            let key = (YardId::new(yard), model.map(ModelId::new));
            report.groups.entry(key).or_default().clamps = clamps.unsigned_abs();
            report.total.clamps = report.total.clamps.saturating_add(once.unsigned_abs());
        }
        for group in out.groups {
            if let Some(yard) = group.yard {
                report.groups.entry((yard, group.model)).or_default().out = group.counts;
            }
        }
        Ok(report)
    }
}
