//! What speaks against an entry whose author can still do otherwise.

use crate::entry::{Amended, Body, Classified, Entry, ReturnedToService};
use crate::fold::{ClampState, Evidence, Waiting};
use crate::reference::Reference;
use crate::returns::{self, Unmet, UnmetCode};
use crate::standing::{Reason, standing_now};
use crate::words::{AmendmentField, FitnessReason, Role, ServiceClass};
use serde::{Deserialize, Serialize};

/// Why an entry is refused.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Refusal {
    /// Stable code.
    pub code: RefusalCode,
    /// In words.
    pub detail: String,
    /// Conditions of a return that do not hold.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unmet: Vec<Unmet>,
    /// Why the clamp is not fit.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reasons: Vec<Reason>,
}

/// Codes of [`Refusal`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "kebab-case")]
pub enum RefusalCode {
    /// A return whose conditions do not hold.
    ReleaseNotSupported,
    /// An issue of a clamp that a lock-out bars.
    TaggedOut,
    /// An issue of a clamp that is not fit for another reason.
    NotFit,
    /// The clamp is retired.
    Retired,
    /// The clamp is registered already.
    AlreadyRegistered,
    /// Only the safety role accepts a milder class.
    MilderClass,
    /// The entry cited is not known on this clamp.
    CitesUnknown,
    /// Nobody confirms their own entry.
    OwnEntry,
    /// "Safe to operate" together with a danger.
    SafeToOperateContradicted,
    /// This amendment needs the safety role.
    AmendmentRole,
}

impl Refusal {
    fn new(code: RefusalCode, detail: impl Into<String>) -> Self {
        Self {
            code,
            detail: detail.into(),
            unmet: Vec::new(),
            reasons: Vec::new(),
        }
    }
}

