//! A clamp under lock while a recording is judged: its state, and what has to be loaded for it.

use crate::clamps::entries;
use crate::out_periods::OutUpdate;
use crate::{StoreError, Tx};
use clampward_domain::entry::Entry;
use clampward_domain::fold::{ClampState, Evidence, Needs, fold};
use clampward_domain::ids::{ClampId, EntryId, YardId};
use clampward_domain::lockout::Lockout;
use clampward_domain::out_period;
use clampward_domain::reference::{Reference, YardScope};
use jiff::Timestamp;
use sqlx::types::Json;
use std::collections::BTreeSet;
use uuid::Uuid;

/// How far citations of citations are followed: a return cites an inspection, which cites a repair.
const CITATION_DEPTH: usize = 4;

/// A clamp under lock.
pub(crate) struct Subject {
    pub(crate) clamp: ClampId,
    /// The state so far; closed lock-outs that were needed are in it.
    pub(crate) state: ClampState,
    /// Whether the row is new: nothing was ever recorded.
    is_blank: bool,
    /// The position of the latest change of reference data under it: then the stored state is not to be trusted.
    pub(crate) pending: Option<i64>,
    /// Every number that it ever bore: the maker's key and the serial number's.
    pub(crate) numbers: BTreeSet<(String, String)>,
    /// Those of them that are kept already.
    kept_numbers: BTreeSet<(String, String)>,
    /// Entries of this recording.
    recorded: Vec<Entry>,
    /// The whole history, where it had to be read.
    history: Option<Vec<Entry>>,
    /// Whether the state was folded from the whole history.
    pub(crate) refolded: bool,
    /// What this recording changes of the periods in which it is out, as long as every entry came last.
    out: OutUpdate,
    /// Whether an entry was taken up that changes what was before it.
    corrected: bool,
    /// Whether anything is to be written.
    pub(crate) touched: bool,
}

impl Subject {
    pub(super) fn new(
        clamp: ClampId,
        state: Option<ClampState>,
        pending: Option<i64>,
        numbers: BTreeSet<(String, String)>,
    ) -> Self {
        Self {
            clamp,
            is_blank: state.is_none(),
            state: state.unwrap_or_else(|| ClampState::new(clamp)),
            pending,
            kept_numbers: numbers.clone(),
            numbers,
            recorded: Vec::new(),
            history: None,
            refolded: false,
            out: OutUpdate::default(),
            corrected: false,
            touched: false,
        }
    }
    /// The numbers that are still to be kept.
    pub(super) fn new_numbers(&self) -> impl Iterator<Item = &(String, String)> {
        self.numbers.difference(&self.kept_numbers)
    }
    /// Whether something is known of it.
    pub(super) fn is_known(&self) -> bool {
        !self.is_blank || !self.recorded.is_empty()
    }
    /// Whether it is in one of these yards.
    pub(super) fn is_in(&self, yards: &YardScope) -> bool {
        self.state.yards().iter().any(|yard| yards.covers(*yard))
    }
    /// Whether somebody with these yards writes about it from outside.
    pub(super) fn is_from_outside(&self, yards: &YardScope) -> bool {
        self.is_known() && !self.is_in(yards)
    }
    /// Whether it is or ever was in one of these yards: a transfer that has arrived meanwhile takes nothing from whoever
    /// wrote before it.
    pub(super) fn has_been_in(&self, yards: &YardScope) -> bool {
        let mut ever = self.state.shown.yards.keys();
        ever.any(|yard| yards.covers(*yard)) || self.is_in(yards)
    }
    /// The yard to judge by at a place of the fold's order: the author's, while its place is in doubt; where it had come to
    /// by then, if what is written happened before it came here.
    pub(super) fn yard_for(&self, yards: &YardScope, by: (Timestamp, EntryId)) -> Option<YardId> {
        let all = self.state.yards();
        let had_come = |yard: &YardId| self.state.shown.had_been_in(*yard, by);
        let theirs = |yard: &YardId| yards.covers(*yard);
        let here = all.iter().copied();
        here.clone()
            .find(|yard| theirs(yard) && had_come(yard))
            .or_else(|| here.clone().find(had_come))
            .or_else(|| self.state.shown.last_by(by))
            .or_else(|| here.clone().find(theirs))
            .or_else(|| here.clone().next())
    }

    /// Whether nothing was ever recorded of it and nothing is going to be.
    pub(super) fn stays_blank(&self) -> bool {
        self.is_blank && self.recorded.is_empty()
    }

    /// Brings the state up to the reference data, if they changed under it.
    pub(crate) async fn bring_up_to_date(
        &mut self,
        tx: &mut Tx,
        reference: &Reference,
    ) -> Result<(), StoreError> {
        if self.pending.is_some() && !self.refolded {
            self.refold(tx, reference).await?;
        }
        Ok(())
    }

