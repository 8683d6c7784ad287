//! Periods in which a clamp is out: registered, not retired, and not fit.
//!
//! They are what counts over a fleet are made of: [`whole`] computes all of a clamp's from its entries, [`after`] those
//! that follow its last entry, where that changes nothing before it ([`follows`]). At any instant they say the same as the
//! standing of the entries that act by then (property test). The periods after the last entry are *foreseen*: they hold as
//! long as nothing more is recorded, so that nothing has to run at midnight for a clamp to be counted as overdue.

use crate::acting::{acting_at, acting_times, corrects};
use crate::entry::{Body, Entry};
use crate::fold::{ClampState, Evidence, fold};
use crate::ids::{ClampId, EntryId, ModelId, YardId};
use crate::particulars::particulars;
use crate::reference::Reference;
use crate::standing::{Standing, moment};
use crate::words::{FitnessReason, Status, words};
use jiff::Timestamp;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

words! {
    /// In which way a clamp is out.
    OutKind {
        /// A lock-out bars it.
        TaggedOut = "tagged_out",
        /// Nothing bars it; it waits for its first credited inspection.
        AwaitingInitialInspection = "awaiting_initial_inspection",
        /// Nothing bars it and nothing else is missing than an inspection that is overdue.
        Overdue = "overdue",
        /// Nothing bars it; idle too long, or special service without direction.
        NotFit = "not_fit",
    }
}

/// A period in which a clamp is out in one way.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OutPeriod {
    /// First instant.
    pub starts_at: Timestamp,
    /// First instant after it; none if it does not end by itself.
    pub ends_at: Option<Timestamp>,
    /// Whether it follows the last entry, so that the next one may end it earlier.
    pub foreseen: bool,
    /// In which way.
    pub kind: OutKind,
    /// What its lock-outs are for, each word once; without a lock-out, why it is not fit.
    pub reasons: Vec<String>,
    /// Where it is: several yards while its place is in doubt.
    pub yards: Vec<YardId>,
    /// Its model.
    pub model_id: ModelId,
    /// Its WLL in kilograms.
    pub wll_kg: Option<Decimal>,
}

impl OutPeriod {
    /// Whether the clamp is out in this period at an instant.
    pub fn covers(&self, at: Timestamp) -> bool {
        self.starts_at <= at && self.ends_at.is_none_or(|end| at < end)
    }
    fn says_the_same_as(&self, other: &Self) -> bool {
        self.kind == other.kind
            && self.reasons == other.reasons
            && self.yards == other.yards
            && self.model_id == other.model_id
            && self.wll_kg == other.wll_kg
    }
}

/// Whether an entry that comes last in the fold's order leaves every period before it as it is. A word on an earlier entry
/// acts from that one's time on; and one that came before what it is a word on acts from there once that has come.
pub fn follows(before: &ClampState, entry: &Entry) -> bool {
    corrects(entry).is_none() && !before.has_word_on(entry.id)
}

/// The periods that follow the last entry of a state, which counts from `from`.
pub fn after(state: &ClampState, reference: &Reference, from: Timestamp) -> Vec<OutPeriod> {
    between(state, reference, from, None)
}

/// Every period of a clamp's history, in order of time.
pub fn whole(clamp: ClampId, entries: &[Entry], reference: &Reference) -> Vec<OutPeriod> {
    let acting = acting_times(entries);
    // Also where a word was given, whatever it acts from: what it is a word on may have come later, and a period that was
    // cut there stays cut.
    let given = entries.iter().filter(|entry| entry.clamp_id == clamp);
    let mut times: Vec<Timestamp> = acting
        .values()
        .copied()
        .chain(given.map(|entry| entry.counted_at))
        .collect();
    times.sort_unstable();
    times.dedup();
    let mut walk = Walk::new(clamp, entries, &acting, reference);
    let mut periods = Vec::new();
    for (index, from) in times.iter().enumerate() {
        let until = times.get(index.saturating_add(1)).copied();
        walk.look(*from, |state| {
            periods.extend(between(state, reference, *from, until));
        });
    }
    periods
}

/// The periods of one state within a stretch of time in which nothing is recorded.
fn between(
    state: &ClampState,
    reference: &Reference,
    from: Timestamp,
    until: Option<Timestamp>,
) -> Vec<OutPeriod> {
    let mut periods: Vec<OutPeriod> = Vec::new();
    let mut at = from;
    loop {
        let (standing, change) = moment(state, reference, at);
        let ends_at = [change, until].into_iter().flatten().min();
        if let Some(found) = out(state, reference, &standing, at, ends_at, until.is_none()) {
            match periods.last_mut() {
                Some(last) if last.ends_at == Some(at) && last.says_the_same_as(&found) => {
                    last.ends_at = found.ends_at;
                }
                Some(_) | None => periods.push(found),
            }
        }
        match ends_at {
            Some(end) if until != Some(end) => at = end,
            Some(_) | None => return periods,
        }
    }
}

fn out(
    state: &ClampState,
    reference: &Reference,
    standing: &Standing,
    starts_at: Timestamp,
    ends_at: Option<Timestamp>,
    foreseen: bool,
) -> Option<OutPeriod> {
    let kind = kind(standing)?;
    let particulars = particulars(state, reference, starts_at)?;
    if state
        .registration
        .as_ref()
        .is_none_or(|registration| starts_at < registration.at)
    {
        return None;
    }
    let mut reasons: Vec<String> = match kind {
        OutKind::TaggedOut => standing
            .reasons
            .iter()
            .filter_map(|reason| reason.lockout_id)
            .filter_map(|id| state.lockouts.get(&id))
            .map(|lockout| lockout.what().to_owned())
            .collect(),
        OutKind::AwaitingInitialInspection | OutKind::Overdue | OutKind::NotFit => standing
            .reasons
            .iter()
            .map(|reason| reason.code.code().to_owned())
            .collect(),
    };
    reasons.sort_unstable();
    reasons.dedup();
    Some(OutPeriod {
        starts_at,
        ends_at,
        foreseen,
        kind,
        reasons,
        yards: state.yards(),
        model_id: particulars.model_id,
        wll_kg: particulars.wll.map(|wll| wll.kilograms()),
    })
}

