//! What releases a clamp that a safety bulletin holds: only the inspection that cites the bulletin and accepts its checks,
//! where use is stopped after its remedy or with the maker's written release. Source of all of it: the project's rules of
//! the trade, common practice.

use super::Case;
use crate::bulletin::{Bulletin, BulletinClass, Matcher, covers};
use crate::entry::{Entry, Inspected};
use crate::finding::{Readings, judge_inspection};
use crate::fold::written_by_qualified;
use crate::returns::UnmetCode;
use crate::words::AmendmentField;

impl Case<'_> {
    pub(super) fn bulletin(&mut self) {
        let inspection = self.naming_inspection();
        let opened = self
            .lockout
            .bulletin
            .and_then(|id| self.reference.bulletins.get(&id));
        let Some(opened) = opened else {
            self.no(
                UnmetCode::BulletinNotCited,
                "no bulletin of this id is known: nothing can be inspected for it",
            );
            return;
        };
        let bulletin = opened.bulletin.as_ref();
        if self.release.correction_entry.is_some() {
            self.out_of_scope(bulletin);
            return;
        }
        if let Some((entry, inspected)) = inspection {
            self.checks(bulletin, entry, inspected);
        }
        if bulletin.class == BulletinClass::StopUse {
            self.remedy(bulletin, inspection.map(|(entry, _)| entry));
        }
    }

    fn checks(&mut self, bulletin: &Bulletin, entry: &Entry, inspected: &Inspected) {
        if inspected.bulletin != self.lockout.bulletin {
            self.no(
                UnmetCode::BulletinNotCited,
                "the inspection must cite the bulletin and make its checks",
            );
        }
        let judged = judge_inspection(entry, inspected, &Readings::new(), self.reference);
        for check in &bulletin.checks {
            if !judged.accepts(check, None) {
                self.no(
                    UnmetCode::CriterionNotAccepted,
                    format!("the bulletin asks for {check}: the inspection does not ask and accept it"),
                );
            }
        }
    }

    /// Use is stopped until the remedy was carried out, or the maker has released this clamp in writing.
    fn remedy(&mut self, bulletin: &Bulletin, inspection: Option<&Entry>) {
        let written = self.release.maker_document.as_deref();
        if written.is_some_and(|document| !document.trim().is_empty()) {
            return;
        }
        let Some(remedy) = &bulletin.remedy else {
            self.no(
                UnmetCode::NoRemedy,
                "the bulletin names no remedy: without the maker's written release the clamp stays barred or is scrapped",
            );
            return;
        };
        let Some((entry, repair)) = self.repair() else {
            self.no(
                UnmetCode::RepairMissing,
                "cite the repair by which the bulletin's remedy was carried out, or the maker's written release",
            );
            return;
        };
        self.repair_conditions(entry, repair);
        for component in &remedy.components {
            if !repair.components.contains(component) {
                self.no(
                    UnmetCode::RepairOtherComponent,
                    format!("the bulletin's remedy works on {component}, the cited repair did not"),
                );
            }
        }
        if inspection.is_some_and(|inspection| inspection.order() < entry.order()) {
            self.no(
                UnmetCode::InspectionTooEarly,
                "the inspection was made before the repair",
            );
        }
    }

    /// A corrected number, model or date does not free the clamp by itself; a return that cites the correction does.
    fn out_of_scope(&mut self, bulletin: &Bulletin) {
        let fields = [
            AmendmentField::SerialNumber,
            AmendmentField::ModelId,
            AmendmentField::ManufacturedOn,
        ];
        let Some((entry, amended)) = self.correction(&fields) else {
            return;
        };
        if !self.state.may_count(entry) || !written_by_qualified(entry, self.reference) {
            self.no(
                UnmetCode::CorrectionAuthor,
                "a person known as qualified when they wrote it corrects it, signed in person",
            );
        }
        let document = amended.document.as_deref();
        if document.is_none_or(|document| document.trim().is_empty()) {
            self.no(
                UnmetCode::CorrectionDocument,
                "the amendment must cite the maker's document or a photo of the plate",
            );
        }
        if self.is_in_scope(bulletin) {
            self.no(
                UnmetCode::CorrectionMissing,
                "as corrected, the clamp is still in the bulletin's scope",
            );
        }
        // Not only the one that is cited: whatever its number, model and day rest on has to be shown, and known when it was
        // signed.
        let signed = self.waiting.entry.order();
        let rests_on_nothing = fields.into_iter().any(|field| {
            let last = self.state.amendments_of(field).map(|(entry, _)| entry);
            last.max_by_key(|entry| entry.order())
                .is_some_and(|last| !self.state.proven.contains(&last.id) || last.order() > signed)
        });
        if rests_on_nothing {
            self.no(
                UnmetCode::CorrectionMissing,
                "the last correction of its number, model or day is not a qualified person's with a document, or came after the return",
            );
        }
    }

    /// A hold that was no error is not taken back as one.
    pub(super) fn bulletin_in_error(&mut self) {
        let opened = self
            .lockout
            .bulletin
            .and_then(|id| self.reference.bulletins.get(&id));
        if let Some(opened) = opened
            && self.is_in_scope(&opened.bulletin)
        {
            self.no(
                UnmetCode::GroundNotAllowed,
                "the clamp is in the bulletin's scope: only an inspection for it frees the clamp",
            );
        }
    }

    fn is_in_scope(&self, bulletin: &Bulletin) -> bool {
        let at = self.waiting.entry.counted_at;
        covers(&Matcher::of(&bulletin.scope), self.state, self.reference, at).is_some()
    }
}
