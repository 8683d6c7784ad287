//! Up to where what was recorded outlives the loss of the machine.
//!
//! Without a standby that is the head: what was committed was flushed. With one, positions are sampled beside the place
//! in the database's log that they were written before; when the standby has flushed the log up to there, it has them.

use crate::{Store, StoreError};
use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, OnceLock, PoisonError};

/// Samples that wait for the standby.
const SAMPLES: usize = 64;

/// What is known about it in one process.
#[derive(Debug, Default)]
pub(crate) struct Stable {
    standby: OnceLock<String>,
    known: Mutex<Known>,
}

#[derive(Debug, Default)]
struct Known {
    waiting: VecDeque<Sample>,
    /// What the standby has: the newest sample of which that is known.
    reached: Option<Sample>,
}

/// A position with its tag, and a place in the log behind its commit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Sample {
    position: i64,
    tag: i64,
    written: i64,
}

impl Known {
    /// Keeps a sample. Where too many wait, every second one goes: the newest and the oldest stay.
    fn sample(&mut self, sample: Sample) {
        if self
            .waiting
            .back()
            .is_some_and(|last| last.position == sample.position)
        {
            return;
        }
        // A ledger that went back has another history: nothing that was sampled of it counts.
        if self
            .waiting
            .back()
            .is_some_and(|last| last.position > sample.position)
        {
            self.waiting.clear();
        }
        if self.waiting.len() >= SAMPLES {
            let mut number = 0_usize;
            self.waiting.retain(|_| {
                number += 1;
                number % 2 == 1
            });
        }
        self.waiting.push_back(sample);
    }
    /// Forgets what was known of another history: the row that was reached is not (any more) the one that stands there.
    /// A standby may have had it; the one that follows now need not have what took its place.
    fn hold_against(&mut self, reached: Option<Sample>, tag_there: Option<i64>) {
        if reached.is_some_and(|reached| self.reached == Some(reached) && Some(reached.tag) != tag_there) {
            self.reached = None;
        }
    }
    /// The standby has this, too.
    fn reach(&mut self, sample: Sample) {
        if self
            .reached
            .is_none_or(|reached| reached.position < sample.position)
        {
            self.reached = Some(sample);
        }
    }
    /// Takes out the newest sample that the standby has, and all before it.
    fn flushed(&mut self, flushed: i64) -> Option<Sample> {
        let mut newest = None;
        while self.waiting.front().is_some_and(|first| first.written <= flushed) {
            newest = self.waiting.pop_front();
        }
        newest
    }
}

/// Where the log stands, beside the head that was read before it.
#[derive(sqlx::FromRow)]
struct Now {
    position: i64,
    tag: Option<i64>,
    /// Bytes of the log; nothing on a database that follows another one.
    written: Option<i64>,
    flushed: Option<i64>,
    /// The tag of what stands where the standby had reached.
    reached_tag: Option<i64>,
}

impl Store {
    /// From now on only what the standby of this name has counts as stable. To be said once, before anything is asked.
    pub fn require_standby(&self, name: String) {
        if self.inner.stable.standby.set(name).is_err() {
            tracing::warn!("the standby was named already");
        }
    }

