//! What is answered of entries that were taken, or were there already.

use super::error::RecordError;
use super::record::Door;
use super::types::{NewEntry, Recorded};
use crate::Tx;
use crate::ledger::Appended;
use clampward_domain::ids::{ClampId, EntryId};
use clampward_domain::judge::Outcome;
use clampward_domain::standing::{Standing, standing_now};
use std::collections::BTreeMap;

impl Door<'_> {
    /// What is answered of every entry, once it is written.
    pub(super) fn answers(
        &self,
        tx: &Tx,
        appended: &BTreeMap<EntryId, Appended>,
    ) -> Result<Vec<Recorded>, RecordError> {
        self.recording
            .entries
            .iter()
            .map(|new| self.answer_of(new, appended, self.standing_now(tx, new.clamp_id)))
            .collect()
    }

    /// How a clamp stands now, if it is in the author's yards.
    pub(super) fn standing_now(&self, tx: &Tx, clamp: ClampId) -> Option<Standing> {
        let subject = self.subjects.get(&clamp)?;
        subject
            .is_in(&self.author().yards)
            .then(|| standing_now(&subject.state, &self.reference, subject.state.latest(tx.now())).in_short())
    }

    /// What is answered of one of them.
    pub(super) fn answer_of(
        &self,
        new: &NewEntry,
        appended: &BTreeMap<EntryId, Appended>,
        state_now: Option<Standing>,
    ) -> Result<Recorded, RecordError> {
        let fresh = appended.get(&new.id).zip(self.shown.get(&new.id).cloned());
        self.answer(new, fresh, state_now)
    }

    fn answer(
        &self,
        new: &NewEntry,
        fresh: Option<(&Appended, Option<Outcome>)>,
        state_now: Option<Standing>,
    ) -> Result<Recorded, RecordError> {
        let yards = &self.author().yards;
        if let Some((appended, outcome)) = fresh {
            return Ok(Recorded {
                id: new.id,
                clamp: new.clamp_id,
                position: appended.position,
                recorded_at: appended.recorded_at,
                already: false,
                seq: outcome.as_ref().map(|_| appended.seq),
                outcome,
                state_now,
            });
        }
        let known = self
            .known
            .get(&new.id)
            .ok_or(RecordError::NotFound { entry: new.id })?;
        let outcome = known.outcome_for(yards, new.id)?;
        Ok(Recorded {
            id: new.id,
            clamp: new.clamp_id,
            position: known.position,
            recorded_at: known.recorded_at,
            already: true,
            seq: outcome.as_ref().map(|_| known.seq),
            outcome,
            state_now,
        })
    }
}