    /// Loads what `entry` needs to be judged and applied, and answers the evidence.
    pub(super) async fn prepare(&mut self, tx: &mut Tx, entry: &Entry) -> Result<Evidence, StoreError> {
        let needs = self.state.needs(entry);
        self.hydrate(tx, &needs).await?;
        self.evidence(tx, needs).await
    }

    /// Takes an entry up: applied where it comes last, otherwise with the whole history folded again.
    pub(super) async fn take_up(
        &mut self,
        tx: &mut Tx,
        entry: &Entry,
        evidence: &Evidence,
        reference: &Reference,
    ) -> Result<(), StoreError> {
        let applies = self.state.can_apply(entry);
        self.touched = true;
        self.recorded.push(entry.clone());
        if let Some(history) = &mut self.history {
            history.push(entry.clone());
        }
        self.corrected |= !out_period::follows(&self.state, entry);
        if applies {
            self.state.apply(entry, evidence, reference);
            if !self.corrected && !self.refolded {
                self.out.follow(&self.state, reference, entry.counted_at);
            }
            Ok(())
        } else {
            self.refold(tx, reference).await
        }
    }

    /// What is to be written of the periods in which it is out.
    pub(crate) async fn out_periods(
        &mut self,
        tx: &mut Tx,
        reference: &Reference,
    ) -> Result<OutUpdate, StoreError> {
        if !self.refolded && !self.corrected {
            return Ok(std::mem::take(&mut self.out));
        }
        let clamp = self.clamp;
        let history = self.history(tx).await?;
        Ok(OutUpdate::Whole(out_period::whole(clamp, history, reference)))
    }

    async fn refold(&mut self, tx: &mut Tx, reference: &Reference) -> Result<(), StoreError> {
        let clamp = self.clamp;
        self.state = fold(clamp, self.history(tx).await?, reference);
        self.refolded = true;
        Ok(())
    }

    /// Every entry, those of this recording included.
    async fn history(&mut self, tx: &mut Tx) -> Result<&[Entry], StoreError> {
        if self.history.is_none() {
            let mut history = entries::all(tx, self.clamp).await?;
            history.extend(self.recorded.iter().cloned());
            self.history = Some(history);
        }
        Ok(self.history.as_deref().unwrap_or_default())
    }

    /// Brings back closed lock-outs that are named; those of other clamps are none of this one's.
    async fn hydrate(&mut self, tx: &mut Tx, needs: &Needs) -> Result<(), StoreError> {
        let missing: Vec<Uuid> = needs
            .lockouts
            .iter()
            .filter(|id| !self.state.lockouts.contains_key(id))
            .map(|id| id.uuid())
            .collect();
        if missing.is_empty() || self.refolded {
            return Ok(());
        }
        let found: Vec<Json<Lockout>> = sqlx::query_scalar(
            "-- door.hydrate\nselect record from lockout where clamp_id = $1 and id = any($2) order by id",
        )
        .bind(self.clamp.uuid())
        .bind(&missing)
        .fetch_all(&mut **tx)
        .await?;
        self.state
            .hydrate(found.into_iter().map(|Json(lockout)| lockout).collect());
        Ok(())
    }

    /// The entries cited, and those that they cite. Only this clamp's: another's supports nothing here.
    async fn evidence(&mut self, tx: &mut Tx, needs: Needs) -> Result<Evidence, StoreError> {
        let mut evidence = Evidence::new();
        let mut wanted: BTreeSet<EntryId> = needs.entries;
        for _ in 0..CITATION_DEPTH {
            wanted.retain(|id| !evidence.contains_key(id));
            if wanted.is_empty() {
                break;
            }
            let found = self.find(tx, &wanted).await?;
            wanted = found
                .iter()
                .flat_map(|entry| self.state.needs(entry).entries)
                .collect();
            evidence.extend(found.into_iter().map(|entry| (entry.id, entry)));
        }
        Ok(evidence)
    }

    async fn find(&self, tx: &mut Tx, wanted: &BTreeSet<EntryId>) -> Result<Vec<Entry>, StoreError> {
        if let Some(history) = &self.history {
            return Ok(history
                .iter()
                .filter(|entry| wanted.contains(&entry.id))
                .cloned()
                .collect());
        }
        let mut found: Vec<Entry> = self
            .recorded
            .iter()
            .filter(|entry| wanted.contains(&entry.id))
            .cloned()
            .collect();
        let missing: Vec<Uuid> = wanted
            .iter()
            .filter(|id| found.iter().all(|entry| entry.id != **id))
            .map(|id| id.uuid())
            .collect();
        if !missing.is_empty() {
            found.extend(entries::by_id(tx, self.clamp, &missing).await?);
        }
        Ok(found)
    }
}
