//! A scanned or typed mark: who bears it, and who bears one that looks alike. Candidates are shown, never merged.

use super::ClampNow;
use crate::{Store, StoreError};
use clampward_domain::ids::ClampId;
use clampward_domain::mark::{exact_key, look_alike_key};
use clampward_domain::reference::YardScope;
use uuid::Uuid;

/// Most clamps that one mark answers.
const MAX_BEARERS: i64 = 20;

/// Who bears a mark.
#[derive(Clone, Debug)]
pub struct Bearers {
    /// Clamps of these yards that bear it, live ones first.
    pub clamps: Vec<ClampNow>,
    /// Live clamps of the whole company that bear it: fitness by mark is answered only if this is one.
    pub live_in_company: u64,
    /// Clamps of these yards whose mark only looks alike.
    pub look_alikes: Vec<(ClampId, String)>,
}

impl Store {
    /// Finds the bearers of a mark, whatever its case, spaces and hyphens.
    pub async fn clamps_by_mark(&self, mark: &str, yards: &YardScope) -> Result<Bearers, StoreError> {
        let key = exact_key(mark);
        let mut tx = self.read(yards).await?;
        let live: i64 = sqlx::query_scalar("-- clamps.live_with_mark\nselect live_clamps_with_mark($1)")
            .bind(&key)
            .fetch_one(&mut *tx)
            .await?;
        let ids: Vec<Uuid> = sqlx::query_scalar(
            "-- clamps.by_mark
             select id from clamp where mark_key = $1 order by retired_at is not null, id limit $2",
        )
        .bind(&key)
        .bind(MAX_BEARERS)
        .fetch_all(&mut *tx)
        .await?;
        let look_alikes: Vec<(Uuid, String)> = sqlx::query_as(
            "-- clamps.by_look_alike_mark
             select id, asset_mark from clamp where mark_look_alike_key = $1 and mark_key <> $2
             and retired_at is null and asset_mark is not null order by asset_mark, id limit $3",
        )
        .bind(look_alike_key(mark))
        .bind(&key)
        .bind(MAX_BEARERS)
        .fetch_all(&mut *tx)
        .await?;
        tx.finish().await?;
        let mut clamps = Vec::with_capacity(ids.len());
        for id in ids {
            clamps.extend(self.clamp_now(ClampId::new(id), yards).await?);
        }
        Ok(Bearers {
            clamps,
            live_in_company: live.unsigned_abs(),
            look_alikes: look_alikes
                .into_iter()
                .map(|(id, mark)| (ClampId::new(id), mark))
                .collect(),
        })
    }
}
