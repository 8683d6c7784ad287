//! Receipts: which of a device's entries arrived, which never did, and whether another device counts by the same number.
//! They are for noticing losses and copies; nothing waits for them and nothing is refused by them.

use super::held::HeldReason;
use crate::reference::word;
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{DeviceId, EntryId};
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// Most ranges of what is missing that are named at once.
pub const MAX_MISSING: usize = 100;
/// Most receipts of one page.
pub const MAX_RECEIPTS: u32 = 1_000;

/// What arrived under one count.
#[derive(Clone, Debug)]
pub(crate) struct Arrived {
    pub seq: u64,
    /// The entry, or what stands for one whose id cannot be read.
    pub entry: Uuid,
    pub outcome: &'static str,
    pub held: Option<Uuid>,
}

/// How far a device has come.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Progress {
    /// The highest count that arrived.
    pub received_to: u64,
    /// Ranges below it that never arrived, both ends included.
    pub missing: Vec<(u64, u64)>,
}

/// One receipt.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Receipt {
    /// The device's count.
    pub seq: u64,
    /// The entry.
    pub entry: EntryId,
    /// `recorded`, `held`, `refused` or `dismissed`, as it is now.
    pub outcome: String,
    /// Its position in the ledger, if it is recorded.
    pub position: Option<u64>,
    /// Why it is held, if it was.
    pub held: Option<HeldReason>,
    /// When it arrived first.
    pub received_at: Timestamp,
}

/// What noting a chunk showed.
#[derive(Clone, Debug, Default)]
pub(crate) struct Noted {
    /// Counts that came before with another entry.
    pub forked: BTreeSet<u64>,
    /// A number to go on under, for a device whose number another one uses.
    pub new_number: Option<u32>,
}

/// Whose receipts are noted.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Numbered {
    pub device: DeviceId,
    pub number: i32,
    pub queue_length: u64,
}

/// Count, entry, outcome, position, arrival, reason.
type Row = (i64, Uuid, String, Option<i64>, SqlTimestamp, Option<String>);

