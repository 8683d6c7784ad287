//! How far a bulletin has come: which of the clamps that it holds are accounted for, and by what.

use crate::tx::Command;
use crate::{ReadTx, Store, StoreError, Tx};
use clampward_domain::ids::{BulletinId, ClampId, EntryId, LockoutId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::Ground;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sqlx::PgConnection;
use sqlx::types::Json;
use std::collections::BTreeMap;
use uuid::Uuid;

/// What a clamp that a bulletin holds has come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Accounted {
    /// It was scrapped.
    Scrapped,
    /// A return to service named the bulletin's lock-out.
    Returned,
    /// It could not be found; somebody looks for it, and the day until which is not over.
    NotFound,
    /// Nothing of this yet.
    Outstanding,
}

impl Accounted {
    const ALL: [Self; 4] = [Self::Scrapped, Self::Returned, Self::NotFound, Self::Outstanding];

    fn code(self) -> &'static str {
        match self {
            Self::Scrapped => "scrapped",
            Self::Returned => "returned",
            Self::NotFound => "not_found",
            Self::Outstanding => "outstanding",
        }
    }
    fn read(code: &str, id: Uuid) -> Result<Self, StoreError> {
        let found = Self::ALL.into_iter().find(|one| one.code() == code);
        found.ok_or_else(|| StoreError::Inconsistent {
            table: "lockout",
            column: "bulletin_id",
            id,
            detail: format!("{code:?} is nothing that a clamp comes to"),
        })
    }
}

/// Clamps by what they have come to. A clamp in two yards counts in both, and once in all.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct YardProgress {
    /// Scrapped.
    pub scrapped: u64,
    /// Returned to service.
    pub returned: u64,
    /// Not found; somebody looks for them.
    pub not_found: u64,
    /// Neither.
    pub outstanding: u64,
}

impl YardProgress {
    fn add(&mut self, accounted: Accounted, clamps: u64) {
        let column = match accounted {
            Accounted::Scrapped => &mut self.scrapped,
            Accounted::Returned => &mut self.returned,
            Accounted::NotFound => &mut self.not_found,
            Accounted::Outstanding => &mut self.outstanding,
        };
        *column = column.saturating_add(clamps);
    }
}

/// How far a bulletin has come.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// Whether every clamp that was there when it was opened has been gone through.
    pub is_held: bool,
    /// Whether clamps that came to light since then have all been looked at.
    pub is_caught_up: bool,
    /// Clamps that could not be held by the service: they have to be kept from use by hand.
    pub failed: Vec<ClampId>,
    /// Every clamp that it holds.
    pub all: YardProgress,
    /// By yard.
    pub yards: BTreeMap<YardId, YardProgress>,
    /// Yards whose people were told and have not said that they have read it; of information.
    pub unread: Vec<YardId>,
}

impl Progress {
    /// Whether everything is accounted for.
    pub fn is_complete(&self) -> bool {
        self.is_held
            && self.is_caught_up
            && self.failed.is_empty()
            && self.all.outstanding == 0
            && self.unread.is_empty()
    }
}

/// A clamp that a bulletin holds, with what shows that it is accounted for.
#[derive(Clone, Debug, PartialEq)]
pub struct BulletinClamp {
    /// The clamp.
    pub clamp: ClampId,
    /// Its mark.
    pub asset_mark: Option<String>,
    /// Its serial number.
    pub serial_number: Option<String>,
    /// Where it is.
    pub yards: Vec<YardId>,
    /// The lock-out.
    pub lockout: LockoutId,
    /// The tag-out that opened it.
    pub held_by: EntryId,
    /// When that counts as having happened.
    pub held_at: Timestamp,
    /// What it has come to.
    pub accounted: Accounted,
    /// The return to service that closed the lock-out, and its ground.
    pub returned_by: Option<(EntryId, Ground)>,
    /// When it was retired.
    pub retired_at: Option<Timestamp>,
    /// Who looks for it, and until when, if it was not found.
    pub looked_for: Option<(PersonId, Date)>,
}

/// Which clamps.
#[derive(Clone, Copy, Debug, Default)]
pub struct BulletinClampFilter {
    /// Of this yard.
    pub yard: Option<YardId>,
    /// That have come to this.
    pub accounted: Option<Accounted>,
    /// This one.
    pub clamp: Option<ClampId>,
}

