//! One more entry at the end of the fold's order.

use super::{
    Anchor, ClampState, Class, Confirmation, Evidence, IssuedTo, PassedProofTest, Registration, Retirement,
    Span, Waiting, is_proven,
};
use crate::crediting::{Known, competent, credit};
use crate::entry::{
    Body, Classified, Direction, Entry, Inspected, ProofTestResult, ProofTested, Registered, Repaired, Used,
};
use crate::finding::{basis, day_of, judge_inspection, not_judged, reading_key};
use crate::ids::EntryId;
use crate::lockout::{Lockout, opens};
use crate::measured::NotJudged;
use crate::quantity::Mass;
use crate::reference::Reference;
use crate::returns;
use crate::words::{AmendmentField, CompetenceKind, Role, ServiceClass};
use jiff::Timestamp;

impl ClampState {
    /// Takes one more entry, which comes last in the fold's order. `evidence` holds what [`ClampState::needs`] asked for.
    pub fn apply(&mut self, entry: &Entry, evidence: &Evidence, reference: &Reference) {
        self.last = Some(entry.order());
        self.entries = self.entries.saturating_add(1);
        self.note_places([entry]);
        let told = entry;
        let weighed = self.weighed(told);
        let entry = weighed.as_ref();
        for lockout in self.opened_by(told, &self.readings, reference) {
            self.open(lockout);
        }
        match &entry.body {
            Body::Registered(body) => self.register(entry, body, reference),
            Body::Inspected(body) => self.inspect(told, body, evidence, reference),
            Body::Repaired(body) => {
                if entry.may_count() {
                    self.renew(body);
                }
            }
            // Nothing that comes later makes a signature: what nobody signed never waits.
            Body::ReturnedToService(body) => {
                if told.may_count() {
                    self.waiting.insert(entry.id, Waiting::of(self, told, body));
                }
            }
            // One that nobody signed stands beside where it was: it hides the clamp from no yard.
            Body::Transferred(body) => {
                let replaces = body.replaces.filter(|_| entry.may_count());
                self.places.add(entry.id, body.to_yard, replaces);
            }
            Body::Classified(body) => self.classify(entry, body, reference),
            Body::Issued(body) => {
                self.see(entry, entry.counted_at);
                self.first_issued_at = Some(
                    self.first_issued_at
                        .map_or(entry.counted_at, |at| at.min(entry.counted_at)),
                );
                if entry.may_count() || self.issued.is_none() {
                    self.issued = Some(IssuedTo {
                        entry: entry.id,
                        at: entry.counted_at,
                        person: body.issued_to,
                        name: body.issued_to_name.clone(),
                    });
                }
            }
            // Who has it may not sign its return: nobody is taken off it without a signature.
            Body::Received(_) => {
                if entry.may_count() {
                    self.issued = None;
                }
            }
            Body::Used(body) => self.use_up(entry, body, reference),
            Body::Retired(_) => {
                if !self.retirement_undone(entry.id) {
                    self.retire(Retirement {
                        entry: entry.id,
                        at: entry.counted_at,
                        is_unsigned: !entry.may_count(),
                    });
                }
            }
            Body::Confirmed(body) => self.confirm(entry, body.confirms),
            Body::ProofTested(body) => self.prove(entry, body),
            Body::TaggedOut(_) | Body::Amended(_) | Body::Reassessed(_) => {}
        }
        if self.waiting.is_empty() || evidence.contains_key(&told.id) {
            returns::settle(self, evidence, reference);
        } else {
            // The entry itself may be what a return waits for.
            let mut with_itself = evidence.clone();
            with_itself.insert(told.id, told.clone());
            returns::settle(self, &with_itself, reference);
        }
    }

    /// Notes an amendment, which acts at the time of what it cites.
    pub(crate) fn note_amendment(&mut self, entry: &Entry, reference: &Reference) {
        if let Body::Amended(body) = &entry.body {
            if is_proven(entry, body, reference) && self.may_count(entry) {
                self.proven.insert(entry.id);
            }
            self.amendments.entry(body.cites).or_default().push(entry.clone());
        }
    }

    /// A second person's word counts from when it was given.
    fn confirm(&mut self, entry: &Entry, confirms: EntryId) {
        if !entry.may_count() {
            return;
        }
        let confirmation = Confirmation {
            entry: entry.id,
            by: entry.performed_by,
            at: entry.counted_at,
        };
        self.confirmations.entry(confirms).or_default().push(confirmation);
        let all = self
            .retired
            .take()
            .into_iter()
            .chain(std::mem::take(&mut self.retired_again));
        let standing: Vec<_> = all
            .filter(|retired| !self.retirement_undone(retired.entry))
            .collect();
        for retirement in standing {
            self.retire(retirement);
        }
    }

