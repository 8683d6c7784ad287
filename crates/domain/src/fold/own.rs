//! Whether what an entry was judged by is the clamp's own: a yard in which the set shows it by then, a model that the set
//! shows it to be.
//!
//! Whoever writes on a device says by which yard and model they judged. Whether the clamp was there is a question about
//! the whole set of its entries, so it is asked here and not when an entry arrives: a transfer may come after what was
//! written behind it. What was judged by another yard or model restricts as it says, and counts for nothing else; an
//! inspection restricts as it comes to by the clamp's own, too: a reading within the other's limit may be beyond this one's.

use super::ClampState;
use super::claims::value;
use crate::entry::{Body, Entry, JudgedBy};
use crate::finding::Readings;
use crate::ids::{EntryId, LockoutId, ModelId, YardId};
use crate::lockout::{Lockout, opened_by};
use crate::reference::Reference;
use crate::rule_set;
use crate::words::AmendmentField;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet};

/// Where the entries show a clamp, and as what its registrations name it.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Shown {
    /// The yards, each with the place of the first transfer to it; nothing where it is registered.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub yards: BTreeMap<YardId, Option<(Timestamp, EntryId)>>,
    /// The models of its registrations.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub models: BTreeSet<ModelId>,
}

impl Shown {
    /// Nothing was ever noted.
    pub(crate) fn is_empty(&self) -> bool {
        self.yards.is_empty()
    }
    /// Whether the clamp had been in a yard by a place of the fold's order. Where it is registered it may have been
    /// inspected before somebody wrote the registration.
    pub fn had_been_in(&self, yard: YardId, by: (Timestamp, EntryId)) -> bool {
        self.yards
            .get(&yard)
            .is_some_and(|since| since.is_none_or(|since| since <= by))
    }
    /// The yard that it had come to last by then, for the first time.
    pub fn last_by(&self, by: (Timestamp, EntryId)) -> Option<YardId> {
        let there = self.yards.iter();
        there
            .filter(|(_, since)| since.is_none_or(|since| since <= by))
            .max_by_key(|(_, since)| **since)
            .map(|(yard, _)| *yard)
    }
}

/// What of an entry's judgement is not the clamp's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Elsewhere {
    /// The yard.
    Yard,
    /// The model.
    Model,
}

impl Elsewhere {
    /// In words.
    pub const fn detail(self) -> &'static str {
        match self {
            Self::Yard => "judged by a yard in which nothing shows the clamp by then",
            Self::Model => "judged by a model that the clamp is not shown to be",
        }
    }
}