/// What a clamp has come to, in SQL: `l` is its lock-outs of the bulletin, `c` the clamp, `n` the last word that it was not
/// found.
macro_rules! held {
    ($select:literal, $which:literal, $rest:literal) => {
        concat!(
            $select,
            " from (select distinct on (o.clamp_id) o.id, o.clamp_id, o.opened_by_entry, o.opened_at, o.closed_at, o.closed_by_entry,
                           o.record -> 'closed' ->> 'ground' as ground
                      from lockout as o where o.bulletin_id = $1",
            $which,
            " order by o.clamp_id, o.closed_at desc nulls first, o.opened_at, o.id) as l
              join clamp as c on c.id = l.clamp_id
              left join lateral (select w.body from bulletin_not_found as w
                                  where w.bulletin_id = $1 and w.clamp_id = c.id order by w.position desc limit 1) as n on true
             cross join lateral (select case when c.retired_at <= $2 then 'scrapped' when l.closed_at is not null then 'returned'
                                             when (n.body ->> 'look_until')::date >= ($2 at time zone 'UTC')::date then 'not_found'
                                             else 'outstanding' end as accounted) as a ",
            $rest
        )
    };
}

impl Store {
    /// How far a bulletin has come, in these yards.
    pub async fn bulletin_progress(&self, yards: &YardScope, id: BulletinId) -> Result<Progress, StoreError> {
        let now = self.now();
        let mut read = self.read_moment(yards).await?;
        let mut progress = counts(&mut read, id, now).await?;
        read.finish().await?;
        let asked = Followed { id };
        let mut followed = self.run_command("bulletins.followed", &asked).await?;
        if !followed.failed.is_empty() {
            let mut read = self.read(yards).await?;
            let seen = sqlx::query_scalar(
                "-- bulletins.failed_here\nselect id from clamp where id = any ($1) order by id",
            );
            followed.failed = seen.bind(&followed.failed).fetch_all(&mut *read).await?;
            read.finish().await?;
        }
        followed.complete(&mut progress, yards);
        Ok(progress)
    }

    /// Clamps that a bulletin holds, in these yards, in the order of their ids, after `after`.
    pub async fn bulletin_clamps(
        &self,
        yards: &YardScope,
        id: BulletinId,
        filter: BulletinClampFilter,
        after: Option<ClampId>,
        limit: u32,
    ) -> Result<Vec<BulletinClamp>, StoreError> {
        let mut read = self.read(yards).await?;
        let found = clamps(&mut read, id, filter, after, limit, self.now()).await?;
        read.finish().await?;
        Ok(found)
    }
}

/// What only the door sees: how far holding has come.
struct Followed {
    id: BulletinId,
}

/// How far holding and telling has come.
pub(super) struct Following {
    is_held: bool,
    is_caught_up: bool,
    failed: Vec<Uuid>,
    unread: Vec<Uuid>,
}

impl Following {
    /// Adds what it says to what was counted, as far as it concerns these yards.
    pub(super) fn complete(self, progress: &mut Progress, yards: &YardScope) {
        progress.is_held = self.is_held;
        progress.is_caught_up = self.is_caught_up;
        progress.failed = self.failed.into_iter().map(ClampId::new).collect();
        let unread = self.unread.into_iter().map(YardId::new);
        progress.unread = unread.filter(|yard| yards.covers(*yard)).collect();
    }
}

impl Command for Followed {
    type Output = Following;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<Following, StoreError> {
        following(tx, self.id).await
    }
}

pub(super) async fn following(tx: &mut Tx, id: BulletinId) -> Result<Following, StoreError> {
    let (is_held, failed): (bool, Vec<Uuid>) = sqlx::query_as(
        "-- bulletins.held
         select h.done_at is not null,
                array(select f.id from unnest(h.failed) as f(id) join clamp as c on c.id = f.id
                       where c.retired_at is null
                         and not exists (select from lockout as l where l.bulletin_id = $1 and l.clamp_id = f.id))
           from bulletin_hold as h where h.bulletin_id = $1",
    )
    .bind(id.uuid())
    .fetch_optional(&mut **tx)
    .await?
    .unwrap_or_default();
    // The bulletin's own row, too, has been read: whoever reads on has begun with it.
    let is_caught_up: bool = sqlx::query_scalar(
        "-- bulletins.caught_up
         select not exists (select from ledger as l where l.position > r.position
                               and l.kind = any ($1))
           from ledger_reader as r where r.name = 'bulletins'",
    )
    .bind(super::catch::TELLING)
    .fetch_one(&mut **tx)
    .await?;
    let unread: Vec<Uuid> = sqlx::query_scalar(
        "-- bulletins.unread
         select y.id from yard as y
           join yard_version as v on v.yard_id = y.id and v.version = 1
           join bulletin as b on b.id = $1
          where b.body ->> 'class' = 'information' and v.recorded_at <= b.opened_at
            and not exists (select from notice as n
                             where n.kind = 'bulletin_opened' and n.about ->> 'bulletin_id' = $1::text and n.yard_id = y.id
                               and n.acknowledged_at is not null)
          order by y.id",
    )
    .bind(id.uuid())
    .fetch_all(&mut **tx)
    .await?;
    Ok(Following {
        is_held,
        is_caught_up,
        failed,
        unread,
    })
}

