//! The five grounds and their conditions.

mod bulletin;
mod named_inspection;

use super::{Unmet, UnmetCode};
use crate::crediting::{Known, competent, credit};
use crate::criteria;
use crate::entry::{Body, Entry, Inspected, ProofTestResult, Release, Repaired};
use crate::finding::{Readings, basis, judge_inspection};
use crate::fold::{ClampState, Evidence, Waiting};
use crate::ids::EntryId;
use crate::lockout::{Lockout, opens::exceeds_percent};
use crate::measured::MeasuredVerdict;
use crate::particulars::undisputed_wll;
use crate::reference::Reference;
use crate::words::{
    AmendmentField, CompetenceKind, Component, Ground, InspectionKind, LockoutReason, ProofTestPolicy, Remedy,
};
use jiff::SignedDuration;

/// So far two clocks may differ.
const CLOCKS_APART: SignedDuration = SignedDuration::from_mins(5);

/// What every condition looks at.
struct Case<'a> {
    state: &'a ClampState,
    waiting: &'a Waiting,
    release: &'a Release,
    lockout: &'a Lockout,
    evidence: &'a Evidence,
    reference: &'a Reference,
    against: Vec<Unmet>,
}

/// The conditions of a release that do not hold.
pub(super) fn unmet(
    state: &ClampState,
    waiting: &Waiting,
    release: &Release,
    lockout: &Lockout,
    evidence: &Evidence,
    reference: &Reference,
) -> Vec<Unmet> {
    let mut case = Case {
        state,
        waiting,
        release,
        lockout,
        evidence,
        reference,
        against: Vec::new(),
    };
    match release.ground {
        Ground::Repaired => case.repaired(),
        Ground::Restored => case.restored(),
        Ground::Reinspected => case.reinspected(),
        Ground::InspectedFit => case.inspected_fit(),
        Ground::EnteredInError => case.entered_in_error(),
    }
    case.signed_after_what_it_rests_on();
    case.against
}

impl<'a> Case<'a> {
    fn no(&mut self, code: UnmetCode, detail: impl Into<String>) {
        self.against.push(Unmet::of(self.lockout.id, code, detail));
    }

    fn known(&self) -> Known {
        Known::By(self.waiting.entry.counted_at)
    }