    /// One that somebody signed for stands before the others.
    fn retire(&mut self, retirement: Retirement) {
        match &mut self.retired {
            Some(first) => {
                let other = if first.is_unsigned && !retirement.is_unsigned {
                    std::mem::replace(first, retirement)
                } else {
                    retirement
                };
                self.retired_again.push(other);
            }
            None => self.retired = Some(retirement),
        }
    }

    /// The lowest WLL of every registration, proven amendment and model.
    pub(crate) fn lowest_wll(&self, entry: &Entry, reference: &Reference) -> Option<Mass> {
        let models = self
            .shown_models()
            .filter_map(|model| reference.model_at(model, entry.counted_at))
            .map(|version| version.value.wll);
        self.shown_wlls()
            .chain(models)
            .chain(basis(entry, reference).model.map(|model| model.wll))
            .min()
    }

    fn prove(&mut self, entry: &Entry, body: &ProofTested) {
        let held = body.result == ProofTestResult::Passed && entry.may_count();
        if held && self.proof_test.is_none_or(|known| known.load < body.load) {
            self.proof_test = Some(PassedProofTest {
                at: entry.counted_at,
                load: body.load,
            });
        }
    }

    fn open(&mut self, mut lockout: Lockout) {
        // The id is derived, so the same lock-out can come only from the same entry; a closing is never lost.
        if let Some(known) = self.lockouts.get(&lockout.id) {
            if known.stays_beside(&lockout) {
                return;
            }
            lockout.closed.clone_from(&known.closed);
        }
        self.lockouts.insert(lockout.id, lockout);
    }

    fn register(&mut self, entry: &Entry, body: &Registered, reference: &Reference) {
        let registration = Registration {
            entry: entry.id,
            at: entry.counted_at,
            is_unsigned: !entry.may_count(),
            body: body.clone(),
        };
        // Which of two was recorded first, their told times do not say: both stand. Who it is says the first that somebody
        // signed for.
        match &mut self.registration {
            Some(first) => {
                let again = if first.is_unsigned && !registration.is_unsigned {
                    std::mem::replace(first, registration)
                } else {
                    registration
                };
                self.registered_again.push(again);
                self.open(opens::registered_again(entry));
            }
            None => self.registration = Some(registration),
        }
        self.places.add(entry.id, body.yard_id, None);
        let direction = self.directed(entry, body.direction.as_ref(), reference);
        self.classes.add(
            entry.id,
            Class {
                service_class: body.service_class,
                direction,
            },
            None,
        );
    }

    fn directed(
        &self,
        entry: &Entry,
        direction: Option<&Direction>,
        reference: &Reference,
    ) -> Option<Direction> {
        let author = reference.people.get(&entry.performed_by);
        let qualified = entry.may_count()
            && competent(
                author,
                CompetenceKind::QualifiedPerson,
                entry,
                Known::By(entry.counted_at),
                reference,
            );
        direction.filter(|_| qualified).cloned()
    }

    fn classify(&mut self, entry: &Entry, body: &Classified, reference: &Reference) {
        let class = Class {
            service_class: body.service_class,
            direction: self.directed(entry, body.direction.as_ref(), reference),
        };
        let predecessor = body
            .replaces
            .and_then(|id| self.classes.get(id))
            .map(|class| class.service_class);
        let milder = match (predecessor, body.service_class) {
            (Some(ServiceClass::Special), ServiceClass::Special) => false,
            // Moving to special counts as milder: its intervals are whatever a person directs.
            (_, ServiceClass::Special) => true,
            // So does leaving it: nobody undoes what a qualified person directed.
            (Some(ServiceClass::Special), _) => true,
            (None, _) => false,
            (Some(before), after) => after < before,
        };
        let by_safety = entry.may_count()
            && reference.people.get(&entry.performed_by).is_some_and(|person| {
                person.holds(&[Role::Safety], entry.judged_by.yard_id, entry.counted_at)
            });
        // A milder class from anybody else stands beside, and the stricter counts. What is named but not known (yet)
        // may turn out harder. So does one that nobody signed for: a yard may have shorter intervals of its own for the class
        // that it would take away.
        let harder = entry.may_count() && predecessor.is_some() && !milder;
        let replaces = body.replaces.filter(|_| by_safety || harder);
        self.classes.add(entry.id, class, replaces);
    }

