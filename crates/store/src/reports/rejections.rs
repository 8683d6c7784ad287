//! Rejections over a time, by criterion, component, model, maker or yard: what to look at first.
//!
//! A rejection is a lock-out that a finding opened. Reads those of the time asked about and no others.

use crate::{Store, StoreError};
use clampward_domain::ids::{ModelId, YardId};
use clampward_domain::reference::{Reference, YardScope};
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use sqlx::{Postgres, QueryBuilder};
use std::sync::Arc;
use uuid::Uuid;

/// What rejections are grouped by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RejectedBy {
    /// The criterion.
    Criterion,
    /// The part of the clamp.
    Component,
    /// The model.
    Model,
    /// The maker.
    Maker,
    /// The yard that has the clamp now.
    Yard,
}

/// What a group is of.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum RejectedKey {
    /// A criterion, component or maker.
    Word(String),
    /// A model; none if it is not known.
    Model(Option<ModelId>),
    /// A yard.
    Yard(YardId),
}

/// Rejections of one group.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RejectedGroup {
    /// What of.
    pub key: RejectedKey,
    /// Rejections.
    pub rejections: u64,
    /// Clamps that were rejected.
    pub clamps: u64,
}

/// The report.
#[derive(Clone, Debug)]
pub struct Rejections {
    /// The groups, most rejections first.
    pub groups: Vec<RejectedGroup>,
    /// Rejections, each once.
    pub rejections: u64,
    /// Clamps that were rejected, each once.
    pub clamps: u64,
    /// Names of yards and models.
    pub reference: Arc<Reference>,
}

impl Store {
    /// Rejections of clamps in these yards that count from `from` on and before `until`, retired clamps among them.
    pub async fn rejections(
        &self,
        yards: &YardScope,
        by: RejectedBy,
        from: Timestamp,
        until: Timestamp,
    ) -> Result<Rejections, StoreError> {
        let mut tx = self.read_moment(yards).await?;
        let reference = super::reference_at(self, &mut tx).await?;
        let (key, more) = match by {
            RejectedBy::Criterion => ("l.criterion", ""),
            RejectedBy::Component => ("l.record ->> 'component'", ""),
            RejectedBy::Model => ("c.model_id::text", ""),
            RejectedBy::Maker => ("coalesce(c.maker, '')", ""),
            RejectedBy::Yard => (
                "y.id::text",
                " cross join lateral (select u.id from unnest(c.yards) as u(id) where u.id = any($3)) as y",
            ),
        };
        let seen: Vec<Uuid> = reference
            .yards
            .keys()
            .filter(|yard| yards.covers(**yard))
            .map(|yard| yard.uuid())
            .collect();
        let mut query = QueryBuilder::<Postgres>::new("-- reports.rejections\nselect ");
        query.push(key);
        query.push(
            ", count(*), count(distinct l.clamp_id) from lockout as l join clamp as c on c.id = l.clamp_id",
        );
        query.push(more);
        query.push(
            " where l.criterion is not null and l.opened_at >= $1 and l.opened_at < $2 and cardinality($3::uuid[]) >= 0
              group by 1 order by 2 desc, 1",
        );
        let rows: Vec<(Option<String>, i64, i64)> = query
            .build_query_as()
            .bind(from.to_sqlx())
            .bind(until.to_sqlx())
            .bind(&seen)
            .fetch_all(&mut *tx)
            .await?;
        let (rejections, clamps): (i64, i64) = sqlx::query_as(
            "-- reports.rejected
             select count(*), count(distinct l.clamp_id) from lockout as l
              where l.criterion is not null and l.opened_at >= $1 and l.opened_at < $2",
        )
        .bind(from.to_sqlx())
        .bind(until.to_sqlx())
        .fetch_one(&mut *tx)
        .await?;
        tx.finish().await?;
        let mut groups = Vec::with_capacity(rows.len());
        for (key, rejections, clamps) in rows {
            let id = || -> Result<Option<Uuid>, StoreError> {
                let read = key.as_deref().map(str::parse).transpose();
                read.map_err(|error: uuid::Error| StoreError::Inconsistent {
                    table: "clamp",
                    column: "model_id",
                    id: Uuid::nil(),
                    detail: error.to_string(),
                })
            };
            let key = match by {
                RejectedBy::Model => RejectedKey::Model(id()?.map(ModelId::new)),
                RejectedBy::Yard => RejectedKey::Yard(YardId::new(id()?.unwrap_or_default())),
                RejectedBy::Criterion | RejectedBy::Component | RejectedBy::Maker => {
                    RejectedKey::Word(key.unwrap_or_default())
                }
            };
            groups.push(RejectedGroup {
                key,
                rejections: rejections.unsigned_abs(),
                clamps: clamps.unsigned_abs(),
            });
        }
        Ok(Rejections {
            groups,
            rejections: rejections.unsigned_abs(),
            clamps: clamps.unsigned_abs(),
            reference,
        })
    }
}
