//! What is believed of an entry that was written on a device: its yards, whether the device was revoked, whether its key was
//! withdrawn. One rule for a push, for a file that is brought in, and for a held entry that is tried again.

use super::held::REVOKED;
use crate::door::{FromDevice, Signing};
use clampward_domain::entry::Body;
use clampward_domain::ids::{DeviceId, PersonId};
use clampward_domain::reference::{Person, Reference, YardScope};
use clampward_domain::signing::{Unsigned, may_free};
use jiff::Timestamp;
use std::collections::BTreeSet;
use uuid::Uuid;

/// Who tells: a device, through itself or through whoever brings its file.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Teller<'a> {
    pub reference: &'a Reference,
    pub device: DeviceId,
    /// Who hands it in: the device's own account, or a person.
    pub by: PersonId,
    /// Of the keys that its entries are signed with, those that somebody may have by now who should not.
    pub withdrawn: &'a BTreeSet<Uuid>,
}

impl Teller<'_> {
    fn account(&self) -> Option<&Person> {
        self.reference.people.get(&PersonId::new(self.device.uuid()))
    }

    /// The yards that a person or a device has by the latest word on them.
    fn latest(person: Option<&Person>) -> YardScope {
        let grant = person.and_then(|person| person.grants.last());
        grant.map_or_else(|| YardScope::Some(Vec::new()), |grant| grant.yards.clone())
    }

    /// The yards of the device at an instant.
    fn then(&self, at: Timestamp) -> Option<&YardScope> {
        let grant = self.account().and_then(|account| account.grant_at(at));
        grant.map(|grant| &grant.yards)
    }

    /// Whether the device was revoked by an instant.
    pub(crate) fn is_revoked_at(&self, at: Timestamp) -> bool {
        let grant = self.account().and_then(|account| account.grant_at(at));
        grant.is_some_and(|grant| grant.roles.is_empty())
    }

    /// The yards whose leads answer for what the device wrote: its own now, and those of when it was written.
    pub(crate) fn answered_for_by(&self, counted_at: Option<Timestamp>) -> YardScope {
        let now = Self::latest(self.account());
        match counted_at.and_then(|at| self.then(at)) {
            Some(then) => either(&now, then),
            None => now,
        }
    }

    /// The yards of which an entry may tell. What can give fitness back, the device must be allowed to tell now, and whoever
    /// brings its file as well.
    fn yards(&self, body: &Body, counted_at: Timestamp) -> YardScope {
        let mut now = Self::latest(self.account());
        if self.by.uuid() != self.device.uuid() {
            now = both(&now, &Self::latest(self.reference.people.get(&self.by)));
        }
        match self.then(counted_at) {
            Some(then) if !may_free(body.kind()) => either(&now, then),
            Some(_) | None => now,
        }
    }

    /// What comes with an entry beside its content.
    pub(crate) fn believed(
        &self,
        body: &Body,
        signing: &Signing,
        (counted_at, corrected): (Timestamp, bool),
    ) -> FromDevice {
        let signing = match signing {
            Signing::Key { id, .. } if self.withdrawn.contains(id) => {
                Signing::Unsigned(Unsigned::KeyWithdrawn)
            }
            Signing::Key { .. } | Signing::Unsigned(_) => signing.clone(),
        };
        FromDevice {
            counted_at,
            corrected,
            signing,
            placed: false,
            distrusted: self.is_revoked_at(counted_at).then_some(REVOKED),
            yards: self.yards(body, counted_at),
            restricts: false,
        }
    }
}

/// The yards of one scope or the other.
fn either(one: &YardScope, other: &YardScope) -> YardScope {
    match (one, other) {
        (YardScope::All, _) | (_, YardScope::All) => YardScope::All,
        (YardScope::Some(one), YardScope::Some(other)) => {
            let mut yards = one.clone();
            yards.extend(other);
            yards.sort_unstable();
            yards.dedup();
            YardScope::Some(yards)
        }
    }
}

/// The yards of both scopes.
fn both(one: &YardScope, other: &YardScope) -> YardScope {
    match one {
        YardScope::All => other.clone(),
        YardScope::Some(yards) => {
            YardScope::Some(yards.iter().copied().filter(|yard| other.covers(*yard)).collect())
        }
    }
}
