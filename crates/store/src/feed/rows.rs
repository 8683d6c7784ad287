//! Rows by position: which went to a yard after a cursor, and what they say.

use super::MAX_PAGE_BYTES;
use crate::StoreError;
use clampward_domain::words::EntryKind;
use jiff::Timestamp;
use jiff_sqlx::Timestamp as SqlTimestamp;
use sqlx::PgConnection;
use std::collections::BTreeMap;
use uuid::Uuid;

/// A row of the ledger as readers see it.
#[derive(Clone, Debug, PartialEq)]
pub struct FeedRow {
    /// Its position.
    pub position: u64,
    /// Its id.
    pub id: Uuid,
    /// What it is about.
    pub subject: Uuid,
    /// Its number within the history of its subject.
    pub seq: u64,
    /// Its kind.
    pub kind: String,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// The entry as it stands in the ledger, as JSON; of rows about clamps only. What other rows say is not for readers:
    /// addresses of people, texts that nobody could read.
    pub entry: Option<String>,
}

impl FeedRow {
    /// Whether it is about a clamp.
    pub fn is_about_clamp(&self) -> bool {
        self.entry.is_some()
    }
}

#[derive(sqlx::FromRow)]
struct Place {
    n: i64,
    position: i64,
    id: Option<Uuid>,
    stream: Option<Uuid>,
    seq: Option<i64>,
    kind: Option<String>,
    recorded_at: Option<SqlTimestamp>,
}

/// A place in the ledger that is to be read; of rows that are the whole company's, the row.
pub(super) struct Wanted {
    pub position: i64,
    pub company: Option<FeedRow>,
}

/// The next positions of each yard after a position, those of the whole company among them: at most `most` of each.
pub(super) async fn after(
    connection: &mut PgConnection,
    yards: &[(Uuid, u64)],
    upto: u64,
    most: u32,
) -> Result<Vec<Vec<Wanted>>, StoreError> {
    let places: Vec<Place> = sqlx::query_as(
        "-- feed.after
         select c.n, d.position, d.id, d.stream, d.seq, d.kind, d.recorded_at
           from unnest($1::uuid[], $2::bigint[]) with ordinality as c(yard, after, n)
          cross join lateral (
            (select y.position, null::uuid as id, null::uuid as stream, null::bigint as seq, null::text as kind,
                    null::timestamptz as recorded_at
               from delivered as y where y.yard_id = c.yard and y.position > c.after and y.position <= $3
              order by y.position limit $4)
            union all
            select r.position, r.id, r.stream, r.seq, r.kind, r.recorded_at from company_rows(c.after, $3, $4) as r
            order by position limit $4) as d
          order by c.n, d.position",
    )
    .bind(yards.iter().map(|(yard, _)| *yard).collect::<Vec<_>>())
    .bind(yards.iter().map(|(_, after)| after.cast_signed()).collect::<Vec<_>>())
    .bind(upto.cast_signed())
    .bind(i32::try_from(most).unwrap_or(i32::MAX))
    .fetch_all(connection)
    .await?;
    let mut found: Vec<Vec<Wanted>> = yards.iter().map(|_| Vec::new()).collect();
    for place in places {
        let index = usize::try_from(place.n - 1).unwrap_or(usize::MAX);
        if let Some(of_yard) = found.get_mut(index) {
            of_yard.push(place.wanted());
        }
    }
    Ok(found)
}

impl Place {
    fn wanted(self) -> Wanted {
        let position = self.position;
        let row = self
            .id
            .zip(self.stream)
            .zip(self.seq)
            .zip(self.kind)
            .zip(self.recorded_at);
        Wanted {
            position,
            company: row.map(|((((id, subject), seq), kind), recorded_at)| FeedRow {
                position: position.unsigned_abs(),
                id,
                subject,
                seq: seq.unsigned_abs(),
                kind,
                recorded_at: recorded_at.to_jiff(),
                entry: None,
            }),
        }
    }
}

#[derive(sqlx::FromRow)]
struct Row {
    position: i64,
    id: Uuid,
    stream: Uuid,
    seq: i64,
    kind: String,
    recorded_at: SqlTimestamp,
    /// Nothing where the page has no room for it any more.
    bytes: Option<Vec<u8>>,
}

/// What is read of a row: itself, or that there was no room for it.
pub(super) type Read = Option<FeedRow>;

/// Reads rows at positions, in the order of these, until the page is full. Rows that are not there, or not to be seen,
/// are no part of the answer.
pub(super) async fn at(
    connection: &mut PgConnection,
    positions: &[i64],
) -> Result<BTreeMap<i64, Read>, StoreError> {
    if positions.is_empty() {
        return Ok(BTreeMap::new());
    }
    // What there is no room for is neither unpacked nor sent.
    let rows: Vec<Row> = sqlx::query_as(
        "-- feed.rows
         select r.position, r.id, r.stream, r.seq, r.kind, r.recorded_at, case when r.before < $2 then r.bytes end as bytes
           from (select l.position, l.id, l.stream, l.seq, l.kind, l.recorded_at, l.bytes,
                        sum(octet_length(l.bytes)) over (order by l.position) - octet_length(l.bytes) as before
                   from ledger as l where l.position = any($1)) as r
          order by r.position",
    )
    .bind(positions)
    .bind(i64::from(MAX_PAGE_BYTES))
    .fetch_all(connection)
    .await?;
    rows.into_iter()
        .map(|row| Ok((row.position, row.read()?)))
        .collect()
}

impl Row {
    fn read(self) -> Result<Read, StoreError> {
        let Some(bytes) = self.bytes else { return Ok(None) };
        let id = self.id;
        let entry = EntryKind::from_code(&self.kind)
            .map(|_| String::from_utf8(bytes))
            .transpose()
            .map_err(|error| StoreError::Inconsistent {
                table: "ledger",
                column: "bytes",
                id,
                detail: error.to_string(),
            })?;
        Ok(Some(FeedRow {
            position: self.position.unsigned_abs(),
            id,
            subject: self.stream,
            seq: self.seq.unsigned_abs(),
            kind: self.kind,
            recorded_at: self.recorded_at.to_jiff(),
            entry,
        }))
    }
}
