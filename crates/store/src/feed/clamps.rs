//! Clamps as readers get them: the state as it is stored, or computed anew where reference data changed under it.

use super::head::Head;
use crate::clamps::entries;
use crate::{Store, StoreError};
use clampward_domain::fold::fold;
use clampward_domain::ids::{ClampId, YardId};
use sqlx::PgConnection;
use std::collections::BTreeMap;
use uuid::Uuid;

/// A clamp at a position.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FeedClamp {
    /// The clamp.
    pub clamp: ClampId,
    /// Position of the last row about it that this tells of.
    pub position: u64,
    /// Reference version by which its state was computed.
    pub reference_version: u64,
    /// Its state as JSON; nothing if it left the yard.
    pub state: Option<String>,
}

/// A clamp in whatever of the reader's yards it is.
pub(super) struct Present {
    pub yards: Vec<YardId>,
    pub line: FeedClamp,
}

#[derive(sqlx::FromRow)]
pub(super) struct Row {
    pub id: Uuid,
    pub yards: Vec<Uuid>,
    pub state: String,
    pub position: i64,
    pub reference_version: i64,
    pub pending: bool,
}

/// The next clamps of a yard by id, after one (exclusive), as they are stored.
pub(super) async fn of_yard(
    connection: &mut PgConnection,
    yard: YardId,
    after: Uuid,
    limit: u32,
) -> Result<Vec<Row>, StoreError> {
    Ok(sqlx::query_as(
        "-- feed.of_yard
         select c.id, c.yards, c.state::text as state, h.position, c.reference_version,
                exists (select from pending_reassessment as p where p.clamp_id = c.id) as pending
           from ((select id, yards, state, reference_version from clamp
                   where cardinality(yards) = 1 and yards[1] = $1 and id > $2 order by id limit $3)
                 union all
                 (select id, yards, state, reference_version from clamp
                   where cardinality(yards) > 1 and yards @> array[$1::uuid] and id > $2 order by id limit $3)
                 order by id limit $3) as c
           join stream_head as h on h.stream = c.id order by c.id",
    )
    .bind(yard.uuid())
    .bind(after)
    .bind(i64::from(limit.max(1)))
    .fetch_all(connection)
    .await?)
}

impl Store {
    /// Those of some clamps that the transaction sees, by id.
    pub(super) async fn present(
        &self,
        connection: &mut PgConnection,
        clamps: &[Uuid],
        head: &Head,
    ) -> Result<BTreeMap<Uuid, Present>, StoreError> {
        if clamps.is_empty() {
            return Ok(BTreeMap::new());
        }
        let rows: Vec<Row> = sqlx::query_as(
            "-- feed.clamps
             select c.id, c.yards, c.state::text as state, h.position, c.reference_version,
                    exists (select from pending_reassessment as p where p.clamp_id = c.id) as pending
               from clamp as c join stream_head as h on h.stream = c.id where c.id = any($1)",
        )
        .bind(clamps)
        .fetch_all(&mut *connection)
        .await?;
        let mut present = BTreeMap::new();
        for row in rows {
            present.insert(row.id, self.as_it_is(connection, row, head).await?);
        }
        Ok(present)
    }

    /// A clamp that was read. One that waits to be reassessed is computed from all its entries, as whoever asks about it
    /// alone is answered.
    pub(super) async fn as_it_is(
        &self,
        connection: &mut PgConnection,
        row: Row,
        head: &Head,
    ) -> Result<Present, StoreError> {
        if !row.pending {
            return Ok(Present {
                yards: row.yards.iter().copied().map(YardId::new).collect(),
                line: row.line(),
            });
        }
        let clamp = ClampId::new(row.id);
        let reference = self.snapshot(connection, head.reference_version).await?;
        let history = entries::whole(connection, clamp, i64::MAX).await?;
        let mut state = fold(clamp, &history, &reference);
        state.take_closed();
        Ok(Present {
            yards: state.yards(),
            line: FeedClamp {
                clamp,
                position: row.position.unsigned_abs(),
                reference_version: reference.version,
                state: Some(serde_json::to_string(&state)?),
            },
        })
    }
}

impl Row {
    /// The clamp as it is stored.
    pub fn line(self) -> FeedClamp {
        FeedClamp {
            clamp: ClampId::new(self.id),
            position: self.position.unsigned_abs(),
            reference_version: self.reference_version.unsigned_abs(),
            state: Some(self.state),
        }
    }
}
