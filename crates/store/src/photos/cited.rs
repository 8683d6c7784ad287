//! Which entries cite which photos: written in the entry's transaction, listed under row-level security.

use super::read_digest;
use crate::{Store, StoreError, Tx};
use clampward_domain::entry::Body;
use clampward_domain::ids::{ClampId, EntryId, PersonId, YardId};
use clampward_domain::judge::{Remark, RemarkCode};
use clampward_domain::photo::PhotoDigest;
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use sqlx::{Postgres, QueryBuilder};
use std::collections::BTreeSet;
use std::fmt;
use std::str::FromStr;
use uuid::Uuid;

/// A photo that an entry cites.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CitedPhoto {
    /// The photo.
    pub digest: PhotoDigest,
    /// The entry.
    pub entry_id: EntryId,
    /// The clamp.
    pub clamp_id: ClampId,
    /// Its mark now.
    pub asset_mark: Option<String>,
    /// The yards that have it now.
    pub yards: Vec<YardId>,
    /// Who wrote the entry.
    pub cited_by: PersonId,
    /// When the entry was recorded.
    pub cited_at: Timestamp,
    /// When the photo was whole, if it is there.
    pub completed_at: Option<Timestamp>,
}

/// What to list. Everything that is set must hold.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PhotoFilter {
    /// Whether the photo has not arrived yet.
    pub is_pending: Option<bool>,
    /// Of a clamp that this yard has now.
    pub yard: Option<YardId>,
    /// Of this clamp.
    pub clamp: Option<ClampId>,
}

/// Where a list goes on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PhotoKey {
    cited_at: Timestamp,
    entry_id: Uuid,
    digest: PhotoDigest,
}

impl fmt::Display for PhotoKey {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{}/{}/{}", self.cited_at, self.entry_id, self.digest)
    }
}

/// What is no key.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("not a key of this list")]
pub struct NotAKey;

impl FromStr for PhotoKey {
    type Err = NotAKey;

    fn from_str(text: &str) -> Result<Self, NotAKey> {
        let mut parts = text.split('/');
        let mut next = || parts.next().ok_or(NotAKey);
        let key = Self {
            cited_at: next()?.parse().map_err(|_| NotAKey)?,
            entry_id: next()?.parse().map_err(|_| NotAKey)?,
            digest: next()?.parse().map_err(|_| NotAKey)?,
        };
        if parts.next().is_some() {
            return Err(NotAKey);
        }
        Ok(key)
    }
}

/// One citation, to be written with its entry.
pub(crate) struct Citation {
    pub(crate) digest: PhotoDigest,
    pub(crate) entry: EntryId,
    pub(crate) clamp: ClampId,
    pub(crate) yards: Vec<YardId>,
    pub(crate) by: PersonId,
    /// Whose sending of the photo vouches for it.
    pub(crate) senders: Vec<Uuid>,
    /// The yards that whoever handed the entry in sees.
    pub(crate) sight: YardScope,
}

/// What the condition of sight is asked with: whether all yards, and which.
fn scope_parts(sight: &YardScope) -> (bool, Vec<Uuid>) {
    match sight {
        YardScope::All => (true, Vec::new()),
        YardScope::Some(yards) => (false, yards.iter().map(|yard| yard.uuid()).collect()),
    }
}

/// Which of these photos are not there, as far as somebody may know who sent some and sees these yards.
pub(crate) async fn missing(
    tx: &mut Tx,
    photos: &BTreeSet<PhotoDigest>,
    by: &[Uuid],
    sight: &YardScope,
) -> Result<BTreeSet<PhotoDigest>, StoreError> {
    if photos.is_empty() {
        return Ok(BTreeSet::new());
    }
    let names: Vec<&[u8]> = photos.iter().map(|photo| photo.bytes().as_slice()).collect();
    let (all, yards) = scope_parts(sight);
    let there: Vec<Vec<u8>> = sqlx::query_scalar(
        "-- photos.there
         select p.sha256 from photo as p where p.sha256 = any($1)
            and (exists (select from photo_upload as u
                          where u.sha256 = p.sha256 and u.done_at is not null and u.uploader = any($2))
                 or exists (select from photo_citation as c join clamp as k on k.id = c.clamp_id
                             where c.sha256 = p.sha256 and c.vouched and ($3 or k.yards && $4)))",
    )
    .bind(names)
    .bind(by)
    .bind(all)
    .bind(yards)
    .fetch_all(&mut **tx)
    .await?;
    let there: BTreeSet<PhotoDigest> = there.into_iter().map(read_digest).collect::<Result<_, _>>()?;
    Ok(photos.difference(&there).copied().collect())
}

/// What the author of an entry is told of its photos that are `missing`.
pub(crate) fn pending(body: &Body, missing: &BTreeSet<PhotoDigest>) -> Option<Remark> {
    let pending = body
        .photos()
        .iter()
        .filter(|photo| missing.contains(photo))
        .count();
    (pending > 0).then(|| Remark {
        code: RemarkCode::PhotosPending,
        detail: format!("{pending} of its photos have not arrived yet; they can be sent later."),
    })
}

