//! The grounds that rest on an inspection that names the lock-out: inspected fit, and entered in error.
//!
//! What happened to the clamp decides how far such an inspection has to go, not what it calls itself. Doubts about
//! rating and identity are settled by an amendment instead.

use super::Case;
use crate::criteria::{self, Scope};
use crate::entry::{Amended, Body, Entry, Inspected};
use crate::finding::{Readings, judge_in_scope};
use crate::fold::written_by_qualified;
use crate::returns::UnmetCode;
use crate::words::{AmendmentField, InspectionKind, LockoutReason, Role};

impl<'a> Case<'a> {
    pub(super) fn inspected_fit(&mut self) {
        let Some(reason) = self.lockout.reason else {
            let criterion = self.lockout.criterion.as_deref().and_then(criteria::criterion);
            if criterion.is_some_and(|criterion| criterion.suspicion.is_some()) {
                // A suspicion has no part to renew: an exceptional inspection clears it, as if it had been tagged out.
                self.naming_inspection();
                return;
            }
            self.no(
                UnmetCode::GroundNotAllowed,
                "a finding is cleared by its remedy, not by an inspection alone",
            );
            return;
        };
        match reason {
            LockoutReason::NotReinspected | LockoutReason::ForeignPart | LockoutReason::ProofTestFailed => {
                self.no(
                    UnmetCode::GroundNotAllowed,
                    format!("{reason} is not cleared by an inspection alone"),
                );
            }
            LockoutReason::RatingInDoubt => {
                let doubted = self.doubted_ratings();
                self.settled(&doubted);
                self.all_settled(&doubted);
            }
            LockoutReason::IdentityInDoubt => self.settled(&[AmendmentField::SerialNumber]),
            LockoutReason::NumberInDoubt => {
                self.settled(&[AmendmentField::SameClampAs, AmendmentField::SerialNumber]);
            }
            LockoutReason::IncidentHold => {
                let ended = self.noted(AmendmentField::IncidentHoldEnded, Some(&[Role::Safety]));
                self.naming_inspection_after(ended);
            }
            LockoutReason::UnaccountedFor => {
                let found = self.noted(AmendmentField::Found, None);
                self.naming_inspection_after(found);
            }
            LockoutReason::SafetyBulletin => self.bulletin(),
            LockoutReason::Dropped
            | LockoutReason::ShockSuspected
            | LockoutReason::OverloadSuspected
            | LockoutReason::Precaution
            | LockoutReason::EveryLiftCheckFailed
            | LockoutReason::ProofTestOverLimit
            | LockoutReason::OverloadOrMisuseSuspected
            | LockoutReason::UsedWhileNotFit
            | LockoutReason::Held
            | LockoutReason::RetirementUndone => {
                self.naming_inspection();
            }
        }
    }

    /// An exceptional inspection that names the lock-out, credited.
    pub(super) fn naming_inspection(&mut self) -> Option<(&'a Entry, &'a Inspected)> {
        let (entry, inspected) = self.inspection()?;
        if inspected.inspection_kind != InspectionKind::Exceptional {
            self.no(UnmetCode::InspectionKind, "an exceptional inspection is needed");
        }
        if !inspected.lockouts.contains(&self.lockout.id) {
            self.no(
                UnmetCode::InspectionDoesNotName,
                "the inspection does not name this lock-out",
            );
        }
        self.made_since(entry);
        self.credited(entry, inspected);
        self.goes_far_enough(entry, inspected);
        Some((entry, inspected))
    }

    /// What happened after an inspection was not looked at by it, whatever it names.
    fn made_since(&mut self, inspection: &Entry) {
        if inspection.order() < (self.lockout.opened_at, self.lockout.opened_by_entry) {
            self.no(
                UnmetCode::InspectionTooEarly,
                "the inspection was made before the lock-out was opened",
            );
        }
    }

    /// The same, made after what has to come first: nobody takes evidence apart, nor inspects what is not there.
    fn naming_inspection_after(&mut self, first: Option<&Entry>) {
        let inspection = self.naming_inspection();
        if let (Some((inspection, _)), Some(first)) = (inspection, first)
            && inspection.order() < first.order()
        {
            self.no(
                UnmetCode::InspectionTooEarly,
                format!("the inspection must be made after the entry {}", first.id),
            );
        }
    }

