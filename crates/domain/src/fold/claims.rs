//! What registrations and amendments claim, where a claim could make the clamp look better than it was shown to be.
//!
//! What tightens counts from anybody. What loosens counts only if it is proven.

use super::{ClampState, Registration};
use crate::calendar::Interval;
use crate::entry::{Amended, Declaration, Entry, ExaminationScheme};
use crate::ids::{ModelId, YardId};
use crate::quantity::{Length, Mass, Range};
use crate::words::AmendmentField;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::de::DeserializeOwned;
use std::collections::BTreeSet;

/// The value of an amendment, if it is one of its field.
pub(super) fn value<T: DeserializeOwned>(amended: &Amended) -> Option<T> {
    serde_json::from_value(amended.value.clone()).ok()
}

/// Without a scheme, a thorough examination holds this long (LOLER 1998 reg. 9(3)(a)(i)).
const LEGAL: Interval = Interval::Months(6);

fn days<'r>(registrations: impl Iterator<Item = &'r Registration>) -> impl Iterator<Item = Date> {
    registrations.filter_map(|registration| registration.body.put_into_service_on)
}

impl ClampState {
    fn claims<T: DeserializeOwned>(&self, field: AmendmentField) -> impl Iterator<Item = (&Entry, T)> {
        self.amendments_of(field)
            .filter_map(|(entry, amended)| Some((entry, value(amended)?)))
    }

    fn proven<T: DeserializeOwned>(&self, field: AmendmentField) -> impl Iterator<Item = (&Entry, T)> {
        self.amendments_of(field)
            .filter(|(entry, _)| self.proven.contains(&entry.id))
            .filter_map(|(entry, amended)| Some((entry, value(amended)?)))
    }

    fn latest_proven<T: DeserializeOwned>(&self, field: AmendmentField) -> Option<(&Entry, T)> {
        self.proven(field).max_by_key(|(entry, _)| entry.order())
    }

    /// The WLL that was proven last.
    pub(crate) fn proven_wll(&self) -> Option<Mass> {
        self.latest_proven(AmendmentField::Wll).map(|(_, wll)| wll)
    }
    /// The jaw opening that was proven last.
    pub(crate) fn proven_jaw_opening(&self) -> Option<Range<Length>> {
        self.latest_proven(AmendmentField::JawOpening)
            .map(|(_, jaw_opening)| jaw_opening)
    }
    /// Every WLL that a registration names.
    pub(crate) fn registered_wlls(&self) -> impl Iterator<Item = Mass> {
        self.registrations()
            .filter_map(|registration| registration.body.wll)
    }
    /// Every jaw opening that a registration names.
    pub(crate) fn registered_jaw_openings(&self) -> impl Iterator<Item = Range<Length>> {
        self.registrations()
            .filter_map(|registration| registration.body.jaw_opening)
    }
    /// Every WLL that anybody claims.
    pub(crate) fn claimed_wlls(&self) -> impl Iterator<Item = Mass> {
        let amended = self.claims(AmendmentField::Wll).map(|(_, wll)| wll);
        self.registered_wlls().chain(amended)
    }
    /// Every WLL that a registration or a proven amendment names.
    pub(crate) fn shown_wlls(&self) -> impl Iterator<Item = Mass> {
        let proven = self.proven(AmendmentField::Wll).map(|(_, wll)| wll);
        self.registered_wlls().chain(proven)
    }
    /// Every jaw opening that anybody claims.
    pub(crate) fn claimed_jaw_openings(&self) -> impl Iterator<Item = Range<Length>> {
        let amended = self.claims(AmendmentField::JawOpening);
        self.registered_jaw_openings()
            .chain(amended.map(|(_, jaw_opening)| jaw_opening))
    }
    /// Every model that anybody ever named.
    pub(crate) fn claimed_models(&self) -> impl Iterator<Item = ModelId> {
        let amended = self.claims(AmendmentField::ModelId).map(|(_, model)| model);
        self.registrations()
            .map(|registration| registration.body.model_id)
            .chain(amended)
    }
    /// Every model whose figures may say anything about it: whoever judges it needs them all.
    pub fn models(&self) -> BTreeSet<ModelId> {
        self.claimed_models().chain(self.shown_models()).collect()
    }
    /// Every yard that has it or that its entries show it in.
    pub fn yards_ever(&self) -> BTreeSet<YardId> {
        self.yards()
            .into_iter()
            .chain(self.shown.yards.keys().copied())
            .collect()
    }
    /// Whether a registration or a proven amendment makes it one of this model.
    pub fn is_shown_as(&self, model: ModelId) -> bool {
        self.shown_models().any(|shown| shown == model)
    }
    /// Whether it stands in a yard, or was registered there. Where it was in between, its entries say.
    pub fn is_placed_in(&self, yard: YardId) -> bool {
        let registered = self
            .registrations()
            .any(|registration| registration.body.yard_id == yard);
        registered || self.places.live().any(|(_, place)| *place == yard)
    }
    /// Every model that a registration or a proven amendment names, whether the walk has come to it or not: what was written
    /// before is about the same clamp.
    pub(crate) fn shown_models(&self) -> impl Iterator<Item = ModelId> {
        let proven = self.proven(AmendmentField::ModelId).map(|(_, model)| model);
        self.registrations()
            .map(|registration| registration.body.model_id)
            .chain(self.shown.models.iter().copied())
            .chain(proven)
    }

