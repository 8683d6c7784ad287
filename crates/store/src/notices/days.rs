//! A new day in a time zone: what falls due, what grows old, who was not heard of.

use super::clamps;
use super::raise::{ToTell, raise, yard_at};
use crate::bulletins;
use crate::tx::Command;
use crate::{Store, StoreError, Tx};
use clampward_domain::calendar::Zone;
use clampward_domain::ids::{DeviceId, YardId};
use clampward_domain::notice::{NoticePolicy, Occasion, competence_ends, not_accounted_for, silent_tablet};
use clampward_domain::reference::{Person, Reference, YardScope};
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use jiff_sqlx::{Date as SqlDate, Timestamp as SqlTimestamp, ToSqlx};
use std::collections::BTreeMap;
use uuid::Uuid;

/// Days after its end for which a competence is told of that nobody was told of before.
const TOLD_AFTER_DAYS: i64 = 30;
/// Clamps and lock-outs that are read at a time.
const PART: i64 = 2000;

impl Store {
    /// Raises what a new day brings, one time zone in one transaction. Answers how many notices are new.
    pub async fn notices_of_days(&self) -> Result<u64, StoreError> {
        let reference = self.reference().await?;
        let now = self.now();
        let mut raised: u64 = 0;
        for (name, zone) in zones(&reference, now) {
            let today = zone.date_at(now);
            if self.asked_on(&name).await?.is_none_or(|day| day < today) {
                let day = NewDay {
                    store: self,
                    name: &name,
                    today,
                };
                raised = raised.saturating_add(self.run_command("notices.of_day", &day).await?);
            }
        }
        Ok(raised)
    }

    async fn asked_on(&self, zone: &str) -> Result<Option<Date>, StoreError> {
        let day: Option<SqlDate> =
            sqlx::query_scalar("-- notices.asked_on\nselect day from notice_day where time_zone = $1")
                .bind(zone)
                .fetch_optional(&self.inner.door)
                .await?;
        Ok(day.map(|day| day.to_jiff()))
    }
}

/// The time zones of the yards.
fn zones(reference: &Reference, now: Timestamp) -> BTreeMap<String, Zone> {
    let yards = reference
        .yards
        .keys()
        .filter_map(|yard| yard_at(reference, *yard, now));
    yards
        .map(|yard| (yard.time_zone.name().to_owned(), yard.time_zone.clone()))
        .collect()
}

struct NewDay<'a> {
    store: &'a Store,
    name: &'a str,
    today: Date,
}

impl Command for NewDay<'_> {
    type Output = u64;
    type Error = StoreError;

    async fn attempt(&self, tx: &mut Tx) -> Result<u64, StoreError> {
        if !self.is_ours(tx).await? {
            return Ok(0);
        }
        // Nobody reads the ledger on meanwhile: what is recorded after the clamps were read here is read there afterwards, and
        // settles what was raised.
        sqlx::query("-- notices.hold\nselect from ledger_reader where name = 'notices' for no key update")
            .execute(&mut **tx)
            .await?;
        let now = tx.now();
        let reference = self.store.reference_in(tx).await?;
        settle_heard(tx, now).await?;
        let here = |yard: YardId| {
            yard_at(&reference, yard, now).is_some_and(|yard| yard.time_zone.name() == self.name)
        };
        let yards: Vec<YardId> = reference
            .yards
            .keys()
            .copied()
            .filter(|yard| here(*yard))
            .collect();
        let usual = NoticePolicy::default();
        let policies: Vec<&NoticePolicy> = yards
            .iter()
            .filter_map(|yard| yard_at(&reference, *yard, now))
            .map(|yard| &yard.notices)
            .collect();
        let longest = policies
            .iter()
            .map(|policy| policy.longest_lead())
            .max()
            .unwrap_or(0);
        let zone = Zone::named(self.name).unwrap_or_else(Zone::utc);
        let last = self
            .today
            .checked_add(i64::from(longest).days())
            .unwrap_or(self.today);
        let mut raised = 0_u64;

        let mut after = (Timestamp::UNIX_EPOCH, Uuid::nil());
        loop {
            // A day is over at another instant in each zone: one day more is read, and looked at by its own yard's.
            let before = zone.end_of(last) + 48.hours();
            let rows = clamps::due_before(tx, before, after, PART).await?;
            let Some((_, key)) = rows.last() else { break };
            after = *key;
            let occasions = rows
                .iter()
                .flat_map(|(row, _)| row.occasions(&reference, now, &here));
            raised =
                raised.saturating_add(raise(tx, occasions.map(ToTell::from).collect(), &reference).await?);
        }

        let youngest = policies.iter().map(|policy| policy.lockout_days).min();
        let youngest = i64::from(youngest.unwrap_or(usual.lockout_days));
        let opened = self
            .today
            .checked_sub((youngest - 1).days())
            .unwrap_or(self.today);
        let mut after = Uuid::nil();
        loop {
            let rows = clamps::open_lockouts(tx, zone.end_of(opened), after, PART).await?;
            let Some(row) = rows.last() else { break };
            after = row.lockout().id.uuid();
            let occasions = rows.iter().flat_map(|row| row.occasions(&reference, now, &here));
            raised =
                raised.saturating_add(raise(tx, occasions.map(ToTell::from).collect(), &reference).await?);
        }

        let mut others = silent(tx, &reference, &yards, now).await?;
        others.extend(ending(&reference, &here, now));
        others.extend(waiting_bulletins(tx, &reference, &yards, now).await?);
        raised = raised
            .saturating_add(raise(tx, others.into_iter().map(ToTell::from).collect(), &reference).await?);
        Ok(raised)
    }
}

