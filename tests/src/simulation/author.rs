//! What people write on a tablet: by chance, but mostly as a yard would, so that returns really close something.
//!
//! Whoever writes knows what the tablet shows; papers (repairs and inspections to cite) go from hand to hand, so that a
//! return may name evidence that is still on another tablet.

use super::chance::Chance;
use super::town::{ASKED, Town};
use clampward_domain::criteria::{self, Scope};
use clampward_domain::entry::{
    Amended, Body, Classified, Confirmed, Finding, Inspected, Issued, Part, ProofTestResult, ProofTested,
    Received, Registered, Release, Repaired, Retired, ReturnedToService, TaggedOut, Transferred, Used,
};
use clampward_domain::fold::ClampState;
use clampward_domain::ids::{EntryId, LockoutId, PersonId, lockout_id};
use clampward_domain::quantity::{Length, Mass};
use clampward_domain::rule_set;
use clampward_domain::words::{
    AmendmentField, Component, ExceptionalReason, Ground, InspectionKind, LockoutReason, Outcome,
    RuleSetName, ServiceClass,
};
use jiff::{Timestamp, ToSpan};

/// What is handed around about a clamp.
#[derive(Clone, Debug, Default)]
pub struct Papers {
    /// Repairs, with the lock-outs that they answer.
    pub repairs: Vec<(EntryId, Vec<LockoutId>)>,
    /// Inspections after a repair.
    pub after_repair: Vec<(EntryId, EntryId)>,
    /// Inspections that name lock-outs.
    pub naming: Vec<(EntryId, Vec<LockoutId>)>,
    /// Everything else that can be cited.
    pub entries: Vec<EntryId>,
}

/// Somebody who writes, and what.
pub struct Written {
    /// Who.
    pub by: PersonId,
    /// What.
    pub body: Body,
}

/// The bodies of a clamp's first two entries.
pub fn first_entries(town: &Town, number: usize, chance: &mut Chance) -> [Written; 2] {
    let yard = chance.pick(&town.yards);
    let registered = Registered {
        asset_mark: format!("HMW-{number}"),
        serial_number: Some(format!("S{number}")),
        model_id: town.model_id,
        yard_id: yard,
        service_class: chance.pick(&[ServiceClass::Normal, ServiceClass::Heavy, ServiceClass::Severe]),
        direction: None,
        manufactured_on: None,
        put_into_service_on: None,
        never_used_before: None,
        declaration: None,
        examination_scheme: None,
        wll: None,
        jaw_opening: None,
    };
    let initial = complete(town, InspectionKind::Initial, None);
    [
        Written {
            by: person(town, "lead"),
            body: registered.into(),
        },
        Written {
            by: person(town, "inspector"),
            body: initial.into(),
        },
    ]
}

fn person(_: &Town, name: &str) -> PersonId {
    super::town::named(name)
}

/// An inspection that accepts everything it has to ask.
pub fn complete(town: &Town, kind: InspectionKind, reason: Option<ExceptionalReason>) -> Inspected {
    let scope = match rule_set::current(RuleSetName::UsB3020).scope(kind, reason) {
        Scope::Dismantled if kind == InspectionKind::Exceptional => Scope::CrackTest,
        _ if reason == Some(ExceptionalReason::Precaution) => Scope::Frequent,
        scope => scope,
    };
    let opened_up = (scope >= Scope::Dismantled).then_some(true);
    Inspected {
        inspection_kind: kind,
        findings: criteria::asked(scope, Some(&town.model))
            .filter(|(_, mandatory)| *mandatory)
            .map(|(criterion, _)| finding(&criterion.code, Outcome::Accept))
            .collect(),
        after_repair_of: None,
        lockouts: Vec::new(),
        bulletin: None,
        exceptional_reason: reason,
        dismantled: opened_up,
        crack_tested: opened_up,
        no_crack_test_reason: None,
        basis: None,
        next_latest_date: None,
        premises: None,
        safe_to_operate: None,
    }
}

fn finding(criterion: &str, outcome: Outcome) -> Finding {
    Finding {
        criterion: criterion.to_owned(),
        outcome,
        grade: None,
        by_date: None,
        measured: None,
        uncertainty: None,
        place: None,
        put_right: None,
        note: None,
        photos: Vec::new(),
    }
}

fn reject(inspected: &mut Inspected, criterion: &str) {
    inspected
        .findings
        .retain(|finding| finding.criterion != criterion);
    inspected.findings.push(finding(criterion, Outcome::Reject));
}