    /// Declaration of conformity. One made later prolongs an exemption, one where there was none founds it: both only
    /// with proof, or where somebody signed the registration that names it.
    pub fn declaration(&self) -> Option<Declaration> {
        let proven = self.latest_proven::<Declaration>(AmendmentField::Declaration);
        let since = proven.as_ref().map(|(entry, _)| entry.order());
        let shown = match proven {
            Some((_, declaration)) => Some(declaration),
            None => self
                .signed_registrations()
                .filter_map(|registration| registration.body.declaration.clone())
                .min_by_key(|declaration| declaration.made_on),
        }?;
        let amended = self
            .claims::<Declaration>(AmendmentField::Declaration)
            .map(|(entry, declaration)| (entry.order(), declaration));
        let unsigned = self
            .unsigned_registrations()
            .filter_map(|registration| Some((registration.order(), registration.body.declaration.clone()?)));
        amended
            .chain(unsigned)
            .filter(|(order, _)| since.is_none_or(|since| since < *order))
            .map(|(_, declaration)| declaration)
            .chain([shown])
            .min_by_key(|declaration| declaration.made_on)
    }

    /// Day of putting it into service: the earliest ever entered.
    pub fn put_into_service_on(&self) -> Option<Date> {
        let amended = self.claims(AmendmentField::PutIntoServiceOn).map(|(_, day)| day);
        days(self.registrations()).chain(amended).min()
    }

    /// The same, of what was registered or proven: an exemption rests on this one only.
    pub(crate) fn shown_put_into_service_on(&self) -> Option<Date> {
        let proven = self.proven(AmendmentField::PutIntoServiceOn).map(|(_, day)| day);
        days(self.signed_registrations()).chain(proven).min()
    }

    /// Whether somebody signed for a registration, and every one says that the clamp was never used before.
    pub(crate) fn is_shown_as_never_used(&self) -> bool {
        let says_so = |registration: &Registration| registration.body.never_used_before == Some(true);
        self.signed_registrations().next().is_some() && self.registrations().all(says_so)
    }

    fn signed_registrations(&self) -> impl Iterator<Item = &Registration> {
        self.registrations()
            .filter(|registration| !registration.is_unsigned)
    }

    fn unsigned_registrations(&self) -> impl Iterator<Item = &Registration> {
        self.registrations()
            .filter(|registration| registration.is_unsigned)
    }

    /// The interval of the scheme of examination that was in force on the day of an examination. One that lengthens
    /// counts only if it is proven and was written before, or stands in a registration that somebody signed; one that
    /// shortens counts from anybody, in an amendment whenever it was written.
    pub fn examination_scheme_on(&self, day: Date, examined_at: Timestamp) -> Option<Interval> {
        let in_force = |scheme: &ExaminationScheme| scheme.valid_from <= day;
        let known = self
            .proven::<ExaminationScheme>(AmendmentField::ExaminationScheme)
            .filter(|(entry, scheme)| in_force(scheme) && entry.counted_at <= examined_at)
            .max_by_key(|(entry, _)| entry.order());
        let since = known.as_ref().map(|(entry, _)| entry.order());
        let known = match known {
            Some((_, scheme)) => Some(scheme.interval),
            None => self
                .signed_registrations()
                .filter_map(|registration| registration.body.examination_scheme.as_ref())
                .filter(|scheme| in_force(scheme))
                .map(|scheme| scheme.interval)
                .min_by_key(|interval| interval.after(day)),
        };
        let legal = known.unwrap_or(LEGAL);
        let amended = self
            .claims::<ExaminationScheme>(AmendmentField::ExaminationScheme)
            .map(|(entry, scheme)| (entry.order(), scheme));
        let unsigned = self.unsigned_registrations().filter_map(|registration| {
            Some((
                registration.order(),
                registration.body.examination_scheme.clone()?,
            ))
        });
        amended
            .chain(unsigned)
            .filter(|(order, scheme)| in_force(scheme) && since.is_none_or(|since| since < *order))
            .map(|(_, scheme)| scheme.interval)
            .filter(|interval| interval.after(day) < legal.after(day))
            .min_by_key(|interval| interval.after(day))
            .or(known)
    }
}