impl ClampState {
    /// Notes where entries, in the fold's order, show the clamp. A registration shows it where it says, if somebody signed
    /// for it or nothing else does. A transfer shows it where it brings it to, if somebody signed for it in a yard where the
    /// clamp was: nobody fetches a clamp by saying that it is theirs.
    pub(crate) fn note_places<'e>(&mut self, entries: impl IntoIterator<Item = &'e Entry> + Clone) {
        for signed in [true, false] {
            for entry in entries.clone() {
                if let Body::Registered(body) = &entry.body
                    && entry.may_count() == signed
                    && (signed || self.shown.is_empty())
                {
                    self.shown.yards.insert(body.yard_id, None);
                    self.shown.models.insert(body.model_id);
                }
            }
        }
        for entry in entries {
            if let Body::Transferred(body) = &entry.body
                && self.may_count(entry)
            {
                let since = self.shown.yards.entry(body.to_yard);
                let since = since.or_insert(Some(entry.order()));
                *since = since.map(|since| since.min(entry.order()));
            }
        }
    }

    /// What of an entry's judgement is not this clamp's, if anything.
    pub fn elsewhere(&self, entry: &Entry) -> Option<Elsewhere> {
        if !self.shown.had_been_in(entry.judged_by.yard_id, entry.order()) {
            return Some(Elsewhere::Yard);
        }
        let by_model = matches!(entry.body, Body::Inspected(_) | Body::ReturnedToService(_));
        (by_model && !self.is_own_model(entry)).then_some(Elsewhere::Model)
    }

    /// Whether an entry may be credited or release anything of this clamp.
    pub fn may_count(&self, entry: &Entry) -> bool {
        entry.may_count() && self.elsewhere(entry).is_none()
    }

    /// The entry as it weighs for this clamp: nobody's word, where it was judged elsewhere.
    pub fn weighed<'e>(&self, entry: &'e Entry) -> Cow<'e, Entry> {
        if entry.may_count() && self.elsewhere(entry).is_some() {
            Cow::Owned(Entry {
                signed: false,
                ..entry.clone()
            })
        } else {
            Cow::Borrowed(entry)
        }
    }

    /// The lock-outs that an entry opens on this clamp: what its author saw, and, judged elsewhere, what it comes to by the
    /// clamp's own. `readings` are the last ones on its present parts.
    pub fn opened_by(&self, told: &Entry, readings: &Readings, reference: &Reference) -> Vec<Lockout> {
        let mut opened: BTreeMap<LockoutId, Lockout> = BTreeMap::new();
        let here = self.judged_here(told, reference);
        for entry in here.iter().chain([self.weighed(told).as_ref()]) {
            let wll = || self.lowest_wll(entry, reference);
            for lockout in opened_by(entry, wll, readings, reference) {
                let known = opened.get(&lockout.id);
                if !known.is_some_and(|known| known.stays_beside(&lockout)) {
                    opened.insert(lockout.id, lockout);
                }
            }
        }
        opened.into_values().collect()
    }

    /// An inspection that was judged elsewhere, as each yard and model judges it that the clamp is shown in and as by then:
    /// nobody's word, and none where it was judged by its own.
    fn judged_here(&self, told: &Entry, reference: &Reference) -> Vec<Entry> {
        if !matches!(told.body, Body::Inspected(_)) || self.elsewhere(told).is_none() {
            return Vec::new();
        }
        let at = told.counted_at;
        let yards = self.shown.yards.keys().copied();
        let yards = yards.filter(|yard| self.shown.had_been_in(*yard, told.order()));
        let yards: Vec<_> = yards
            .filter_map(|yard| Some((yard, reference.yard_at(yard, at)?)))
            .collect();
        let models: BTreeSet<ModelId> = self.shown_models().collect();
        let models = models
            .into_iter()
            .filter_map(|model| Some((model, reference.model_at(model, at)?)));
        models
            .flat_map(|(model_id, model)| {
                yards.iter().map(move |(yard_id, yard)| {
                    let rule_set = yard.value.rule_set;
                    // Its author's version where the rules are the same: no later one judges what was written before.
                    let rule_set_version = if rule_set == told.judged_by.rule_set {
                        told.judged_by.rule_set_version
                    } else {
                        rule_set::current(rule_set).version
                    };
                    Entry {
                        judged_by: JudgedBy {
                            yard_id: *yard_id,
                            yard_version: yard.version,
                            rule_set,
                            rule_set_version,
                            model_id,
                            model_version: model.version,
                        },
                        signed: false,
                        ..told.clone()
                    }
                })
            })
            .collect()
    }

    /// Whether the clamp was known as one of the model that an entry was judged by, or was shown to be one later. One that
    /// was proven before to be another model's is not judged by the first one's figures.
    fn is_own_model(&self, entry: &Entry) -> bool {
        let judged_by = entry.judged_by.model_id;
        let proven: BTreeMap<(Timestamp, EntryId), ModelId> = self
            .amendments_of(AmendmentField::ModelId)
            .filter(|(amendment, _)| self.proven.contains(&amendment.id))
            .filter_map(|(amendment, amended)| Some((amendment.order(), value(amended)?)))
            .collect();
        let known = proven.range(..=entry.order()).next_back();
        let is_known = known.map_or_else(
            || self.shown.models.contains(&judged_by),
            |(_, model)| *model == judged_by,
        );
        is_known
            || proven
                .range(entry.order()..)
                .any(|(_, model)| *model == judged_by)
    }
}