/// What somebody writes about a clamp at an instant; `state` is what the tablet shows of it.
pub fn write(
    town: &Town,
    state: Option<&ClampState>,
    papers: &Papers,
    now: Timestamp,
    chance: &mut Chance,
) -> Written {
    let by = |name: &str| person(town, name);
    let open: Vec<_> = state.map(ClampState::open_lockouts).unwrap_or_default();
    let any_entry = |chance: &mut Chance| {
        if papers.entries.is_empty() {
            EntryId::new(chance.id())
        } else {
            chance.pick(&papers.entries)
        }
    };
    let (by, body): (PersonId, Body) = match chance.below(100) {
        0..=21 => {
            let kind = chance.pick(&[
                InspectionKind::Frequent,
                InspectionKind::Frequent,
                InspectionKind::Periodic,
            ]);
            let mut body = complete(town, kind, None);
            if chance.one_in(4) {
                reject(&mut body, chance.pick(&ASKED));
            }
            if chance.one_in(4) {
                let tenths = 270 + chance.below(40);
                if let Some(eye) = body
                    .findings
                    .iter_mut()
                    .find(|finding| finding.criterion == "shackle_eye_worn")
                {
                    eye.measured =
                        Some(Length::parse(&format!("{}.{}", tenths / 10, tenths % 10), "mm").unwrap());
                }
            }
            (
                by(chance.pick(&["inspector", "other_inspector", "designated"])),
                body.into(),
            )
        }
        22..=31 => {
            let reason = chance.pick(&[
                LockoutReason::Dropped,
                LockoutReason::Precaution,
                LockoutReason::ShockSuspected,
                LockoutReason::EveryLiftCheckFailed,
            ]);
            let body = TaggedOut {
                reason,
                note: None,
                photos: Vec::new(),
                bulletin: None,
                lift_check: None,
            };
            (by(chance.pick(&["operator", "lead", "inspector"])), body.into())
        }
        32..=41 => {
            let defects: Vec<_> = open
                .iter()
                .filter(|lockout| lockout.criterion.is_some())
                .collect();
            let component = defects
                .first()
                .map_or(Component::Shackle, |lockout| lockout.component);
            let answers: Vec<LockoutId> = defects
                .iter()
                .filter(|lockout| lockout.component == component)
                .map(|lockout| lockout.id)
                .collect();
            (
                by(chance.pick(&["technician", "all_round"])),
                repair(component, answers, chance).into(),
            )
        }
        42..=51 => match papers.repairs.is_empty() {
            false => {
                let mut body = complete(town, InspectionKind::AfterRepair, None);
                body.after_repair_of = Some(papers.repairs[chance.below(papers.repairs.len())].0);
                (by(chance.pick(&["inspector", "other_inspector"])), body.into())
            }
            true => (
                by("inspector"),
                complete(town, InspectionKind::Frequent, None).into(),
            ),
        },
        52..=59 => {
            let mut body = complete(town, InspectionKind::Exceptional, Some(ExceptionalReason::Shock));
            body.lockouts = open
                .iter()
                .filter(|lockout| lockout.criterion.is_none())
                .map(|lockout| lockout.id)
                .collect();
            (by("inspector"), body.into())
        }
        60..=72 => {
            let mut releases: Vec<Release> = open.iter().map(|lockout| release(lockout, papers)).collect();
            if chance.one_in(3) && releases.len() > 1 {
                releases.truncate(1);
            }
            if releases.is_empty() {
                releases.push(nothing(LockoutId::new(chance.id()), Ground::InspectedFit));
            }
            (
                by(chance.pick(&["lead", "safety", "lead", "designated"])),
                ReturnedToService { releases }.into(),
            )
        }
        73..=85 => {
            let body = Used {
                from: now - i64::try_from(1 + chance.below(600)).unwrap().seconds(),
                lifts: 1 + u32::try_from(chance.below(20)).unwrap(),
                heaviest_load: Some(Mass::parse(&(1000 + chance.below(2300)).to_string(), "kg").unwrap()),
                mean_load: None,
                abnormal_conditions: Vec::new(),
                against_stop: Vec::new(),
            };
            (by("operator"), body.into())
        }
        86..=88 => {
            let body = Transferred {
                to_yard: chance.pick(&town.yards),
                replaces: chance.one_in(2).then(|| any_entry(chance)),
                note: None,
            };
            (by("lead"), body.into())
        }
        89..=91 => {
            let body = Issued {
                issued_to: Some(by("operator")),
                issued_to_name: None,
            };
            (by("lead"), body.into())
        }
        92 => (by("lead"), Received { note: None }.into()),
        93 => {
            let body = Classified {
                service_class: chance.pick(&[
                    ServiceClass::Normal,
                    ServiceClass::Heavy,
                    ServiceClass::Severe,
                ]),
                replaces: chance.one_in(2).then(|| any_entry(chance)),
                direction: None,
            };
            (by(chance.pick(&["safety", "lead"])), body.into())
        }
        94..=95 => {
            let body = ProofTested {
                load: Mass::parse(&(3000 + chance.below(1200)).to_string(), "kg").unwrap(),
                result: if chance.one_in(5) {
                    ProofTestResult::Failed
                } else {
                    ProofTestResult::Passed
                },
                certificate_number: None,
                document: None,
                maker_document: None,
            };
            (by("technician"), body.into())
        }
        96..=97 => {
            let body = Amended {
                cites: any_entry(chance),
                field: AmendmentField::SerialNumber,
                value: serde_json::json!(format!("T{:x}", chance.number())),
                reason: "written down wrongly".to_owned(),
                document: Some("plate.jpg".to_owned()),
            };
            (by("inspector"), body.into())
        }
        98 => {
            let confirms = any_entry(chance);
            (by("safety"), Confirmed { confirms }.into())
        }
        _ => {
            let body = Retired {
                reason: "worn".to_owned(),
                made_unusable: None,
                witness: None,
            };
            (
                by("safety"),
                if chance.one_in(10) {
                    body.into()
                } else {
                    Received { note: None }.into()
                },
            )
        }
    };
    Written { by, body }
}