/// Writes what entries cite.
pub(crate) async fn cite(tx: &mut Tx, citations: Vec<Citation>) -> Result<(), StoreError> {
    if citations.is_empty() {
        return Ok(());
    }
    let now = tx.now().to_sqlx();
    for citation in citations {
        let yards: Vec<Uuid> = citation.yards.iter().map(|yard| yard.uuid()).collect();
        let (all, sight) = scope_parts(&citation.sight);
        sqlx::query(
            "-- photos.cite
             insert into photo_citation (sha256, entry_id, clamp_id, yards, cited_by, cited_at, senders, vouched, pending)
             select $1, $2, $3, $4, $5, $6, $7, v.vouched, not (v.vouched and exists (select from photo where sha256 = $1))
               from (select exists (select from photo_upload as u
                                     where u.sha256 = $1 and u.done_at is not null and u.uploader = any($7))
                            or exists (select from photo_citation as c join clamp as k on k.id = c.clamp_id
                                        where c.sha256 = $1 and c.vouched and ($8 or k.yards && $9))) as v(vouched)
             on conflict do nothing",
        )
        .bind(citation.digest.bytes().as_slice())
        .bind(citation.entry.uuid())
        .bind(citation.clamp.uuid())
        .bind(yards)
        .bind(citation.by.uuid())
        .bind(now)
        .bind(&citation.senders)
        .bind(all)
        .bind(sight)
        .execute(&mut **tx)
        .await?;
    }
    Ok(())
}

#[derive(sqlx::FromRow)]
struct Row {
    sha256: Vec<u8>,
    entry_id: Uuid,
    clamp_id: Uuid,
    asset_mark: Option<String>,
    yards: Vec<Uuid>,
    cited_by: Uuid,
    cited_at: jiff_sqlx::Timestamp,
    completed_at: Option<jiff_sqlx::Timestamp>,
}

impl Store {
    /// The next photos that entries of clamps in these yards cite, in the order in which the entries were recorded, after a
    /// key (exclusive); and where to go on.
    pub async fn photo_list(
        &self,
        yards: &YardScope,
        filter: PhotoFilter,
        after: Option<PhotoKey>,
        limit: u32,
    ) -> Result<(Vec<CitedPhoto>, Option<PhotoKey>), StoreError> {
        let mut tx = self.read(yards).await?;
        let rows: Vec<Row> = statement(filter, after, limit)
            .build_query_as()
            .fetch_all(&mut *tx)
            .await?;
        tx.finish().await?;
        let photos: Vec<CitedPhoto> = rows.into_iter().map(cited).collect::<Result<_, _>>()?;
        let full = u32::try_from(photos.len()).is_ok_and(|count| count >= limit);
        let next = photos.last().filter(|_| full).map(|last| PhotoKey {
            cited_at: last.cited_at,
            entry_id: last.entry_id.uuid(),
            digest: last.digest,
        });
        Ok((photos, next))
    }

    /// Says of cited photos that arrived beside their entry's transaction that they are there.
    pub async fn settle_photo_citations(&self) -> Result<u64, StoreError> {
        sqlx::query(
            "-- photos.vouch
             update photo_citation as c set vouched = true where c.pending and not c.vouched
                and exists (select from photo_upload as u
                             where u.sha256 = c.sha256 and u.done_at is not null and u.uploader = any(c.senders))",
        )
        .execute(&self.inner.door)
        .await?;
        let settled = sqlx::query(
            "-- photos.settle
             update photo_citation as c set pending = false from photo as p
              where c.pending and c.vouched and p.sha256 = c.sha256",
        )
        .execute(&self.inner.door)
        .await?;
        Ok(settled.rows_affected())
    }
}

fn statement(filter: PhotoFilter, after: Option<PhotoKey>, limit: u32) -> QueryBuilder<Postgres> {
    let mut query = QueryBuilder::new(
        "-- photos.list
         select c.sha256, c.entry_id, c.clamp_id, k.asset_mark, k.yards, c.cited_by, c.cited_at, p.completed_at
           from photo_citation as c join clamp as k on k.id = c.clamp_id left join photo as p on p.sha256 = c.sha256 and c.vouched
          where true",
    );
    match filter.is_pending {
        Some(true) => {
            query.push(" and c.pending and p.sha256 is null");
        }
        Some(false) => {
            query.push(" and p.sha256 is not null");
        }
        None => {}
    }
    if let Some(yard) = filter.yard {
        query.push(" and k.yards @> ").push_bind(vec![yard.uuid()]);
    }
    if let Some(clamp) = filter.clamp {
        query.push(" and c.clamp_id = ").push_bind(clamp.uuid());
    }
    if let Some(after) = after {
        query
            .push(" and (c.cited_at, c.entry_id, c.sha256) > (")
            .push_bind(after.cited_at.to_sqlx())
            .push(", ")
            .push_bind(after.entry_id)
            .push(", ")
            .push_bind(after.digest.bytes().to_vec())
            .push(")");
    }
    query
        .push(" order by c.cited_at, c.entry_id, c.sha256 limit ")
        .push(limit);
    query
}

fn cited(row: Row) -> Result<CitedPhoto, StoreError> {
    Ok(CitedPhoto {
        digest: read_digest(row.sha256)?,
        entry_id: EntryId::new(row.entry_id),
        clamp_id: ClampId::new(row.clamp_id),
        asset_mark: row.asset_mark,
        yards: row.yards.into_iter().map(YardId::new).collect(),
        cited_by: PersonId::new(row.cited_by),
        cited_at: row.cited_at.to_jiff(),
        completed_at: row.completed_at.map(jiff_sqlx::Timestamp::to_jiff),
    })
}
