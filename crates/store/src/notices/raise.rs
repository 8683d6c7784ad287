//! Raising notices: one row for each subject, kind and recipient; what is there already stays as it is.

use crate::{StoreError, Tx};
use clampward_domain::ids::{ClampId, PersonId, YardId};
use clampward_domain::notice::{About, Occasion, escalates_at, leaves_at, notice_id, recipients};
use clampward_domain::reference::{Reference, Yard};
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// An occasion, and the step from which it is told on.
pub(crate) struct ToTell {
    pub(super) occasion: Occasion,
    pub(super) from_level: usize,
    /// Who was told already.
    pub(super) told: Vec<Uuid>,
}

impl From<Occasion> for ToTell {
    fn from(occasion: Occasion) -> Self {
        Self {
            occasion,
            from_level: 0,
            told: Vec::new(),
        }
    }
}

/// A yard's version in force.
pub(super) fn yard_at(reference: &Reference, yard: YardId, at: Timestamp) -> Option<&Yard> {
    let versions = reference.yards.get(&yard)?;
    versions.at(at).map(|version| version.value.as_ref())
}

/// Raises what is to be told, and answers how many notices are new.
pub(crate) async fn raise(
    tx: &mut Tx,
    to_tell: Vec<ToTell>,
    reference: &Reference,
) -> Result<u64, StoreError> {
    if to_tell.is_empty() {
        return Ok(0);
    }
    let now = tx.now();
    let people = who_can_be_told(tx).await?;
    let clamps: BTreeSet<Uuid> = to_tell
        .iter()
        .filter_map(|one| one.occasion.clamp.map(ClampId::uuid))
        .collect();
    let particulars = particulars(tx, &clamps).await?;
    let mut rows = Rows::default();
    for ToTell {
        occasion,
        from_level,
        told,
    } in to_tell
    {
        let can_be_told =
            |person: PersonId| people.contains(&person.uuid()) && !told.contains(&person.uuid());
        let (level, hear) = recipients(&occasion, from_level, reference, &can_be_told, now);
        if hear.is_empty() && told.is_empty() {
            tracing::error!(
                event = "notice_without_recipient",
                kind = occasion.kind.code(),
                subject = %occasion.subject,
                "nobody can be told: no administrator has an account that is open"
            );
        }
        let known = occasion.clamp.and_then(|clamp| particulars.get(&clamp.uuid()));
        let about = known.map_or_else(|| occasion.about.clone(), |known| known.fill(&occasion.about));
        for person in hear {
            rows.push(&occasion, &about, person, level, reference, now)?;
        }
    }
    rows.write(tx).await
}

/// Whoever has an account of a person's that is open.
async fn who_can_be_told(tx: &mut Tx) -> Result<BTreeSet<Uuid>, StoreError> {
    let people: Vec<Uuid> = sqlx::query_scalar(
        "-- notices.people
         select p.id from person as p join person_version as v on v.person_id = p.id and v.version = p.version
          where p.kind = 'person' and v.enabled",
    )
    .fetch_all(&mut **tx)
    .await?;
    Ok(people.into_iter().collect())
}

#[derive(sqlx::FromRow)]
struct Particulars {
    id: Uuid,
    asset_mark: Option<String>,
    serial_number: Option<String>,
    model: Option<String>,
}

impl Particulars {
    fn fill(&self, about: &About) -> About {
        About {
            asset_mark: self.asset_mark.clone(),
            serial_number: self.serial_number.clone(),
            model: self.model.clone(),
            ..about.clone()
        }
    }
}

async fn particulars(
    tx: &mut Tx,
    clamps: &BTreeSet<Uuid>,
) -> Result<BTreeMap<Uuid, Particulars>, StoreError> {
    if clamps.is_empty() {
        return Ok(BTreeMap::new());
    }
    let rows: Vec<Particulars> = sqlx::query_as(
        "-- notices.particulars
         select id, asset_mark, serial_number, concat_ws(' ', maker, model) as model from clamp where id = any($1)",
    )
    .bind(clamps.iter().copied().collect::<Vec<_>>())
    .fetch_all(&mut **tx)
    .await?;
    Ok(rows.into_iter().map(|row| (row.id, row)).collect())
}

/// The rows, column by column.
#[derive(Default)]
struct Rows {
    seen: BTreeSet<Uuid>,
    ids: Vec<Uuid>,
    kinds: Vec<&'static str>,
    subjects: Vec<Uuid>,
    recipients: Vec<Uuid>,
    levels: Vec<i16>,
    forms: Vec<&'static str>,
    clamps: Vec<Option<Uuid>>,
    lockouts: Vec<Option<Uuid>>,
    yard_ids: Vec<Option<Uuid>>,
    yards: Vec<String>,
    about: Vec<String>,
    since: Vec<SqlTimestamp>,
    raised_at: Vec<SqlTimestamp>,
    leaves_at: Vec<SqlTimestamp>,
    over_if_settled: Vec<bool>,
    escalates_at: Vec<Option<SqlTimestamp>>,
}