    /// An exceptional inspection may call itself made out of caution; what happened to the clamp decides how far it
    /// has to go.
    fn goes_far_enough(&mut self, entry: &Entry, inspected: &Inspected) {
        let suspicion = self.lockout.criterion.as_deref().and_then(criteria::criterion);
        let suspicion = suspicion.and_then(|criterion| criterion.suspicion);
        let scope = match self.lockout.reason.or(suspicion) {
            Some(LockoutReason::Precaution) => return,
            Some(
                LockoutReason::Dropped
                | LockoutReason::ShockSuspected
                | LockoutReason::OverloadSuspected
                | LockoutReason::OverloadOrMisuseSuspected
                | LockoutReason::ProofTestOverLimit,
            ) if inspected.crack_tested == Some(true) => Scope::CrackTest,
            Some(
                LockoutReason::Dropped
                | LockoutReason::ShockSuspected
                | LockoutReason::OverloadSuspected
                | LockoutReason::OverloadOrMisuseSuspected
                | LockoutReason::ProofTestOverLimit,
            ) => Scope::Dismantled,
            Some(
                LockoutReason::IncidentHold
                | LockoutReason::UnaccountedFor
                | LockoutReason::SafetyBulletin
                | LockoutReason::EveryLiftCheckFailed
                | LockoutReason::ProofTestFailed
                | LockoutReason::NotReinspected
                | LockoutReason::ForeignPart
                | LockoutReason::RatingInDoubt
                | LockoutReason::IdentityInDoubt
                | LockoutReason::NumberInDoubt
                | LockoutReason::UsedWhileNotFit
                | LockoutReason::Held
                | LockoutReason::RetirementUndone,
            )
            | None => Scope::Periodic,
        };
        let judged = judge_in_scope(entry, inspected, scope, &Readings::new(), self.reference);
        if !judged.is_complete() {
            self.no(
                UnmetCode::InspectionNotCredited,
                format!(
                    "for this the inspection must also answer {}",
                    judged.missing.join(", ")
                ),
            );
        }
        let excused = inspected
            .no_crack_test_reason
            .as_deref()
            .is_some_and(|reason| !reason.trim().is_empty());
        let opened_up =
            inspected.dismantled == Some(true) && (inspected.crack_tested == Some(true) || excused);
        if scope >= Scope::Dismantled && !opened_up {
            self.no(
                UnmetCode::InspectionNotCredited,
                "for this the clamp must be taken apart and crack-tested, or the reason for no crack test given",
            );
        }
    }

    pub(super) fn correction(&mut self, fields: &[AmendmentField]) -> Option<(&'a Entry, &'a Amended)> {
        let found = self
            .cited(self.release.correction_entry)
            .and_then(|entry| match &entry.body {
                Body::Amended(amended) if fields.contains(&amended.field) => Some((entry, amended)),
                _ => None,
            });
        if found.is_none() {
            let names: Vec<_> = fields.iter().map(|field| field.code()).collect();
            self.no(
                UnmetCode::CorrectionMissing,
                format!("cite the amendment ({}) that settles it", names.join(" or ")),
            );
        }
        found
    }

    /// The fields that a doubt about the rating is about: the amended one, or those in which registration and model
    /// disagree.
    fn doubted_ratings(&self) -> Vec<AmendmentField> {
        let opening = self.lockout.opened_by_entry;
        let amended = self
            .state
            .amendments
            .values()
            .flatten()
            .find_map(|entry| match &entry.body {
                Body::Amended(amended) if entry.id == opening => Some(amended.field),
                _ => None,
            });
        if let Some(field) = amended {
            return vec![field];
        }
        let registration = self
            .state
            .registrations()
            .find(|registration| registration.entry == opening);
        let model = registration.and_then(|registration| {
            self.reference
                .model_at(registration.body.model_id, registration.at)
                .map(|version| (&registration.body, version.value.as_ref()))
        });
        let mut fields = Vec::new();
        if let Some((body, model)) = model {
            if body.wll.is_some_and(|wll| wll != model.wll) {
                fields.push(AmendmentField::Wll);
            }
            if body
                .jaw_opening
                .is_some_and(|jaw_opening| jaw_opening != model.jaw_opening)
            {
                fields.push(AmendmentField::JawOpening);
            }
        }
        if fields.is_empty() {
            // Tagged out by hand: any of them may be what is doubted.
            fields.extend([AmendmentField::Wll, AmendmentField::JawOpening]);
        }
        fields
    }