fn repair(component: Component, answers: Vec<LockoutId>, chance: &mut Chance) -> Repaired {
    Repaired {
        components: vec![component],
        answers,
        parts: vec![Part {
            component,
            part_number: "17".to_owned(),
            lot: None,
            from_original_maker: !chance.one_in(12),
        }],
        work: "renewed".to_owned(),
        statement_document: Some("statement.pdf".to_owned()),
    }
}

const fn nothing(lockout_id: LockoutId, ground: Ground) -> Release {
    Release {
        lockout_id,
        ground,
        repair_entry: None,
        inspection_entry: None,
        proof_test_entry: None,
        correction_entry: None,
        maker_document: None,
        statement: None,
    }
}

/// A release as somebody signs it who looked for the papers.
fn release(lockout: &clampward_domain::lockout::Lockout, papers: &Papers) -> Release {
    let inspection_of = |repair: EntryId| {
        let of = papers.after_repair.iter().rev().find(|(_, of)| *of == repair);
        of.map(|(inspection, _)| *inspection)
    };
    if lockout.criterion.is_some() {
        let repair = papers
            .repairs
            .iter()
            .rev()
            .find(|(_, answers)| answers.contains(&lockout.id));
        let ground = match lockout.criterion.as_deref() {
            Some("body_distorted") => Ground::Restored,
            _ => Ground::Repaired,
        };
        let mut release = nothing(lockout.id, ground);
        release.repair_entry = repair.map(|(repair, _)| *repair);
        release.inspection_entry = repair.and_then(|(repair, _)| inspection_of(*repair));
        return release;
    }
    if lockout.reason == Some(LockoutReason::NotReinspected) {
        let mut release = nothing(lockout.id, Ground::Reinspected);
        release.inspection_entry = inspection_of(lockout.opened_by_entry);
        return release;
    }
    let mut release = nothing(lockout.id, Ground::InspectedFit);
    let named = papers
        .naming
        .iter()
        .rev()
        .find(|(_, named)| named.contains(&lockout.id));
    release.inspection_entry = named.map(|(inspection, _)| *inspection);
    release
}

impl Papers {
    /// Files what was written.
    pub fn file(&mut self, id: EntryId, body: &Body) {
        match body {
            Body::Repaired(repaired) => self.repairs.push((id, repaired.answers.clone())),
            Body::Inspected(inspected) => {
                if let Some(repair) = inspected.after_repair_of {
                    self.after_repair.push((id, repair));
                }
                if !inspected.lockouts.is_empty() {
                    self.naming.push((id, inspected.lockouts.clone()));
                }
            }
            _ => {}
        }
        self.entries.push(id);
    }
}

/// The lock-outs that an entry opens whatever else is known: of the tag-out, of each rejected finding, of a repair.
pub fn opens(id: EntryId, body: &Body) -> Vec<LockoutId> {
    match body {
        Body::TaggedOut(tagged) => vec![lockout_id(id, tagged.reason.code(), "")],
        Body::Repaired(_) => vec![lockout_id(id, "not_reinspected", "")],
        Body::Inspected(inspected) => {
            let rejected = inspected
                .findings
                .iter()
                .filter(|finding| finding.outcome == Outcome::Reject);
            rejected
                .map(|finding| lockout_id(id, &finding.criterion, finding.place.as_deref().unwrap_or("")))
                .collect()
        }
        _ => Vec::new(),
    }
}

/// The lock-outs that an entry names as released.
pub fn names(body: &Body) -> Vec<LockoutId> {
    match body {
        Body::ReturnedToService(returned) => returned
            .releases
            .iter()
            .map(|release| release.lockout_id)
            .collect(),
        _ => Vec::new(),
    }
}