/// In which way a clamp of this standing is out, if it is.
pub fn kind(standing: &Standing) -> Option<OutKind> {
    match standing.status {
        Status::Retired => None,
        Status::TaggedOut => Some(OutKind::TaggedOut),
        Status::AwaitingInitialInspection => Some(OutKind::AwaitingInitialInspection),
        Status::InService if standing.fit => None,
        Status::InService => {
            let only_overdue = standing.reasons.iter().all(|reason| is_overdue(reason.code));
            Some(if only_overdue {
                OutKind::Overdue
            } else {
                OutKind::NotFit
            })
        }
    }
}

fn is_overdue(reason: FitnessReason) -> bool {
    match reason {
        FitnessReason::FrequentOverdue | FitnessReason::PeriodicOverdue => true,
        FitnessReason::TaggedOut
        | FitnessReason::AwaitingInitialInspection
        | FitnessReason::IdleTooLong
        | FitnessReason::DirectionMissing
        | FitnessReason::AmbiguousMark
        | FitnessReason::Retired
        | FitnessReason::KnowledgeTooOld => false,
    }
}

/// A walk through a history: the state of the entries that act at one instant after the other, each taken up once
/// where that can be.
struct Walk<'a> {
    clamp: ClampId,
    entries: &'a [Entry],
    reference: &'a Reference,
    /// In the fold's order.
    ordered: Vec<&'a Entry>,
    /// Later words on other entries: the entry and from when it acts.
    corrections: Vec<(&'a Entry, Timestamp)>,
    /// Whether one of them cites an entry that comes after it: then nothing is taken up in order.
    is_tangled: bool,
    state: ClampState,
    evidence: Evidence,
    /// How many of `ordered` are in the state.
    taken: usize,
    /// How many corrections and places were noted when the state was begun.
    noted: (usize, usize),
}

impl<'a> Walk<'a> {
    fn new(
        clamp: ClampId,
        entries: &'a [Entry],
        acting: &BTreeMap<EntryId, Timestamp>,
        reference: &'a Reference,
    ) -> Self {
        let unique: BTreeMap<EntryId, &Entry> = entries
            .iter()
            .filter(|entry| entry.clamp_id == clamp)
            .map(|entry| (entry.id, entry))
            .collect();
        let mut ordered: Vec<&Entry> = unique.into_values().collect();
        ordered.sort_by_key(|entry| entry.order());
        let corrections: Vec<(&Entry, Timestamp)> = ordered
            .iter()
            .filter(|entry| corrects(entry).is_some())
            .filter_map(|entry| acting.get(&entry.id).map(|from| (*entry, *from)))
            .collect();
        Self {
            clamp,
            entries,
            reference,
            ordered,
            is_tangled: corrections.iter().any(|(entry, from)| *from > entry.counted_at),
            corrections,
            state: ClampState::new(clamp),
            evidence: Evidence::new(),
            taken: 0,
            noted: (0, 0),
        }
    }

    /// Shows the state of the entries that act at `at`. Instants come in order.
    fn look(&mut self, at: Timestamp, mut see: impl FnMut(&ClampState)) {
        if self.is_tangled {
            let acting = acting_at(self.entries.to_vec(), at);
            see(&fold(self.clamp, &acting, self.reference));
            return;
        }
        // Each acts once its time has come, so that as many means the same ones.
        let places = self.ordered.iter().filter(|entry| {
            entry.counted_at <= at && matches!(entry.body, Body::Registered(_) | Body::Transferred(_))
        });
        let noted = (
            self.corrections.iter().filter(|(_, from)| *from <= at).count(),
            places.count(),
        );
        if noted != self.noted {
            self.begin(at, noted);
        }
        while let Some(next) = self.ordered.get(self.taken)
            && next.counted_at <= at
        {
            self.evidence.insert(next.id, Entry::clone(next));
            self.state.apply(next, &self.evidence, self.reference);
            self.taken = self.taken.saturating_add(1);
        }
        let later: Vec<&Entry> = self
            .corrections
            .iter()
            .filter(|(entry, from)| *from <= at && entry.counted_at > at)
            .map(|(entry, _)| *entry)
            .collect();
        if later.is_empty() {
            see(&self.state);
            return;
        }
        let mut state = self.state.clone();
        for entry in &later {
            self.evidence.insert(entry.id, Entry::clone(entry));
            state.apply(entry, &self.evidence, self.reference);
        }
        see(&state);
        for entry in &later {
            self.evidence.remove(&entry.id);
        }
    }

    /// Begins again with the places and the amendments that act at `at`, as the fold notes them before it walks.
    fn begin(&mut self, at: Timestamp, noted: (usize, usize)) {
        self.state = ClampState::new(self.clamp);
        self.evidence = Evidence::new();
        self.taken = 0;
        self.noted = noted;
        let by_then = self.ordered.iter().filter(|entry| entry.counted_at <= at);
        self.state.note_places(by_then.copied());
        for (entry, from) in &self.corrections {
            if *from <= at {
                self.state.note_amendment(entry, self.reference);
            }
        }
    }
}
