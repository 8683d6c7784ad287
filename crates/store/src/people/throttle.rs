//! How guessing is slowed down: attempts per account, counted before the password is looked at and forgotten when it was
//! right. Shared by every process. An address that belongs to nobody is counted like one that does.
//!
//! Knows no password; never bars anybody for good.

use crate::{Store, StoreError, Tx};
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use sha2::{Digest, Sha256};

/// Seconds to wait after the first, second, … attempt without success; after more than these the last one.
const DELAY_SECONDS: [i32; 15] = [0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900];
/// The last of them.
pub const LONGEST_DELAY_SECONDS: i64 = 900;
/// An account without an attempt for so long starts anew.
pub const FORGET_HOURS: i64 = 24;
/// Accounts that are remembered; beyond it those without an attempt for longest are forgotten.
pub const MAX_REMEMBERED_ACCOUNTS: i64 = 100_000;
/// How far back [`Store::sweep_attempts`] counts accounts that somebody failed to sign in to.
const SPRAY_MINUTES: i64 = 10;

/// An account as far as attempts are counted: a digest of the e-mail address, whether anybody has it or not. Codes by which
/// devices enrol are counted in the same way.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct AccountKey([u8; 32]);

impl AccountKey {
    /// Of an e-mail address in lower case.
    pub fn of(email: &str) -> Self {
        let digest = Sha256::new()
            .chain_update(b"clampward account\0")
            .chain_update(email.as_bytes())
            .finalize();
        Self(digest.into())
    }
    /// Of an enrolment, by the part of its code that names it.
    pub fn of_enrolment(name: &str) -> Self {
        let digest = Sha256::new()
            .chain_update(b"clampward enrolment\0")
            .chain_update(name.as_bytes())
            .finalize();
        Self(digest.into())
    }
    pub(super) fn bytes(&self) -> &[u8] {
        &self.0
    }
}

/// Its first digits: enough to find an account's lines in a log, too few to find the address.
impl std::fmt::Display for AccountKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.iter().take(6).try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}
impl std::fmt::Debug for AccountKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{self}")
    }
}

/// Whether a password may be looked at now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Attempt {
    /// Yes; this is the so-manieth attempt without success so far.
    Counted(u32),
    /// Not for so long.
    TooSoon(SignedDuration),
}

/// What was seen while old attempts were forgotten.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sweep {
    /// Accounts that were forgotten.
    pub forgotten: u64,
    /// Accounts with an attempt without success in the last ten minutes.
    pub failing: u64,
}

impl Store {
    /// How long nobody may try to sign in to an account.
    pub async fn wait_for_attempt(&self, account: &AccountKey) -> Result<Option<SignedDuration>, StoreError> {
        let not_before: Option<SqlTimestamp> = sqlx::query_scalar(
            "-- throttle.wait
             select not_before from sign_in_throttle where digest = $1",
        )
        .bind(account.bytes())
        .fetch_optional(&self.inner.door)
        .await?;
        let left = not_before.map(|until| until.to_jiff().duration_since(self.now()));
        Ok(left.filter(SignedDuration::is_positive))
    }
    /// Counts an attempt, if there may be one now: looked at and counted in one statement, before the password is, so that
    /// neither several processes nor callers who hang up get more.
    pub async fn count_attempt(&self, account: &AccountKey) -> Result<Attempt, StoreError> {
        let now = self.now();
        let counted: Option<i32> = sqlx::query_scalar(
            "-- throttle.count
             insert into sign_in_throttle as t (digest, attempts, last_at, not_before)
             values ($1, 1, $2, $2 + make_interval(secs => ($3::integer[])[1]))
             on conflict (digest) do update
                set attempts = case when t.last_at <= $4 then 1 else least(t.attempts, 1000000) + 1 end,
                    last_at = $2,
                    not_before = $2 + make_interval(secs => ($3::integer[])[
                      least(case when t.last_at <= $4 then 1 else t.attempts + 1 end, cardinality($3::integer[]))])
              where t.not_before <= $2
             returning attempts",
        )
        .bind(account.bytes())
        .bind(now.to_sqlx())
        .bind(DELAY_SECONDS.as_slice())
        .bind(ago(now, FORGET_HOURS * 60).to_sqlx())
        .fetch_optional(&self.inner.door)
        .await?;
        match counted {
            Some(attempts) => Ok(Attempt::Counted(attempts.unsigned_abs())),
            None => {
                let left = self.wait_for_attempt(account).await?;
                Ok(Attempt::TooSoon(left.unwrap_or(SignedDuration::from_secs(1))))
            }
        }
    }
    /// Forgets accounts without an attempt for a day, and the oldest of too many.
    pub async fn sweep_attempts(&self) -> Result<Sweep, StoreError> {
        let now = self.now();
        let old = sqlx::query("-- throttle.forget\ndelete from sign_in_throttle where last_at <= $1")
            .bind(ago(now, FORGET_HOURS * 60).to_sqlx())
            .execute(&self.inner.door)
            .await?
            .rows_affected();
        let surplus = sqlx::query(
            "-- throttle.forget_surplus
             delete from sign_in_throttle where digest in (
               select digest from sign_in_throttle order by last_at desc, digest offset $1)",
        )
        .bind(MAX_REMEMBERED_ACCOUNTS)
        .execute(&self.inner.door)
        .await?
        .rows_affected();
        let failing: i64 = sqlx::query_scalar(
            "-- throttle.failing\nselect count(*) from sign_in_throttle where last_at > $1",
        )
        .bind(ago(now, SPRAY_MINUTES).to_sqlx())
        .fetch_one(&self.inner.door)
        .await?;
        Ok(Sweep {
            forgotten: old + surplus,
            failing: failing.unsigned_abs(),
        })
    }
}

/// Forgets an account's attempts: its person proved who they are.
pub(super) async fn forget(tx: &mut Tx, account: &AccountKey) -> Result<(), StoreError> {
    sqlx::query("-- throttle.forget_account\ndelete from sign_in_throttle where digest = $1")
        .bind(account.bytes())
        .execute(&mut **tx)
        .await?;
    Ok(())
}

fn ago(now: Timestamp, minutes: i64) -> Timestamp {
    now.checked_sub(SignedDuration::from_mins(minutes))
        .unwrap_or(Timestamp::MIN)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_wait_doubles_from_the_fifth_attempt_on_and_never_exceeds_a_quarter_of_an_hour() {
        let (free, growing) = DELAY_SECONDS.split_at(4);
        assert_eq!(free, [0; 4]);
        let last = growing.len() - 1;
        for (index, seconds) in growing.iter().enumerate().take(last) {
            assert_eq!(*seconds, 1 << index);
        }
        assert_eq!(i64::from(growing[last]), LONGEST_DELAY_SECONDS);
        assert!(growing.is_sorted());
    }

    #[test]
    fn a_line_in_a_log_does_not_show_the_address() {
        let key = AccountKey::of("mara.lind@halvorsund.example");
        assert_eq!(format!("{key:?}").len(), 12);
        assert_ne!(key, AccountKey::of("mara.lind@halvorsund.examplf"));
    }
}