    /// What was recorded up to here outlives the loss of the machine: the head, or, where a standby is required, the
    /// newest position of which it is known that the standby has it. Never more than the ledger has.
    pub async fn stable_position(&self) -> Result<u64, StoreError> {
        let Some(standby) = self.inner.stable.standby.get() else {
            return self.position().await;
        };
        let reached = self.known().reached;
        // The head is of the statement's snapshot, which is older than its calls: what it shows was written before.
        let now: Now = sqlx::query_as(
            "-- feed.stable
             select h.position, (select l.tag from ledger as l where l.position = h.position) as tag,
                    case when not pg_is_in_recovery() then (pg_current_wal_insert_lsn() - '0/0'::pg_lsn)::bigint end as written,
                    (flushed_by_standby($1) - '0/0'::pg_lsn)::bigint as flushed,
                    (select l.tag from ledger as l where l.position = $2) as reached_tag
               from ledger_head as h where h.one",
        )
        .bind(standby)
        .bind(reached.map(|reached| reached.position))
        .fetch_one(&self.inner.door)
        .await?;
        let newest = {
            let mut known = self.known();
            known.hold_against(reached, now.reached_tag);
            if let (Some(written), Some(tag)) = (now.written, now.tag) {
                known.sample(Sample {
                    position: now.position,
                    tag,
                    written,
                });
            }
            now.flushed.and_then(|flushed| known.flushed(flushed))
        };
        if let Some(newest) = newest
            && self.is_still_there(newest).await?
        {
            self.known().reach(newest);
        }
        let position = self
            .known()
            .reached
            .map_or(0, |reached| reached.position.unsigned_abs());
        Ok(position.min(now.position.unsigned_abs()))
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.inner
            .stable
            .known
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
    }

    /// Whether the row that was sampled is the one that stands there: after a standby without it took over, the log may
    /// reach as far again with other rows.
    async fn is_still_there(&self, sample: Sample) -> Result<bool, StoreError> {
        let tag: Option<i64> = sqlx::query_scalar("-- feed.tag\nselect tag from ledger where position = $1")
            .bind(sample.position)
            .fetch_optional(&self.inner.door)
            .await?;
        Ok(tag == Some(sample.tag))
    }
}

#[cfg(test)]
mod tests {
    //! Which sample counts.

    use super::*;

    fn sample(position: i64, written: i64) -> Sample {
        Sample {
            position,
            tag: position * 7,
            written,
        }
    }

    #[test]
    fn the_newest_sample_that_the_standby_has_counts_and_those_behind_it_wait() {
        let mut known = Known::default();
        for (position, written) in [(1, 100), (2, 200), (2, 250), (5, 300)] {
            known.sample(sample(position, written));
        }
        assert_eq!(known.flushed(99), None);
        assert_eq!(known.flushed(299), Some(sample(2, 200)));
        assert_eq!(known.flushed(299), None);
        assert_eq!(known.flushed(300), Some(sample(5, 300)));
    }

    #[test]
    fn what_a_standby_had_of_another_history_is_not_stable_in_this_one() {
        let mut known = Known::default();
        known.reach(sample(100, 1_000));
        // The same history.
        known.hold_against(Some(sample(100, 1_000)), Some(700));
        assert_eq!(known.reached, Some(sample(100, 1_000)));
        // Somebody else went on meanwhile: what was read says nothing about that.
        known.hold_against(Some(sample(90, 900)), None);
        assert_eq!(known.reached, Some(sample(100, 1_000)));
        // A backup of position 60 was restored, and the ledger is at 80, or at 120, with other rows.
        for tag_there in [None, Some(1)] {
            let mut restored = Known::default();
            restored.reach(sample(100, 1_000));
            restored.hold_against(Some(sample(100, 1_000)), tag_there);
            assert_eq!(restored.reached, None);
            restored.reach(sample(70, 1_100));
            assert_eq!(restored.reached, Some(sample(70, 1_100)));
        }
    }

    #[test]
    fn samples_of_a_ledger_that_went_back_count_no_more() {
        let mut known = Known::default();
        known.sample(sample(8, 100));
        known.sample(sample(6, 90));
        assert_eq!(known.flushed(1_000), Some(sample(6, 90)));
    }

    #[test]
    fn however_long_the_standby_is_away_the_samples_are_few_and_the_newest_is_among_them() {
        let mut known = Known::default();
        for number in 1..=10_000 {
            known.sample(sample(number, number));
            assert!(known.waiting.len() <= SAMPLES);
        }
        assert_eq!(known.flushed(10_000), Some(sample(10_000, 10_000)));
    }
}
