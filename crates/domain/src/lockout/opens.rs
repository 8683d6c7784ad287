//! Which lock-outs an entry opens, by itself.

use super::Lockout;
use crate::calendar::Zone;
use crate::entry::{
    Amended, Body, Entry, Finding, Inspected, ProofTestResult, ProofTested, Registered, Repaired, Used,
};
use crate::finding::{Judged, Readings, basis, judge_inspection};
use crate::fold::is_proven;
use crate::ids::lockout_id;
use crate::quantity::Mass;
use crate::reference::Reference;
use crate::source::{Certainty, Source};
use crate::words::{AmendmentField, Component, Grade, LockoutReason, StopKind};
use rust_decimal::Decimal;

const PRACTICE_DOUBT: Source = Source::fixed(
    "disagreeing ratings bar until a qualified person settles them",
    Certainty::Practice,
);
const NO_SERIAL: Source = Source::fixed(
    "S.I. No. 299/2007 (Ireland), reg. 54(2)(b): a distinguishing number; barred until identified",
    Certainty::Practice,
);
const REGISTERED_AGAIN: Source = Source::fixed(
    "one clamp has one registration: barred until identified",
    Certainty::Practice,
);
const TAG: Source = Source::fixed(
    "ASME B30.20-2013, 20-1.3: tagged \"Out of Service\"",
    Certainty::Text,
);
const AFTER_REPAIR: Source = Source::fixed(
    "ASME B30.20-2013, 20-1.3: inspected after repair",
    Certainty::Text,
);
const ORIGINAL_PARTS: Source =
    Source::fixed("makers' instructions: original parts only", Certainty::Secondary);
const MISUSE: Source = Source::fixed(
    "used over its WLL or against a stop: overload or misuse suspected",
    Certainty::Practice,
);
const UNDONE: Source = Source::fixed(
    "a retirement that is undone comes back tagged out",
    Certainty::Practice,
);
const WHILE_BARRED: Source = Source::fixed("use while a lock-out bars", Certainty::Practice);
const UNLISTED: Source = Source::fixed(
    "finding against a criterion outside the catalogue",
    Certainty::Practice,
);