impl NewDay<'_> {
    /// Notes that the day was asked about; not ours if somebody has, or is at it.
    async fn is_ours(&self, tx: &mut Tx) -> Result<bool, StoreError> {
        sqlx::query(
            "-- notices.know_zone
             insert into notice_day (time_zone, day) values ($1, '0001-01-01') on conflict do nothing",
        )
        .bind(self.name)
        .execute(&mut **tx)
        .await?;
        let ours = sqlx::query(
            "-- notices.begin_day
             update notice_day as d set day = $2
               from (select time_zone from notice_day where time_zone = $1 for no key update skip locked) as mine
              where d.time_zone = mine.time_zone and d.day < $2",
        )
        .bind(self.name)
        .bind(self.today.to_sqlx())
        .execute(&mut **tx)
        .await?;
        Ok(ours.rows_affected() == 1)
    }
}

/// Of a tablet that something was heard of since nobody has to be told any more.
async fn settle_heard(tx: &mut Tx, now: Timestamp) -> Result<(), StoreError> {
    sqlx::query(
        "-- notices.settle_heard
         update notice as n set settled_at = $1, escalates_at = null
           from device as d
          where n.kind = 'tablet_silent' and n.settled_at is null
            and d.id = (n.about ->> 'device_id')::uuid and d.pushed_at > n.since",
    )
    .bind(now.to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// Tablets of these yards that nothing was heard of.
async fn silent(
    tx: &mut Tx,
    reference: &Reference,
    yards: &[YardId],
    now: Timestamp,
) -> Result<Vec<Occasion>, StoreError> {
    let rows: Vec<(Uuid, String, Vec<Uuid>, SqlTimestamp)> = sqlx::query_as(
        "-- notices.silent
         select d.id, v.name, v.yards, coalesce(d.pushed_at, d.enrolled_at)
           from device as d
           join person as p on p.id = d.id
           join person_version as v on v.person_id = p.id and v.version = p.version
          where v.enabled and v.yards && $1 and coalesce(d.pushed_at, d.enrolled_at) < $2 order by d.id",
    )
    .bind(yards.iter().map(|yard| yard.uuid()).collect::<Vec<_>>())
    .bind((now - 24.hours()).to_sqlx())
    .fetch_all(&mut **tx)
    .await?;
    let mut all = Vec::new();
    for (id, name, theirs, heard_at) in rows {
        let theirs: Vec<YardId> = theirs.into_iter().map(YardId::new).collect();
        let Some(day) = theirs
            .iter()
            .find_map(|yard| clamps::day_in(reference, *yard, now))
        else {
            continue;
        };
        let heard_on = day.zone.date_at(heard_at.to_jiff());
        all.extend(silent_tablet(DeviceId::new(id), &name, &theirs, heard_on, day));
    }
    Ok(all)
}

/// Bulletins for which clamps of these yards are not accounted for. What was told of an earlier week is over.
async fn waiting_bulletins(
    tx: &mut Tx,
    reference: &Reference,
    yards: &[YardId],
    now: Timestamp,
) -> Result<Vec<Occasion>, StoreError> {
    let mut all = Vec::new();
    for (id, opened) in &reference.bulletins {
        if opened.closed_at.is_some() || !opened.bulletin.class.bars() {
            continue;
        }
        let outstanding = bulletins::outstanding(tx, *id).await?;
        for yard in yards {
            let clamps = outstanding.get(yard).copied().unwrap_or(0);
            let day = clamps::day_in(reference, *yard, now);
            all.extend(day.and_then(|day| not_accounted_for(*id, opened, clamps, day)));
        }
    }
    sqlx::query(
        "-- notices.settle_weeks
         update notice set settled_at = $3, escalates_at = null
          where kind = 'bulletin_not_accounted_for' and settled_at is null and yard_id = any($1) and subject <> all($2)",
    )
    .bind(yards.iter().map(|yard| yard.uuid()).collect::<Vec<_>>())
    .bind(all.iter().map(|occasion| occasion.subject).collect::<Vec<_>>())
    .bind(now.to_sqlx())
    .execute(&mut **tx)
    .await?;
    Ok(all)
}

/// Competences that end, of people whose first yard is among those of the day, and that nothing follows.
fn ending(reference: &Reference, here: &dyn Fn(YardId) -> bool, now: Timestamp) -> Vec<Occasion> {
    let mut all = Vec::new();
    for (id, person) in &reference.people {
        let Some((yards, first)) = yards_of(reference, person, now) else {
            continue;
        };
        if !here(first) {
            continue;
        }
        let Some(day) = clamps::day_in(reference, first, now) else {
            continue;
        };
        for competence in &person.competences {
            let Some(last_day) = competence.valid_until else {
                continue;
            };
            let goes_on = last_day
                .tomorrow()
                .is_ok_and(|next| person.competent(competence.kind, next));
            let is_news = last_day
                .checked_add(TOLD_AFTER_DAYS.days())
                .is_ok_and(|last| day.today <= last);
            if goes_on || !competence.covers(last_day) || !is_news {
                continue;
            }
            let said = (person.name.as_str(), competence.kind.code());
            all.extend(competence_ends(competence.id, *id, said, &yards, last_day, day));
        }
    }
    all
}

/// The yards whose safety team hears of a person, and the one by whose day.
fn yards_of(reference: &Reference, person: &Person, now: Timestamp) -> Option<(Vec<YardId>, YardId)> {
    let grant = person.grant_at(now)?;
    match &grant.yards {
        YardScope::All => Some((Vec::new(), *reference.yards.keys().next()?)),
        YardScope::Some(yards) => Some((yards.clone(), *yards.first()?)),
    }
}
