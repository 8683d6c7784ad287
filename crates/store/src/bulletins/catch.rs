//! Catching the clamps that come to light after a bulletin was opened: registered, identified otherwise, brought back, or
//! registered while it was open and told of after it was closed.

use super::hold::{Except, HeldPart, Wanted, note_failed, record, without_what_fails};
use crate::door::{RecordError, lock_clamps};
use crate::tx::Command;
use crate::{Store, Tx};
use clampward_domain::bulletin::Matcher;
use clampward_domain::reference::Reference;
use jiff_sqlx::ToSqlx;
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// Kinds of rows after which a clamp's number, model or day, or whether it is retired, may be another: those that say so, a
/// second person's word that lets them count, a transfer that does, and what became of a change of reference data.
pub(super) const TELLING: [&str; 5] = ["registered", "amended", "confirmed", "transferred", "reassessed"];
/// Positions that are read in one transaction.
const STRETCH: i64 = 5_000;
/// Clamps that are looked at in one transaction.
const PART: i64 = 200;

impl Store {
    /// Reads the ledger on and holds what bulletins are about, if nobody else is at it.
    pub async fn catch_for_bulletins(&self) -> Result<HeldPart, RecordError> {
        let read_on = |except, part| ReadOn {
            store: self,
            except,
            part,
        };
        without_what_fails(self, "bulletins.catch", PART, read_on).await
    }
}

struct ReadOn<'a> {
    store: &'a Store,
    except: Except,
    part: i64,
}

impl Command for ReadOn<'_> {
    type Output = HeldPart;
    type Error = RecordError;

    async fn attempt(&self, tx: &mut Tx) -> Result<HeldPart, RecordError> {
        let from: Option<i64> = sqlx::query_scalar(
            "-- bulletins.reader\nselect position from ledger_reader where name = 'bulletins' for no key update skip locked",
        )
        .fetch_optional(&mut **tx)
        .await?;
        let Some(from) = from else {
            return Ok(HeldPart::default());
        };
        let head: i64 = sqlx::query_scalar("-- bulletins.head\nselect position from ledger_head")
            .fetch_one(&mut **tx)
            .await?;
        if head <= from {
            return Ok(HeldPart::default());
        }
        // After the head: every bulletin that was opened before one of the rows is known.
        let reference = self.store.reference_in(tx).await?;
        let some_bar = reference
            .bulletins
            .values()
            .any(|opened| opened.bulletin.class.bars());
        let (upto, held) = if some_bar {
            self.stretch(tx, &reference, from, head).await?
        } else {
            (head, 0)
        };
        sqlx::query(
            "-- bulletins.read_on\nupdate ledger_reader set position = $1, looked_at = $2 where name = 'bulletins'",
        )
        .bind(upto)
        .bind(tx.now().to_sqlx())
        .execute(&mut **tx)
        .await?;
        Ok(HeldPart {
            held,
            has_more: upto < head,
        })
    }
}

impl ReadOn<'_> {
    /// Looks at the clamps of the next rows. Answers how far the ledger was read, and how many clamps were held.
    async fn stretch(
        &self,
        tx: &mut Tx,
        reference: &Arc<Reference>,
        from: i64,
        head: i64,
    ) -> Result<(i64, u64), RecordError> {
        let rows: Vec<(i64, Uuid)> = sqlx::query_as(
            "-- bulletins.rows
             select position, stream from ledger
              where position > $1 and position <= $2 and kind = any ($3) order by position limit $4",
        )
        .bind(from)
        .bind(head.min(from + STRETCH))
        .bind(TELLING)
        .bind(self.part)
        .fetch_all(&mut **tx)
        .await?;
        let upto = match rows.last() {
            Some((last, _)) if i64::try_from(rows.len()).is_ok_and(|count| count >= self.part) => *last,
            _ => head.min(from + STRETCH),
        };
        // What stands before a bulletin is gone through for it.
        let mut last_row: BTreeMap<Uuid, u64> = BTreeMap::new();
        for (position, clamp) in rows {
            last_row.insert(clamp, position.unsigned_abs());
        }
        if self.except.passes_over {
            for (id, opened) in &reference.bulletins {
                for (clamp, position) in &last_row {
                    let concerns = opened.bulletin.class.bars() && opened.closed_at.is_none();
                    if concerns && opened.position < *position {
                        note_failed(tx, *id, *clamp).await?;
                    }
                }
            }
            return Ok((upto, 0));
        }
        let mut subjects = lock_clamps(tx, last_row.keys().copied().collect()).await?;
        for subject in subjects.values_mut() {
            subject.bring_up_to_date(tx, reference).await?;
        }
        let mut wanted = Vec::new();
        for (id, opened) in &reference.bulletins {
            let matcher = Matcher::of(&opened.bulletin.scope);
            for subject in subjects.values() {
                let position = last_row.get(&subject.clamp.uuid());
                if position.is_some_and(|position| opened.position < *position) {
                    let bulletin = (*id, opened, &matcher);
                    wanted.extend(Wanted::of(bulletin, &subject.state, reference, tx.now()));
                }
            }
        }
        let held = record(tx, reference, subjects, wanted, &self.except).await?;
        // What is left for another bulletin is found again, and what is recorded is left out then.
        Ok((if held.is_all { upto } else { from }, held.clamps))
    }
}