/// The lock-outs that `entry` opens. `wll` is the lowest rating known of the clamp, asked for where it matters; `readings`
/// are the last readings on its present parts.
pub fn opened_by(
    entry: &Entry,
    wll: impl FnOnce() -> Option<Mass>,
    readings: &Readings,
    reference: &Reference,
) -> Vec<Lockout> {
    let general = |reason, source| vec![for_reason(entry, reason, Component::General, "", source)];
    match &entry.body {
        Body::Registered(body) => registered(entry, body, reference),
        Body::Inspected(body) => inspected(entry, body, readings, reference),
        Body::TaggedOut(body) => {
            let mut lockout = for_reason(entry, body.reason, Component::General, "", TAG);
            lockout.bulletin = body.bulletin;
            vec![lockout]
        }
        Body::Repaired(body) => repaired(entry, body),
        Body::ProofTested(body) => proof_tested(entry, body, wll(), reference),
        Body::Used(body) => used(entry, body, wll()),
        Body::Amended(body) => match body.field {
            AmendmentField::ForeignPart => general(LockoutReason::ForeignPart, ORIGINAL_PARTS),
            AmendmentField::RetirementUndone => general(LockoutReason::RetirementUndone, UNDONE),
            AmendmentField::Wll | AmendmentField::JawOpening | AmendmentField::ModelId => {
                rating_amended(entry, body, reference)
            }
            AmendmentField::AssetMark
            | AmendmentField::SerialNumber
            | AmendmentField::ManufacturedOn
            | AmendmentField::PutIntoServiceOn
            | AmendmentField::Declaration
            | AmendmentField::ExaminationScheme
            | AmendmentField::SameClampAs
            | AmendmentField::IncidentHoldEnded
            | AmendmentField::Found
            | AmendmentField::EnteredInError => Vec::new(),
        },
        Body::ReturnedToService(_)
        | Body::Confirmed(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => Vec::new(),
    }
}

/// The lock-out for use while another one barred the clamp.
pub(crate) fn used_while_not_fit(entry: &Entry) -> Lockout {
    for_reason(
        entry,
        LockoutReason::UsedWhileNotFit,
        Component::General,
        "",
        WHILE_BARRED,
    )
}

/// The lock-out for a clamp that is registered a second time: who it is, nobody knows until it is settled.
pub(crate) fn registered_again(entry: &Entry) -> Lockout {
    for_reason(
        entry,
        LockoutReason::IdentityInDoubt,
        Component::Identification,
        "",
        REGISTERED_AGAIN,
    )
}

fn for_reason(
    entry: &Entry,
    reason: LockoutReason,
    component: Component,
    place: &str,
    source: Source,
) -> Lockout {
    Lockout {
        id: lockout_id(entry.id, reason.code(), place),
        criterion: None,
        reason: Some(reason),
        component,
        place: (!place.is_empty()).then(|| place.to_owned()),
        grade: Grade::Danger,
        by_date: None,
        bars_from: entry.counted_at,
        opened_by_entry: entry.id,
        opened_by: entry.performed_by,
        opened_at: entry.counted_at,
        bulletin: None,
        closed: None,
        source,
    }
}

fn registered(entry: &Entry, body: &Registered, reference: &Reference) -> Vec<Lockout> {
    let mut opened = Vec::new();
    if body.serial_number.is_none() {
        opened.push(for_reason(
            entry,
            LockoutReason::IdentityInDoubt,
            Component::Identification,
            "",
            NO_SERIAL,
        ));
    }
    let disagrees = basis(entry, reference).model.is_some_and(|model| {
        body.wll.is_some_and(|wll| wll != model.wll)
            || body
                .jaw_opening
                .is_some_and(|jaw_opening| jaw_opening != model.jaw_opening)
    });
    if disagrees {
        opened.push(for_reason(
            entry,
            LockoutReason::RatingInDoubt,
            Component::Identification,
            "",
            PRACTICE_DOUBT,
        ));
    }
    opened
}

/// An amended rating is one more opinion, whatever it agrees with, unless a qualified person shows the maker's document.
fn rating_amended(entry: &Entry, body: &Amended, reference: &Reference) -> Vec<Lockout> {
    if is_proven(entry, body, reference) {
        return Vec::new();
    }
    vec![for_reason(
        entry,
        LockoutReason::RatingInDoubt,
        Component::Identification,
        "",
        PRACTICE_DOUBT,
    )]
}

fn inspected(entry: &Entry, body: &Inspected, readings: &Readings, reference: &Reference) -> Vec<Lockout> {
    judge_inspection(entry, body, readings, reference)
        .findings
        .iter()
        .filter_map(|(finding, judged)| {
            judged
                .rejected
                .map(|grade| for_finding(entry, finding, judged, grade, reference))
        })
        .collect()
}

fn for_finding(
    entry: &Entry,
    finding: &Finding,
    judged: &Judged,
    grade: Grade,
    reference: &Reference,
) -> Lockout {
    let zone = basis(entry, reference)
        .yard
        .map_or_else(Zone::utc, |yard| yard.time_zone.clone());
    let source = judged
        .criterion
        .and_then(|criterion| criterion.sources.first().cloned())
        .unwrap_or(UNLISTED);
    Lockout {
        id: lockout_id(
            entry.id,
            &finding.criterion,
            finding.place.as_deref().unwrap_or_default(),
        ),
        criterion: Some(finding.criterion.clone()),
        reason: None,
        component: judged
            .criterion
            .map_or(Component::General, |criterion| criterion.component),
        place: finding.place.clone(),
        grade,
        by_date: judged.by_date,
        bars_from: judged
            .by_date
            .map_or(entry.counted_at, |day| zone.end_of(day).max(entry.counted_at)),
        opened_by_entry: entry.id,
        opened_by: entry.performed_by,
        opened_at: entry.counted_at,
        bulletin: None,
        closed: None,
        source,
    }
}

fn repaired(entry: &Entry, body: &Repaired) -> Vec<Lockout> {
    let mut opened = vec![for_reason(
        entry,
        LockoutReason::NotReinspected,
        Component::General,
        "",
        AFTER_REPAIR,
    )];
    for (index, part) in body
        .parts
        .iter()
        .enumerate()
        .filter(|(_, part)| !part.from_original_maker)
    {
        let place = format!("part {}: {}", index.saturating_add(1), part.part_number);
        opened.push(for_reason(
            entry,
            LockoutReason::ForeignPart,
            part.component,
            &place,
            ORIGINAL_PARTS,
        ));
    }
    opened
}

fn proof_tested(entry: &Entry, body: &ProofTested, wll: Option<Mass>, reference: &Reference) -> Vec<Lockout> {
    let proof_test = &basis(entry, reference).rules.proof_test;
    let reason = match body.result {
        ProofTestResult::Failed => Some(LockoutReason::ProofTestFailed),
        ProofTestResult::Passed => {
            let over = wll.is_some_and(|wll| exceeds_percent(body.load, wll, proof_test.max_percent));
            let bars = over && proof_test.over_limit_opens_lockout && body.maker_document.is_none();
            bars.then_some(LockoutReason::ProofTestOverLimit)
        }
    };
    reason
        .map(|reason| for_reason(entry, reason, Component::General, "", proof_test.source.clone()))
        .into_iter()
        .collect()
}

/// Whether `load` is more than `percent` of `wll`, exactly.
pub(crate) fn exceeds_percent(load: Mass, wll: Mass, percent: Decimal) -> bool {
    load.kilograms() * Decimal::ONE_HUNDRED > wll.kilograms() * percent
}

fn used(entry: &Entry, body: &Used, wll: Option<Mass>) -> Vec<Lockout> {
    let overloaded = matches!((body.heaviest_load, wll), (Some(load), Some(wll)) if load > wll);
    let misused = body.against_stop.iter().any(|stop| match stop {
        StopKind::Tension | StopKind::Thickness | StopKind::KindOfLift | StopKind::Tilt => true,
        StopKind::Other => false,
    });
    if overloaded || misused {
        vec![for_reason(
            entry,
            LockoutReason::OverloadOrMisuseSuspected,
            Component::General,
            "",
            MISUSE,
        )]
    } else {
        Vec::new()
    }
}