impl Rows {
    fn push(
        &mut self,
        occasion: &Occasion,
        about: &About,
        person: PersonId,
        level: usize,
        reference: &Reference,
        now: Timestamp,
    ) -> Result<(), StoreError> {
        let id = notice_id(occasion.subject, occasion.kind, person);
        if !self.seen.insert(id) {
            return Ok(());
        }
        // By the day of the first yard that is theirs.
        let grant = reference
            .people
            .get(&person)
            .and_then(|person| person.grant_at(now));
        let theirs = |yard: &&YardId| grant.is_some_and(|grant| grant.yards.covers(**yard));
        let yard_id = occasion
            .yards
            .iter()
            .find(theirs)
            .or(occasion.yards.first())
            .copied();
        let yard = yard_id.and_then(|yard| yard_at(reference, yard, now));
        let form = occasion.kind.manner().form;
        let leaves = leaves_at(form, yard, now);
        let escalates = escalates_at(occasion.kind, level, yard, leaves);
        self.ids.push(id);
        self.kinds.push(occasion.kind.code());
        self.subjects.push(occasion.subject);
        self.recipients.push(person.uuid());
        self.levels.push(i16::try_from(level).unwrap_or(i16::MAX));
        self.forms.push(form.code());
        self.clamps.push(occasion.clamp.map(ClampId::uuid));
        self.lockouts.push(about.lockout_id.map(|lockout| lockout.uuid()));
        self.yard_ids.push(yard_id.map(YardId::uuid));
        let yards: Vec<Uuid> = occasion.yards.iter().map(|yard| yard.uuid()).collect();
        self.yards.push(crate::projection::array_literal(&yards));
        self.about.push(serde_json::to_string(about)?);
        self.since.push(occasion.since.to_sqlx());
        self.raised_at.push(now.to_sqlx());
        self.leaves_at.push(leaves.to_sqlx());
        self.over_if_settled.push(occasion.kind.is_over_when_settled());
        self.escalates_at.push(escalates.map(ToSqlx::to_sqlx));
        Ok(())
    }

    async fn write(self, tx: &mut Tx) -> Result<u64, StoreError> {
        if self.ids.is_empty() {
            return Ok(0);
        }
        let new: i64 = sqlx::query_scalar(
            "-- notices.raise
             with given as (
               select * from unnest($1::uuid[], $2::text[], $3::uuid[], $4::uuid[], $5::smallint[], $6::text[], $7::uuid[],
                                    $8::uuid[], $9::uuid[], $10::text[], $11::text[], $12::timestamptz[],
                                    $13::timestamptz[], $14::timestamptz[], $15::boolean[], $16::timestamptz[])
                 as u(id, kind, subject, recipient, level, form, clamp_id, lockout_id, yard_id, yards, about, since,
                      raised_at, leaves_at, over_if_settled, escalates_at)
             ), written as (
               insert into notice as n (id, kind, subject, recipient, level, form, clamp_id, lockout_id, yard_id, yards,
                                        about, since, raised_at, leaves_at, over_if_settled, escalates_at)
               select id, kind, subject, recipient, level, form, clamp_id, lockout_id, yard_id, yards::uuid[],
                      about::jsonb, since, raised_at, leaves_at, over_if_settled, escalates_at
                 from given order by id
               -- What was over and is so again goes on: of a date everybody was told; that a clamp is barred again, because
               -- its release was taken back, they have to be told again.
               on conflict on constraint notice_is_one_for_each do update
                 set settled_at = null,
                     escalates_at = case when n.acknowledged_at is null or not n.over_if_settled
                                         then excluded.escalates_at end,
                     leaves_at = case when n.over_if_settled then n.leaves_at else excluded.leaves_at end,
                     mail_id = case when n.over_if_settled then n.mail_id end,
                     acknowledged_at = case when n.over_if_settled then n.acknowledged_at end,
                     acknowledged_by = case when n.over_if_settled then n.acknowledged_by end
                 where n.settled_at is not null
               returning (xmax = 0) as is_new
             )
             select count(*) filter (where is_new) from written",
        )
        .bind(&self.ids)
        .bind(&self.kinds)
        .bind(&self.subjects)
        .bind(&self.recipients)
        .bind(&self.levels)
        .bind(&self.forms)
        .bind(&self.clamps)
        .bind(&self.lockouts)
        .bind(&self.yard_ids)
        .bind(&self.yards)
        .bind(&self.about)
        .bind(&self.since)
        .bind(&self.raised_at)
        .bind(&self.leaves_at)
        .bind(&self.over_if_settled)
        .bind(&self.escalates_at)
        .fetch_one(&mut **tx)
        .await?;
        Ok(new.unsigned_abs())
    }
}