fn count(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

/// Notes what arrived; called before the append, under the device's lock.
pub(crate) async fn note(tx: &mut Tx, of: Numbered, arrived: &[Arrived]) -> Result<Noted, StoreError> {
    let now = tx.now().to_sqlx();
    sqlx::query(
        "-- receipts.number\ninsert into device_number (device_id, number) values ($1, $2) on conflict do nothing",
    )
    .bind(of.device.uuid())
    .bind(of.number)
    .execute(&mut **tx)
    .await?;
    let noted = if arrived.is_empty() {
        Noted::default()
    } else {
        arrive(tx, of, arrived).await?
    };
    // What is shown of the device: how it stands under the number that it counts by now.
    sqlx::query(
        "-- receipts.device
         update device as d set pushed_at = $3, queue_length = $4, received_to = n.received_to, missing = n.missing,
           copy_noticed_at = case when $5 then $3 else d.copy_noticed_at end,
           last_number = greatest(d.last_number, coalesce($6, 1), $2)
          from device_number as n where d.id = $1 and n.device_id = $1 and n.number = $2",
    )
    .bind(of.device.uuid())
    .bind(of.number)
    .bind(now)
    .bind(count(of.queue_length))
    .bind(!noted.forked.is_empty())
    .bind(noted.new_number.map(|number| i32::try_from(number).unwrap_or(i32::MAX)))
    .execute(&mut **tx)
    .await?;
    Ok(noted)
}

async fn arrive(tx: &mut Tx, of: Numbered, arrived: &[Arrived]) -> Result<Noted, StoreError> {
    let now = tx.now().to_sqlx();
    let seqs: Vec<i64> = arrived.iter().map(|one| count(one.seq)).collect();
    let received_to: i64 = sqlx::query_scalar(
        "-- receipts.received_to\nselect received_to from device_number where device_id = $1 and number = $2",
    )
    .bind(of.device.uuid())
    .bind(of.number)
    .fetch_one(&mut **tx)
    .await?;
    // Beyond it there is neither a receipt nor a gap, and most of what comes is beyond it.
    let again: Vec<i64> = seqs.iter().copied().filter(|seq| *seq <= received_to).collect();
    let mut noted = Noted {
        forked: forked(tx, of, arrived, &again).await?,
        new_number: None,
    };
    close_gaps(tx, of, &seqs, &again, received_to).await?;
    sqlx::query(
        "-- receipts.keep
         insert into device_receipt (device_id, number, seq, entry_id, outcome, held_id, received_at)
         select $1, $2, u.seq, u.entry_id, u.outcome, u.held_id, $7
           from unnest($3::bigint[], $4::uuid[], $5::text[], $6::uuid[]) as u(seq, entry_id, outcome, held_id)
         on conflict do nothing",
    )
    .bind(of.device.uuid())
    .bind(of.number)
    .bind(&seqs)
    .bind(arrived.iter().map(|one| one.entry).collect::<Vec<_>>())
    .bind(arrived.iter().map(|one| one.outcome).collect::<Vec<_>>())
    .bind(arrived.iter().map(|one| one.held).collect::<Vec<_>>())
    .bind(now)
    .execute(&mut **tx)
    .await?;
    if !noted.forked.is_empty() {
        noted.new_number = Some(number_for_a_copy(tx, of).await?);
    }
    Ok(noted)
}

/// The counts that came before, or in this chunk, with another entry. `again` are those that may have come before.
async fn forked(
    tx: &mut Tx,
    of: Numbered,
    arrived: &[Arrived],
    again: &[i64],
) -> Result<BTreeSet<u64>, StoreError> {
    // Count by count: for a list of them a plan made while the table was small reads all of it, however large it is by now.
    let known: Vec<(i64, Uuid)> = if again.is_empty() {
        Vec::new()
    } else {
        sqlx::query_as(
            "-- receipts.known
             select r.seq, r.entry_id from unnest($3::bigint[]) as u(seq)
              cross join lateral (
                select seq, entry_id from device_receipt where device_id = $1 and number = $2 and seq = u.seq offset 0) as r",
        )
        .bind(of.device.uuid())
        .bind(of.number)
        .bind(again)
        .fetch_all(&mut **tx)
        .await?
    };
    let mut seen: BTreeMap<u64, BTreeSet<Uuid>> = BTreeMap::new();
    for (seq, entry) in known {
        seen.entry(seq.unsigned_abs()).or_default().insert(entry);
    }
    let mut forked = BTreeSet::new();
    for one in arrived {
        let entries = seen.entry(one.seq).or_default();
        if entries.is_empty() || entries.contains(&one.entry) {
            entries.insert(one.entry);
        } else {
            forked.insert(one.seq);
        }
    }
    Ok(forked)
}

/// Takes counts out of the ranges that are missing, and adds the ranges that they skip. `again` are those that lie within
/// what was received before.
async fn close_gaps(
    tx: &mut Tx,
    of: Numbered,
    seqs: &[i64],
    again: &[i64],
    received_to: i64,
) -> Result<(), StoreError> {
    let touched: Vec<(i64, i64)> = if again.is_empty() {
        Vec::new()
    } else {
        sqlx::query_as(
            "-- receipts.gaps
             select distinct g.from_seq, g.to_seq
               from unnest($3::bigint[]) as u(seq)
              cross join lateral (
                select from_seq, to_seq from device_gap
                 where device_id = $1 and number = $2 and from_seq <= u.seq order by from_seq desc limit 1) as g
              where u.seq <= g.to_seq",
        )
        .bind(of.device.uuid())
        .bind(of.number)
        .bind(again)
        .fetch_all(&mut **tx)
        .await?
    };
    let highest = seqs.iter().copied().max().unwrap_or(0).max(received_to);
    let mut open = touched.clone();
    if highest > received_to {
        open.push((received_to.saturating_add(1), highest));
    }
    let arrived: BTreeSet<i64> = seqs.iter().copied().collect();
    let left = without(&open, &arrived);
    if !touched.is_empty() {
        sqlx::query(
            "-- receipts.drop_gaps
             delete from device_gap where device_id = $1 and number = $2 and from_seq = any($3)",
        )
        .bind(of.device.uuid())
        .bind(of.number)
        .bind(touched.iter().map(|(from, _)| *from).collect::<Vec<_>>())
        .execute(&mut **tx)
        .await?;
    }
    if !left.is_empty() {
        sqlx::query(
            "-- receipts.keep_gaps
             insert into device_gap (device_id, number, from_seq, to_seq)
             select $1, $2, u.from_seq, u.to_seq from unnest($3::bigint[], $4::bigint[]) as u(from_seq, to_seq)",
        )
        .bind(of.device.uuid())
        .bind(of.number)
        .bind(left.iter().map(|(from, _)| *from).collect::<Vec<_>>())
        .bind(left.iter().map(|(_, to)| *to).collect::<Vec<_>>())
        .execute(&mut **tx)
        .await?;
    }
    let long = |ranges: &[(i64, i64)]| -> i64 {
        let lengths = ranges
            .iter()
            .map(|(from, to)| to.saturating_sub(*from).saturating_add(1));
        lengths.fold(0, i64::saturating_add)
    };
    sqlx::query(
        "-- receipts.progressed
         update device_number set received_to = $3, missing = greatest(missing + $4, 0)
          where device_id = $1 and number = $2 and (received_to <> $3 or $4 <> 0)",
    )
    .bind(of.device.uuid())
    .bind(of.number)
    .bind(highest)
    .bind(long(&left).saturating_sub(long(&touched)))
    .execute(&mut **tx)
    .await?;
    Ok(())
}

/// Ranges without some numbers.
fn without(ranges: &[(i64, i64)], numbers: &BTreeSet<i64>) -> Vec<(i64, i64)> {
    let mut left = Vec::new();
    for (from, to) in ranges {
        let mut next = *from;
        for number in numbers.range(*from..=*to) {
            if next < *number {
                left.push((next, number.saturating_sub(1)));
            }
            next = number.saturating_add(1);
        }
        if next <= *to {
            left.push((next, *to));
        }
    }
    left
}

/// A number that nothing arrived under yet.
async fn number_for_a_copy(tx: &mut Tx, of: Numbered) -> Result<u32, StoreError> {
    let (highest, unused): (i32, bool) = sqlx::query_as(
        "-- receipts.highest_number
         select number, received_to = 0 and number <> $2 from device_number where device_id = $1
          order by number desc limit 1",
    )
    .bind(of.device.uuid())
    .bind(of.number)
    .fetch_one(&mut **tx)
    .await?;
    let number = if unused {
        highest
    } else {
        highest.saturating_add(1)
    };
    sqlx::query(
        "-- receipts.new_number
         insert into device_number (device_id, number) values ($1, $2) on conflict do nothing",
    )
    .bind(of.device.uuid())
    .bind(number)
    .execute(&mut **tx)
    .await?;
    Ok(number.unsigned_abs())
}

impl Store {
    /// How far a device has come under one of its numbers.
    pub async fn device_progress(&self, device: DeviceId, number: u32) -> Result<Progress, StoreError> {
        let number = i32::try_from(number).unwrap_or(i32::MAX);
        let mut connection = self.inner.door.acquire().await?;
        let received_to: Option<i64> = sqlx::query_scalar(
            "-- receipts.progress\nselect received_to from device_number where device_id = $1 and number = $2",
        )
        .bind(device.uuid())
        .bind(number)
        .fetch_optional(&mut *connection)
        .await?;
        let missing: Vec<(i64, i64)> = sqlx::query_as(
            "-- receipts.missing
             select from_seq, to_seq from device_gap where device_id = $1 and number = $2 order by from_seq limit $3",
        )
        .bind(device.uuid())
        .bind(number)
        .bind(i64::try_from(MAX_MISSING).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        Ok(Progress {
            received_to: received_to.unwrap_or(0).unsigned_abs(),
            missing: missing
                .into_iter()
                .map(|(from, to)| (from.unsigned_abs(), to.unsigned_abs()))
                .collect(),
        })
    }

    /// What arrived under a number of a device, from a count on.
    pub async fn device_receipts(
        &self,
        device: DeviceId,
        number: u32,
        from: u64,
        limit: u32,
    ) -> Result<Vec<Receipt>, StoreError> {
        let mut connection = self.inner.door.acquire().await?;
        let rows: Vec<Row> = sqlx::query_as(
            "-- receipts.page
             select r.seq, r.entry_id,
                    case when r.outcome <> 'held' then r.outcome
                         when h.state in ('placed', 'replayed') then 'recorded'
                         else coalesce(h.state, r.outcome) end,
                    case when r.outcome = 'recorded' or h.state in ('placed', 'replayed') then l.position end,
                    r.received_at, coalesce(h.stays_because, h.reason)
               from device_receipt as r
               left join held_entry as h on h.id = r.held_id
               left join ledger as l on l.id = r.entry_id
              where r.device_id = $1 and r.number = $2 and r.seq >= $3
              order by r.seq, r.entry_id limit $4",
        )
        .bind(device.uuid())
        .bind(i32::try_from(number).unwrap_or(i32::MAX))
        .bind(count(from))
        .bind(i64::from(limit.min(MAX_RECEIPTS.saturating_add(1))))
        .fetch_all(&mut *connection)
        .await?;
        rows.into_iter()
            .map(|(seq, entry, outcome, position, received_at, reason)| {
                let reason = reason.map(|reason| word("held_entry", "reason", entry, &reason));
                Ok(Receipt {
                    seq: seq.unsigned_abs(),
                    entry: EntryId::new(entry),
                    outcome,
                    position: position.map(i64::unsigned_abs),
                    held: reason.transpose()?,
                    received_at: received_at.to_jiff(),
                })
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_arrived_is_cut_out_of_what_is_missing() {
        let arrived = BTreeSet::from([1, 4, 5, 9, 12]);
        assert_eq!(without(&[(1, 9)], &arrived), vec![(2, 3), (6, 8)]);
        assert_eq!(without(&[(4, 5), (10, 11)], &arrived), vec![(10, 11)]);
        assert_eq!(without(&[(12, 14)], &arrived), vec![(13, 14)]);
        assert_eq!(without(&[], &arrived), vec![]);
    }
}