    /// Of several fields that disagree, each has to be settled, not only the one cited.
    fn all_settled(&mut self, fields: &[AmendmentField]) {
        let by_hand = self
            .cited(Some(self.lockout.opened_by_entry))
            .is_some_and(|opening| matches!(opening.body, Body::TaggedOut(_)));
        if by_hand {
            return;
        }
        let cited = match self.cited(self.release.correction_entry).map(|entry| &entry.body) {
            Some(Body::Amended(amended)) => Some(amended.field),
            _ => None,
        };
        let opened = (self.lockout.opened_at, self.lockout.opened_by_entry);
        for field in fields.iter().filter(|field| Some(**field) != cited) {
            let settled = self.state.amendments_of(*field).any(|(entry, _)| {
                opened < entry.order()
                    && self.state.last.is_some_and(|last| entry.order() <= last)
                    && self.state.proven.contains(&entry.id)
            });
            if !settled {
                self.no(
                    UnmetCode::CorrectionMissing,
                    format!("{field} disagrees, too: a qualified person's amendment has to settle it"),
                );
            }
        }
    }

    /// A doubt is settled by a qualified person's later amendment of the doubted entry, which cites the maker's document
    /// or the plate's photo.
    fn settled(&mut self, fields: &[AmendmentField]) {
        let Some((entry, amended)) = self.correction(fields) else {
            return;
        };
        let opening = self.lockout.opened_by_entry;
        if amended.cites != opening || entry.order() <= (self.lockout.opened_at, opening) {
            self.no(
                UnmetCode::CorrectionMissing,
                format!("the amendment must cite the entry {opening} and come after it"),
            );
        }
        if !self.state.may_count(entry) || !written_by_qualified(entry, self.reference) {
            self.no(
                UnmetCode::CorrectionAuthor,
                "a person known as qualified when they wrote it settles it, signed in person",
            );
        }
        if amended
            .document
            .as_deref()
            .is_none_or(|document| document.trim().is_empty())
        {
            self.no(
                UnmetCode::CorrectionDocument,
                "the amendment must cite the maker's document or a photo of the plate",
            );
        }
    }

    /// An amendment that cites the opening entry and says that a condition has come about.
    fn noted(&mut self, field: AmendmentField, roles: Option<&[Role]>) -> Option<&'a Entry> {
        let opening = self.lockout.opened_by_entry;
        let (entry, amended) = self.correction(&[field])?;
        if amended.cites != opening {
            self.no(
                UnmetCode::CorrectionMissing,
                format!("the amendment must cite the entry {opening}"),
            );
        }
        let entitled = roles.is_none_or(|roles| self.holds(entry, roles));
        if !self.state.may_count(entry) || !entitled {
            self.no(
                UnmetCode::CorrectionAuthor,
                "the safety role writes this, signed in person",
            );
        }
        Some(entry)
    }

    fn holds(&self, entry: &Entry, roles: &[Role]) -> bool {
        self.reference
            .people
            .get(&entry.performed_by)
            .is_some_and(|person| person.holds(roles, entry.judged_by.yard_id, entry.counted_at))
    }

    pub(super) fn entered_in_error(&mut self) {
        self.bulletin_in_error();
        self.noted(AmendmentField::EnteredInError, Some(&[Role::Safety]));
        if !self.holds(&self.waiting.entry, &[Role::Safety]) {
            self.no(
                UnmetCode::SignerRole,
                "only the safety role returns on this ground",
            );
        }
        if !self.state.confirmed_by_another(&self.waiting.entry) {
            self.no(
                UnmetCode::SecondPersonMissing,
                "a second person has to confirm this return themselves",
            );
        }
        let Some((entry, inspected)) = self.inspection() else {
            return;
        };
        if !inspected.lockouts.contains(&self.lockout.id) {
            self.no(
                UnmetCode::InspectionDoesNotName,
                "an accepting inspection since then must name this lock-out",
            );
        }
        self.made_since(entry);
        self.credited(entry, inspected);
        self.asks_and_accepts(entry, inspected);
    }
}