    fn inspect(&mut self, entry: &Entry, body: &Inspected, evidence: &Evidence, reference: &Reference) {
        let elsewhere = self.elsewhere(entry);
        let credited = credit(
            entry,
            body,
            elsewhere,
            &self.readings,
            evidence,
            Known::Now,
            reference,
        );
        let judged = judge_inspection(entry, body, &self.readings, reference);
        let read: Vec<_> = judged
            .findings
            .iter()
            .filter(|(_, judged)| judged.measurement.is_some() && not_judged(judged).is_none())
            .filter_map(|(finding, _)| finding.measured.map(|measured| (reading_key(finding), measured)))
            .collect();
        // A slip of the finger that the safety role marked as one is no last reading: true ones after it would look
        // better than it. Its lock-outs stay.
        if !self.is_marked_as_error(entry, reference) {
            self.readings.extend(read);
        }
        let slips = judged
            .findings
            .iter()
            .any(|(_, judged)| not_judged(judged) == Some(NotJudged::BetterThanLast));
        if slips {
            self.slips.insert(entry.id);
        }
        let Ok(starts) = credited else { return };
        let on = day_of(entry, reference);
        let scheme = self.examination_scheme_on(on, entry.counted_at);
        let anchor = Anchor {
            at: entry.counted_at,
            on,
            entry: entry.id,
            by: entry.performed_by,
            kind: body.inspection_kind,
            rule_set: entry.judged_by.rule_set,
            basis: body.basis,
            next_latest: body.next_latest_date,
            scheme,
        };
        // Entries come in the order of their counted time, so the latest is the last.
        if starts.periodic {
            self.clocks.first = Some(self.clocks.first.unwrap_or(entry.counted_at));
            self.clocks.periodic = Some(anchor.clone());
        }
        if starts.thorough {
            self.clocks.thorough = Some(anchor.clone());
        }
        if starts.frequent {
            self.clocks.frequent = Some(anchor);
        }
    }

    /// Whether the safety role wrote that an entry was made in error.
    fn is_marked_as_error(&self, entry: &Entry, reference: &Reference) -> bool {
        self.amendments
            .get(&entry.id)
            .into_iter()
            .flatten()
            .any(|amendment| {
                matches!(&amendment.body, Body::Amended(body) if body.field == AmendmentField::EnteredInError)
                    && self.may_count(amendment)
                    && reference
                        .people
                        .get(&amendment.performed_by)
                        .is_some_and(|person| {
                            person.holds(&[Role::Safety], amendment.judged_by.yard_id, amendment.counted_at)
                        })
            })
    }

    /// A renewed part has no last reading; one that was only worked on keeps it.
    fn renew(&mut self, body: &Repaired) {
        self.readings.retain(|key, _| {
            let code = key.split('|').next().unwrap_or_default();
            crate::criteria::criterion(code).is_none_or(|criterion| !body.renews(criterion.component))
        });
    }

    fn use_up(&mut self, entry: &Entry, body: &Used, reference: &Reference) {
        let until = entry.counted_at;
        let from = body.from.min(until);
        if self
            .lockouts
            .values()
            .any(|lockout| lockout.barred_within(from, until))
        {
            self.open(opens::used_while_not_fit(entry));
        }
        let first = match basis(entry, reference).yard {
            Some(yard) => yard.time_zone.date_at(from),
            None => crate::calendar::Zone::utc().date_at(from),
        };
        let days = Span {
            first,
            last: day_of(entry, reference),
        };
        // A report of no lifts is no regular use, nor is one that nobody signed.
        let is_regular = body.lifts > 0 && entry.may_count();
        self.uses.add(from, until, is_regular.then_some(days));
        self.see(entry, from);
    }

    /// Notes that somebody signed for having seen it in use at an instant.
    fn see(&mut self, entry: &Entry, at: Timestamp) {
        if entry.may_count() {
            self.first_seen_at = Some(self.first_seen_at.map_or(at, |first| first.min(at)));
        }
    }

    /// Whether two persons undid a retirement.
    fn retirement_undone(&self, retirement: EntryId) -> bool {
        self.amendments.get(&retirement).into_iter().flatten().any(|amendment| {
            let undone =
                matches!(&amendment.body, Body::Amended(body) if body.field == AmendmentField::RetirementUndone);
            undone && self.may_count(amendment) && self.confirmed_by_another(amendment)
        })
    }

    /// Whether somebody else than its author confirmed an entry.
    pub(crate) fn confirmed_by_another(&self, entry: &Entry) -> bool {
        self.confirmations.get(&entry.id).is_some_and(|confirmations| {
            confirmations
                .iter()
                .any(|confirmation| confirmation.by != entry.performed_by)
        })
    }
}