/// Counts the clamps that a bulletin holds, as far as the connection sees them.
pub(super) async fn counts(
    connection: &mut PgConnection,
    id: BulletinId,
    now: Timestamp,
) -> Result<Progress, StoreError> {
    let rows: Vec<(Option<Uuid>, String, i64)> = sqlx::query_as(held!(
        "-- bulletins.progress\nselect y.yard, a.accounted, count(distinct c.id)",
        "",
        "cross join lateral unnest(c.yards) as y(yard) group by grouping sets ((y.yard, a.accounted), (a.accounted))"
    ))
    .bind(id.uuid())
    .bind(now.to_sqlx())
    .fetch_all(connection)
    .await?;
    let mut progress = Progress::default();
    for (yard, accounted, clamps) in rows {
        let accounted = Accounted::read(&accounted, id.uuid())?;
        let column = match yard {
            Some(yard) => progress.yards.entry(YardId::new(yard)).or_default(),
            None => &mut progress.all,
        };
        column.add(accounted, clamps.unsigned_abs());
    }
    Ok(progress)
}

/// How many clamps of each yard are outstanding.
pub(crate) async fn outstanding(tx: &mut Tx, id: BulletinId) -> Result<BTreeMap<YardId, u64>, StoreError> {
    let now = tx.now();
    let progress = counts(tx, id, now).await?;
    let yards = progress.yards.into_iter();
    Ok(yards
        .map(|(yard, counts)| (yard, counts.outstanding))
        .filter(|(_, outstanding)| *outstanding > 0)
        .collect())
}

#[derive(sqlx::FromRow)]
struct Row {
    clamp_id: Uuid,
    asset_mark: Option<String>,
    serial_number: Option<String>,
    yards: Vec<Uuid>,
    lockout_id: Uuid,
    opened_by_entry: Uuid,
    opened_at: SqlTimestamp,
    closed_by_entry: Option<Uuid>,
    ground: Option<String>,
    accounted: String,
    retired_at: Option<SqlTimestamp>,
    not_found: Option<Json<super::close::NotFound>>,
}

async fn clamps(
    read: &mut ReadTx,
    id: BulletinId,
    filter: BulletinClampFilter,
    after: Option<ClampId>,
    limit: u32,
    now: Timestamp,
) -> Result<Vec<BulletinClamp>, StoreError> {
    let rows: Vec<Row> = sqlx::query_as(held!(
        "-- bulletins.clamps
         select c.id as clamp_id, c.asset_mark, c.serial_number, c.yards, l.id as lockout_id, l.opened_by_entry, l.opened_at,
                l.closed_by_entry, l.ground, a.accounted,
                case when c.retired_at <= $2 then c.retired_at end as retired_at, n.body as not_found",
        " and ($5::uuid is null or o.clamp_id > $5) and ($7::uuid is null or o.clamp_id = $7)",
        "where ($3::uuid is null or $3 = any (c.yards)) and ($4::text is null or a.accounted = $4)
          order by l.clamp_id limit $6"
    ))
    .bind(id.uuid())
    .bind(now.to_sqlx())
    .bind(filter.yard.map(YardId::uuid))
    .bind(filter.accounted.map(Accounted::code))
    .bind(after.map(ClampId::uuid))
    .bind(i64::from(limit))
    .bind(filter.clamp.map(ClampId::uuid))
    .fetch_all(&mut **read)
    .await?;
    rows.into_iter().map(Row::read).collect()
}

impl Row {
    fn read(self) -> Result<BulletinClamp, StoreError> {
        let accounted = Accounted::read(&self.accounted, self.lockout_id)?;
        let ground = self
            .ground
            .map(|ground| crate::reference::word("lockout", "record", self.lockout_id, &ground))
            .transpose()?;
        Ok(BulletinClamp {
            clamp: ClampId::new(self.clamp_id),
            asset_mark: self.asset_mark,
            serial_number: self.serial_number,
            yards: self.yards.into_iter().map(YardId::new).collect(),
            lockout: LockoutId::new(self.lockout_id),
            held_by: EntryId::new(self.opened_by_entry),
            held_at: self.opened_at.to_jiff(),
            accounted,
            returned_by: self.closed_by_entry.map(EntryId::new).zip(ground),
            retired_at: self.retired_at.map(SqlTimestamp::to_jiff),
            looked_for: self
                .not_found
                .filter(|_| accounted == Accounted::NotFound)
                .map(|Json(word)| (word.owner, word.look_until)),
        })
    }
}
