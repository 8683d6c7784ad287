//! When an entry counts that was written on a device: its wall clock is believed as long as the clock that nobody can set
//! agrees with it.

use crate::{StoreError, Tx};
use clampward_domain::ids::DeviceId;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use std::collections::BTreeMap;
use uuid::Uuid;

/// How far a told time may lie from the measured one.
pub const TOLERANCE: SignedDuration = SignedDuration::from_mins(2);

/// An instant as a device counts it: a start of the device, and the milliseconds since.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Monotonic {
    /// Names the time since a start.
    pub boot: Uuid,
    /// Milliseconds of it.
    pub milliseconds: u64,
}

/// What ties a device's counting to our time.
#[derive(Debug)]
pub(crate) struct Clocks {
    now: Timestamp,
    /// Where each start of the device stood, and when that was.
    anchors: BTreeMap<Uuid, (u64, Timestamp)>,
}

impl Clocks {
    /// Those of earlier pushes, and of this one where the device itself sends it at this moment.
    pub(crate) async fn load(
        tx: &mut Tx,
        device: DeviceId,
        boots: &[Uuid],
        sent: Option<Monotonic>,
    ) -> Result<Self, StoreError> {
        let now = tx.now();
        let known: Vec<(Uuid, i64, SqlTimestamp)> = sqlx::query_as(
            "-- clocks.load
             select boot, monotonic_ms, received_at from device_boot where device_id = $1 and boot = any($2)",
        )
        .bind(device.uuid())
        .bind(boots)
        .fetch_all(&mut **tx)
        .await?;
        let mut anchors: BTreeMap<Uuid, (u64, Timestamp)> = known
            .into_iter()
            .map(|(boot, at, received)| (boot, (at.unsigned_abs(), received.to_jiff())))
            .collect();
        if let Some(sent) = sent {
            anchors.insert(sent.boot, (sent.milliseconds, now));
        }
        Ok(Self { now, anchors })
    }

    /// Keeps where the device's counting stands now.
    pub(crate) async fn keep(tx: &mut Tx, device: DeviceId, sent: Monotonic) -> Result<(), StoreError> {
        let now = tx.now().to_sqlx();
        sqlx::query(
            "-- clocks.keep
             insert into device_boot (device_id, boot, monotonic_ms, received_at) values ($1, $2, $3, $4)
             on conflict (device_id, boot) do update
               set monotonic_ms = excluded.monotonic_ms, received_at = excluded.received_at
             where device_boot.monotonic_ms < excluded.monotonic_ms",
        )
        .bind(device.uuid())
        .bind(sent.boot)
        .bind(i64::try_from(sent.milliseconds).unwrap_or(i64::MAX))
        .bind(now)
        .execute(&mut **tx)
        .await?;
        Ok(())
    }

    /// When an entry counts that was written at this instant of the device's and tells of that time, and whether that is
    /// another time than the one told. Never later than now.
    pub(crate) fn counted(&self, written: Monotonic, told: Timestamp) -> (Timestamp, bool) {
        let as_told = told.min(self.now);
        let Some(measured) = self.measured(written) else {
            return (as_told, false);
        };
        if told.duration_since(measured).abs() <= TOLERANCE {
            (as_told, false)
        } else {
            (measured, true)
        }
    }

    /// When it was written, if that can be measured: a count beyond the one that arrived with the push is nonsense.
    fn measured(&self, written: Monotonic) -> Option<Timestamp> {
        let (anchor, at) = self.anchors.get(&written.boot)?;
        let since = i64::try_from(written.milliseconds).ok()?;
        let since = since.checked_sub(i64::try_from(*anchor).ok()?)?;
        let measured = at.checked_add(SignedDuration::from_millis(since)).ok()?;
        (measured <= self.now).then_some(measured)
    }
}

#[cfg(test)]
mod tests {
    //! A device's clock may be anything.

    use super::*;

    const BOOT: Uuid = Uuid::from_u128(1);
    const BEFORE: Uuid = Uuid::from_u128(2);
    const UNKNOWN: Uuid = Uuid::from_u128(3);

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn clocks() -> Clocks {
        Clocks {
            now: at("2026-03-02T08:00:00Z"),
            anchors: BTreeMap::from([
                (BOOT, (10_000_000, at("2026-03-02T08:00:00Z"))),
                (BEFORE, (5_000_000, at("2026-03-01T08:00:00Z"))),
            ]),
        }
    }

    #[test]
    fn a_clock_that_agrees_with_the_count_is_believed_and_one_that_does_not_is_replaced() {
        let an_hour_ago = Monotonic {
            boot: BOOT,
            milliseconds: 10_000_000 - 3_600_000,
        };
        for (told, counted, corrected) in [
            ("2026-03-02T07:00:00Z", "2026-03-02T07:00:00Z", false),
            ("2026-03-02T07:02:00Z", "2026-03-02T07:02:00Z", false),
            ("2026-03-02T07:02:01Z", "2026-03-02T07:00:00Z", true),
            ("2026-03-05T07:00:00Z", "2026-03-02T07:00:00Z", true),
            ("2026-02-27T07:00:00Z", "2026-03-02T07:00:00Z", true),
        ] {
            assert_eq!(
                clocks().counted(an_hour_ago, at(told)),
                (at(counted), corrected),
                "{told}"
            );
        }
    }

    #[test]
    fn after_another_start_an_earlier_push_of_that_start_measures() {
        let later_then = Monotonic {
            boot: BEFORE,
            milliseconds: 5_000_000 + 7_200_000,
        };
        assert_eq!(
            clocks().counted(later_then, at("2026-03-09T10:00:00Z")),
            (at("2026-03-01T10:00:00Z"), true)
        );
    }

    #[test]
    fn what_cannot_be_measured_counts_as_told_and_never_later_than_now() {
        let beyond = Monotonic {
            boot: BOOT,
            milliseconds: 10_000_001,
        };
        let unknown = Monotonic {
            boot: UNKNOWN,
            milliseconds: 1,
        };
        let absurd = Monotonic {
            boot: BEFORE,
            milliseconds: u64::MAX,
        };
        for written in [beyond, unknown, absurd] {
            assert_eq!(
                clocks().counted(written, at("2026-02-27T07:00:00Z")),
                (at("2026-02-27T07:00:00Z"), false)
            );
            assert_eq!(
                clocks().counted(written, at("2026-03-05T07:00:00Z")),
                (at("2026-03-02T08:00:00Z"), false)
            );
        }
    }
}