    fn cited(&self, id: Option<EntryId>) -> Option<&'a Entry> {
        self.evidence
            .get(&id?)
            .filter(|entry| entry.clamp_id == self.state.clamp)
    }

    /// Nobody signs for what is still to come; clocks that run a little apart are forgiven.
    fn signed_after_what_it_rests_on(&mut self) {
        let cited = [
            self.release.repair_entry,
            self.release.inspection_entry,
            self.release.proof_test_entry,
            self.release.correction_entry,
        ];
        let latest = cited
            .into_iter()
            .filter_map(|id| self.cited(id))
            .map(|entry| entry.counted_at)
            .chain([self.lockout.opened_at])
            .max();
        let signed_at = self.waiting.entry.counted_at;
        if latest.is_some_and(|latest| latest.duration_since(signed_at) > CLOCKS_APART) {
            self.no(
                UnmetCode::ReturnTooEarly,
                "the return was signed before the lock-out was opened or before what it cites was done: sign a new one",
            );
        }
    }

    fn remedies(&self) -> &'static [Remedy] {
        let criterion = self.lockout.criterion.as_deref().and_then(criteria::criterion);
        criterion.map_or(&[Remedy::Repair], |criterion| criterion.remedies.as_slice())
    }

    fn repaired(&mut self) {
        match self.lockout.reason {
            None | Some(LockoutReason::ProofTestFailed) => {}
            Some(reason) => {
                self.no(
                    UnmetCode::GroundNotAllowed,
                    format!("{reason} is not cleared by a repair: see its ground"),
                );
            }
        }
        if !self.remedies().contains(&Remedy::Repair) {
            let (code, detail) = if self.remedies().contains(&Remedy::RestoreToOriginal) {
                (
                    UnmetCode::GroundNotAllowed,
                    "only restoring to original condition clears this: ground `restored`",
                )
            } else {
                (
                    UnmetCode::NoRemedy,
                    "nothing clears this finding: the clamp is scrapped",
                )
            };
            self.no(code, detail);
        }
        self.repair_and_inspection();
        self.measured_again();
    }

    /// What was measured as worn, and not renewed, is measured again: a look does not show that it conforms.
    fn measured_again(&mut self) {
        let Some(criterion) = self.lockout.criterion.as_deref().and_then(criteria::criterion) else {
            return;
        };
        let renewed = self
            .repair()
            .is_none_or(|(_, repair)| repair.renews(criterion.component));
        let inspection = self.cited(self.release.inspection_entry);
        let Some((entry, Body::Inspected(inspected))) = inspection.map(|entry| (entry, &entry.body)) else {
            return;
        };
        let has_nominal = basis(entry, self.reference).model.is_some_and(|model| {
            model
                .wear_points
                .iter()
                .any(|point| point.criterion == criterion.code)
        });
        if renewed || criterion.measured.is_none() || !has_nominal {
            return;
        }
        let judged = judge_inspection(entry, inspected, &Readings::new(), self.reference);
        let place = self.lockout.place.as_deref();
        let conforms = judged.findings.iter().any(|(finding, judged)| {
            finding.criterion == criterion.code
                && (place.is_none() || finding.place.as_deref() == place)
                && judged
                    .measurement
                    .as_ref()
                    .is_some_and(|measurement| measurement.verdict == MeasuredVerdict::Conforming)
        });
        if !conforms {
            self.no(
                UnmetCode::CriterionNotAccepted,
                format!(
                    "no part of {} was renewed: the inspection has to measure {} again",
                    criterion.component, criterion.code
                ),
            );
        }
    }

    fn restored(&mut self) {
        let allowed = match self.lockout.reason {
            None => self.remedies().iter().any(|remedy| *remedy != Remedy::None),
            Some(reason) => reason == LockoutReason::ForeignPart,
        };
        if !allowed {
            self.no(
                UnmetCode::GroundNotAllowed,
                "`restored` clears alterations, foreign parts and findings with that remedy",
            );
        }
        if let Some((_, repair)) = self.repair_and_inspection()
            && repair
                .statement_document
                .as_deref()
                .is_none_or(|statement| statement.trim().is_empty())
        {
            self.no(
                UnmetCode::StatementMissing,
                "the written statement of the maker or its authorised shop is not attached to the repair",
            );
        }
    }

    /// A repair that answers the lock-out, and the inspection after it that accepts.
    fn repair_and_inspection(&mut self) -> Option<(&'a Entry, &'a Repaired)> {
        let found = self.repair();
        if let Some((entry, repair)) = found {
            self.repair_conditions(entry, repair);
            if let Some((inspection, inspected)) = self.after_repair_inspection(entry.id) {
                self.asks_and_accepts(inspection, inspected);
                self.proof_test(Some(entry), Some(inspection));
            }
        } else {
            self.no(
                UnmetCode::RepairMissing,
                "cite the repair of this clamp that answers the lock-out",
            );
        }
        found
    }

    fn repair(&self) -> Option<(&'a Entry, &'a Repaired)> {
        let entry = self.cited(self.release.repair_entry)?;
        match &entry.body {
            Body::Repaired(repair) => Some((entry, repair)),
            _ => None,
        }
    }

    fn repair_conditions(&mut self, entry: &Entry, repair: &Repaired) {
        if !repair.answers.contains(&self.lockout.id) {
            self.no(
                UnmetCode::RepairDoesNotAnswer,
                "the cited repair does not name this lock-out among those it answers",
            );
        }
        // A lock-out of the clamp as a whole names no part that a repair could work on.
        let of_the_whole = self.lockout.reason.is_some() && self.lockout.component == Component::General;
        let right_part = of_the_whole || repair.components.contains(&self.lockout.component);
        if !right_part {
            let component = self.lockout.component;
            self.no(
                UnmetCode::RepairOtherComponent,
                format!("the cited repair did not work on {component}"),
            );
        }
        if !self.state.may_count(entry) {
            self.no(
                UnmetCode::RepairNotSigned,
                "the repair is not signed by the technician who made it",
            );
        }
        let person = self.reference.people.get(&entry.performed_by);
        if !competent(
            person,
            CompetenceKind::RepairTechnician,
            entry,
            self.known(),
            self.reference,
        ) {
            self.no(
                UnmetCode::RepairerNotCompetent,
                "the repairer had no competence repair_technician that day, recorded before the return was signed",
            );
        }
        let amended_foreign = self.state.amendments.get(&entry.id).into_iter().flatten().any(
            |amendment| matches!(&amendment.body, Body::Amended(body) if body.field == AmendmentField::ForeignPart),
        );
        let foreign: Vec<_> = repair
            .parts
            .iter()
            .filter(|part| !part.from_original_maker)
            .map(|part| part.part_number.as_str())
            .collect();
        if !foreign.is_empty() || amended_foreign {
            self.no(
                UnmetCode::ForeignPart,
                format!(
                    "every part must be of the clamp's original maker; not so: {}",
                    foreign.join(", ")
                ),
            );
        }
    }

    /// The cited inspection, if it is one of this clamp after that repair and credited.
    fn after_repair_inspection(&mut self, repair: EntryId) -> Option<(&'a Entry, &'a Inspected)> {
        let (entry, inspected) = self.inspection()?;
        if inspected.inspection_kind != InspectionKind::AfterRepair {
            self.no(
                UnmetCode::InspectionKind,
                "the inspection is not one after a repair",
            );
        }
        if inspected.after_repair_of != Some(repair) {
            self.no(
                UnmetCode::InspectionOtherRepair,
                "the inspection does not cite this repair",
            );
        }
        if self
            .cited(Some(repair))
            .is_some_and(|repair| entry.order() < repair.order())
        {
            self.no(
                UnmetCode::InspectionTooEarly,
                "the inspection was made before the repair",
            );
        }
        self.credited(entry, inspected);
        Some((entry, inspected))
    }

    fn inspection(&mut self) -> Option<(&'a Entry, &'a Inspected)> {
        let found = self
            .cited(self.release.inspection_entry)
            .and_then(|entry| match &entry.body {
                Body::Inspected(inspected) => Some((entry, inspected)),
                _ => None,
            });
        if found.is_none() {
            self.no(
                UnmetCode::InspectionMissing,
                "cite the inspection of this clamp that accepts",
            );
        }
        found
    }

    fn credited(&mut self, entry: &Entry, inspected: &Inspected) {
        // Judged by itself: what was read before cannot make old evidence better.
        let credit = credit(
            entry,
            inspected,
            self.state.elsewhere(entry),
            &Readings::new(),
            self.evidence,
            self.known(),
            self.reference,
        );
        if self.state.slips.contains(&entry.id) {
            self.no(
                UnmetCode::InspectionNotCredited,
                "the inspection is not credited: a reading is better than the last one of the same part",
            );
        }
        for not_credited in credit.err().unwrap_or_default() {
            self.no(
                UnmetCode::InspectionNotCredited,
                format!("the inspection is not credited: {}", not_credited.detail),
            );
        }
        let qualified = competent(
            self.reference.people.get(&entry.performed_by),
            CompetenceKind::QualifiedPerson,
            entry,
            self.known(),
            self.reference,
        );
        let precaution = inspected.exceptional_reason == Some(crate::words::ExceptionalReason::Precaution)
            && self.lockout.reason == Some(LockoutReason::Precaution)
            && entry.performed_by != self.lockout.opened_by;
        if !qualified && !precaution {
            self.no(
                UnmetCode::InspectionNotCredited,
                "the inspection was not made by a person known as qualified when the return was signed",
            );
        }
    }

    fn asks_and_accepts(&mut self, entry: &Entry, inspected: &Inspected) {
        let Some(criterion) = self.lockout.criterion.as_deref() else {
            return;
        };
        let judged = judge_inspection(entry, inspected, &Readings::new(), self.reference);
        if !judged.accepts(criterion, self.lockout.place.as_deref()) {
            self.no(
                UnmetCode::CriterionNotAccepted,
                format!("the inspection does not ask and accept {criterion}"),
            );
        }
    }

    /// Where policy, design or a failed test demand a proof test: after the repair and before the inspection.
    fn proof_test(&mut self, repair: Option<&Entry>, inspection: Option<&Entry>) {
        let basis = basis(&self.waiting.entry, self.reference);
        let load_bearing = match self.lockout.criterion.as_deref().and_then(criteria::criterion) {
            Some(criterion) => criterion.load_bearing,
            None => match repair.map(|repair| &repair.body) {
                Some(Body::Repaired(repair)) => repair
                    .components
                    .iter()
                    .any(|part| criteria::is_load_bearing(*part)),
                _ => true,
            },
        };
        let demanded = match basis
            .yard
            .map_or(ProofTestPolicy::NotRequired, |yard| yard.proof_test_policy)
        {
            ProofTestPolicy::Always => true,
            ProofTestPolicy::OnLoadBearingParts => load_bearing,
            ProofTestPolicy::NotRequired => false,
        };
        let custom = basis.model.is_some_and(|model| model.custom_design);
        let failed = self.lockout.reason == Some(LockoutReason::ProofTestFailed);
        // One test supports every release of the return that cites it.
        let cited = self
            .release
            .proof_test_entry
            .or_else(|| match &self.waiting.entry.body {
                Body::ReturnedToService(returned) => {
                    returned.releases.iter().find_map(|other| other.proof_test_entry)
                }
                _ => None,
            });
        let demanded = demanded || custom || failed;
        if self.release.proof_test_entry.is_none() && !demanded {
            return;
        }
        let cited = self.cited(cited).and_then(|entry| match &entry.body {
            Body::ProofTested(test) => Some((entry, test)),
            _ => None,
        });
        let Some((entry, test)) = cited else {
            self.no(
                UnmetCode::ProofTestMissing,
                "a proof test is demanded here: cite the one made after the repair",
            );
            return;
        };
        let rules = &basis.rules.proof_test;
        // A rating is at most 80 % of the test load, so the test load is at least 125 % of the WLL.
        let enough = undisputed_wll(self.state, self.reference, self.waiting.entry.counted_at)
            .max(self.state.lowest_wll(&self.waiting.entry, self.reference))
            .is_none_or(|wll| !exceeds_percent(wll, test.load, rules.rated_at_most_percent_of_test_load));
        if test.result != ProofTestResult::Passed || !enough || !self.state.may_count(entry) {
            self.no(
                UnmetCode::ProofTestInsufficient,
                format!(
                    "the proof test must be passed with a load of which the WLL is at most {} %",
                    rules.rated_at_most_percent_of_test_load
                ),
            );
        }
        let in_order = repair.is_none_or(|repair| repair.counted_at <= entry.counted_at)
            && inspection.is_none_or(|inspection| entry.counted_at <= inspection.counted_at);
        if !in_order {
            self.no(
                UnmetCode::ProofTestOrder,
                "the proof test lies after the repair and before the accepting inspection",
            );
        }
    }

    fn reinspected(&mut self) {
        if self.lockout.reason != Some(LockoutReason::NotReinspected) {
            self.no(
                UnmetCode::GroundNotAllowed,
                "`reinspected` closes only `not_reinspected`",
            );
            return;
        }
        if self.lockout.opened_by == self.waiting.entry.performed_by {
            self.no(
                UnmetCode::SignerMadeRepair,
                "nobody returns to service what they repaired",
            );
        }
        let repair = self.cited(Some(self.lockout.opened_by_entry));
        if let Some((inspection, _)) = self.after_repair_inspection(self.lockout.opened_by_entry) {
            self.proof_test(repair, Some(inspection));
        }
    }
}