/// Everything that speaks against `entry`.
pub(super) fn refusals(
    before: &ClampState,
    entry: &Entry,
    evidence: &Evidence,
    reference: &Reference,
) -> Vec<Refusal> {
    let mut refusals = Vec::new();
    if before.retirement().is_some()
        && !matches!(
            entry.body,
            Body::Amended(_) | Body::Confirmed(_) | Body::TaggedOut(_) | Body::Used(_)
        )
    {
        refusals.push(Refusal::new(
            RefusalCode::Retired,
            "the clamp is retired; only two persons' amendment undoes that",
        ));
    }
    match &entry.body {
        Body::Registered(_) => {
            if before.registration.is_some() {
                refusals.push(Refusal::new(
                    RefusalCode::AlreadyRegistered,
                    "this clamp is registered already",
                ));
            }
        }
        Body::ReturnedToService(body) => refusals.extend(release(before, entry, body, evidence, reference)),
        Body::Issued(_) => refusals.extend(issue(before, entry, reference)),
        Body::Classified(body) => refusals.extend(classification(before, entry, body, reference)),
        Body::Amended(body) => refusals.extend(amendment(entry, body, evidence, reference)),
        Body::Confirmed(body) => match evidence.get(&body.confirms) {
            None => refusals.push(Refusal::new(
                RefusalCode::CitesUnknown,
                "the entry to confirm is not one of this clamp",
            )),
            Some(confirmed) if confirmed.performed_by == entry.performed_by => {
                refusals.push(Refusal::new(
                    RefusalCode::OwnEntry,
                    "a second person confirms, not the author",
                ));
            }
            Some(confirmed) if !takes_two(confirmed) => refusals.push(Refusal::new(
                RefusalCode::CitesUnknown,
                "only a return to service, or the amendment that undoes a retirement, is confirmed by a second person",
            )),
            Some(_) => {}
        },
        Body::Inspected(body) => {
            let judged = crate::finding::judge_inspection(entry, body, &before.readings, reference);
            if body.safe_to_operate == Some(true) && !judged.nothing_bars {
                refusals.push(Refusal::new(
                    RefusalCode::SafeToOperateContradicted,
                    "\"safe to operate\" cannot stand together with a danger: record it as not safe",
                ));
            }
        }
        Body::TaggedOut(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::Transferred(_)
        | Body::Received(_)
        | Body::Used(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => {}
    }
    refusals
}

/// Whether an entry takes two persons.
fn takes_two(entry: &Entry) -> bool {
    match &entry.body {
        Body::ReturnedToService(_) => true,
        Body::Amended(amended) => amended.field == AmendmentField::RetirementUndone,
        Body::Registered(_)
        | Body::Inspected(_)
        | Body::TaggedOut(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::Confirmed(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Used(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => false,
    }
}

fn release(
    before: &ClampState,
    entry: &Entry,
    body: &ReturnedToService,
    evidence: &Evidence,
    reference: &Reference,
) -> Option<Refusal> {
    let waiting = Waiting::of(before, entry, body);
    let mut unmet = returns::unmet(before, &waiting, evidence, reference);
    // The second person can only confirm what is recorded.
    unmet.retain(|unmet| unmet.code != UnmetCode::SecondPersonMissing);
    unmet.extend(
        returns::left_out(before, entry, &body.releases)
            .into_iter()
            .map(returns::not_named),
    );
    if unmet.is_empty() {
        return None;
    }
    let mut refusal = Refusal::new(
        RefusalCode::ReleaseNotSupported,
        format!(
            "the clamp stays tagged out: {} condition(s) of the return do not hold",
            unmet.len()
        ),
    );
    refusal.unmet = unmet;
    Some(refusal)
}

fn issue(before: &ClampState, entry: &Entry, reference: &Reference) -> Option<Refusal> {
    // Told of an earlier time, it is handed out all the same: what is known to bar since counts.
    let standing = standing_now(before, reference, before.latest(entry.counted_at));
    if standing.fit {
        return None;
    }
    let barred = standing
        .reasons
        .iter()
        .any(|reason| reason.code == FitnessReason::TaggedOut);
    let code = if barred {
        RefusalCode::TaggedOut
    } else {
        RefusalCode::NotFit
    };
    let details: Vec<_> = standing
        .reasons
        .iter()
        .map(|reason| reason.detail.as_str())
        .collect();
    let mut refusal = Refusal::new(code, format!("not issued: {}", details.join(" ")));
    refusal.reasons = standing.reasons;
    Some(refusal)
}

fn classification(
    before: &ClampState,
    entry: &Entry,
    body: &Classified,
    reference: &Reference,
) -> Option<Refusal> {
    let safety = reference
        .people
        .get(&entry.performed_by)
        .is_some_and(|person| person.holds(&[Role::Safety], entry.judged_by.yard_id, entry.counted_at));
    let hardest = before
        .service_classes()
        .into_iter()
        .filter(|class| *class != ServiceClass::Special)
        .max();
    let leaves_special = body.service_class != ServiceClass::Special
        && before.service_classes().contains(&ServiceClass::Special);
    let milder = leaves_special
        || hardest.is_some_and(|hardest| {
            body.service_class == ServiceClass::Special || body.service_class < hardest
        });
    (milder && !safety).then(|| {
        Refusal::new(
            RefusalCode::MilderClass,
            "a milder service class (into special service or out of it counts as milder) is set by the safety role only",
        )
    })
}

fn amendment(entry: &Entry, body: &Amended, evidence: &Evidence, reference: &Reference) -> Option<Refusal> {
    if evidence
        .get(&body.cites)
        .is_none_or(|cited| cited.clamp_id != entry.clamp_id)
    {
        return Some(Refusal::new(
            RefusalCode::CitesUnknown,
            "the entry cited is not one of this clamp",
        ));
    }
    let needs_safety = match body.field {
        AmendmentField::IncidentHoldEnded
        | AmendmentField::EnteredInError
        | AmendmentField::RetirementUndone => true,
        AmendmentField::AssetMark
        | AmendmentField::SerialNumber
        | AmendmentField::ModelId
        | AmendmentField::Wll
        | AmendmentField::JawOpening
        | AmendmentField::ManufacturedOn
        | AmendmentField::PutIntoServiceOn
        | AmendmentField::Declaration
        | AmendmentField::ExaminationScheme
        | AmendmentField::SameClampAs
        | AmendmentField::Found
        | AmendmentField::ForeignPart => false,
    };
    let safety = reference
        .people
        .get(&entry.performed_by)
        .is_some_and(|person| person.holds(&[Role::Safety], entry.judged_by.yard_id, entry.counted_at));
    (needs_safety && !safety).then(|| {
        Refusal::new(
            RefusalCode::AmendmentRole,
            format!("{} is written by the safety role only", body.field),
        )
    })
}
