//! What a bulletin would hold, counted before it is opened.

use super::hold::candidates;
use crate::{Store, StoreError};
use clampward_domain::bulletin::{BulletinScope, InScopeBecause, Matcher, covers};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::YardId;
use clampward_domain::reference::YardScope;
use sqlx::types::Json;
use std::collections::BTreeMap;
use uuid::Uuid;

/// Clamps that are read at a time.
const PART: i64 = 1_000;

/// Clamps in scope, by why they are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct PreviewCounts {
    /// All of them.
    pub in_scope: u64,
    /// By why.
    pub because: BTreeMap<InScopeBecause, u64>,
    /// Those of them that a lock-out bars already.
    pub barred: u64,
}

impl PreviewCounts {
    fn add(&mut self, because: InScopeBecause, is_barred: bool) {
        self.in_scope = self.in_scope.saturating_add(1);
        let column = self.because.entry(because).or_default();
        *column = column.saturating_add(1);
        self.barred = self.barred.saturating_add(u64::from(is_barred));
    }
}

/// What a bulletin would hold.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Preview {
    /// In all yards.
    pub all: PreviewCounts,
    /// By yard; a clamp in two yards counts in both.
    pub yards: BTreeMap<YardId, PreviewCounts>,
}

impl Store {
    /// Counts the clamps that are in a scope at this moment, over every yard.
    pub async fn preview_bulletin(&self, scope: &BulletinScope) -> Result<Preview, StoreError> {
        let reference = self.reference().await?;
        let now = self.now();
        let matcher = Matcher::of(scope);
        let mut preview = Preview::default();
        let mut after = Uuid::nil();
        loop {
            // A transaction for each part: nobody waits for old versions of rows while it lasts.
            let mut read = self.read(&YardScope::All).await?;
            let part = candidates(&mut read, scope, after, PART).await?;
            let rows: Vec<(Json<Option<ClampState>>, Vec<Uuid>)> =
                sqlx::query_as("-- bulletins.preview\nselect state, yards from clamp where id = any($1)")
                    .bind(&part)
                    .fetch_all(&mut *read)
                    .await?;
            read.finish().await?;
            for (Json(state), yards) in rows {
                let Some(state) = state.filter(|state| state.retirement().is_none()) else {
                    continue;
                };
                let Some(because) = covers(&matcher, &state, &reference, now) else {
                    continue;
                };
                let is_barred = state.open_lockouts().iter().any(|lockout| lockout.bars_at(now));
                preview.all.add(because, is_barred);
                for yard in yards {
                    let of_yard = preview.yards.entry(YardId::new(yard)).or_default();
                    of_yard.add(because, is_barred);
                }
            }
            match part.last() {
                Some(last) if i64::try_from(part.len()).is_ok_and(|count| count >= PART) => after = *last,
                _ => return Ok(preview),
            }
        }
    }
}
