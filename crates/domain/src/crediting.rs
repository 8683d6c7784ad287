//! What an inspection counts for: whether it is credited, which clocks it starts, and if not, every reason why.
//!
//! A rejection bars whether or not the inspection is credited; this module only decides about crediting.

use crate::criteria::Scope;
use crate::entry::{Body, Entry, Inspected};
use crate::finding::{JudgedInspection, Readings, basis, day_of, judge_in_scope, judge_inspection};
use crate::fold::{Elsewhere, Evidence};
use crate::reference::{Person, Reference};
use crate::words::{CompetenceKind, ExaminationBasis, ExceptionalReason, InspectionKind, RuleSetName};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// Why an inspection is not credited.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct NotCredited {
    /// Stable code.
    pub code: NotCreditedCode,
    /// In words.
    pub detail: String,
}

/// Codes of [`NotCredited`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum NotCreditedCode {
    /// Not signed by the person who made it for a clamp of their yards, or placed by hand.
    NotSigned,
    /// Judged by a yard in which the clamp had not been by then, or by a model that it is not shown to be.
    JudgedElsewhere,
    /// A mandatory criterion has no answer.
    Incomplete,
    /// A finding bars.
    Rejected,
    /// The person's competence was not valid that day.
    NotCompetent,
    /// An after-repair inspection that cites no known repair.
    RepairNotCited,
    /// Made by the person who made the repair.
    OwnRepair,
    /// After shock, overload, drop or heat: not dismantled.
    NotDismantled,
    /// Load-bearing parts neither crack-tested nor a reason given.
    NoCrackTest,
    /// LOLER reg. 9(3)(a)(ii) is not for lifting accessories.
    BasisRefused,
    /// "Safe to operate" together with a danger.
    SafeToOperateContradicted,
}

/// Which clocks a credited inspection starts.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Starts {
    /// The frequent clock.
    pub frequent: bool,
    /// The periodic clock.
    pub periodic: bool,
    /// The clock of thorough examinations.
    pub thorough: bool,
}

/// What knowledge of competences counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Known {
    /// Whatever is recorded now about that day.
    Now,
    /// Only what was recorded by then: later knowledge only tightens.
    By(Timestamp),
}

/// Whether a person was competent on the day of an entry.
pub fn competent(
    person: Option<&Person>,
    kind: CompetenceKind,
    entry: &Entry,
    known: Known,
    reference: &Reference,
) -> bool {
    let day = day_of(entry, reference);
    person.is_some_and(|person| match known {
        Known::Now => person.competent(kind, day),
        Known::By(instant) => person.competent_as_known(kind, day, instant),
    })
}

/// Decides about an inspection. `Err` holds every reason against it. `elsewhere` is what of its judgement is not the
/// clamp's ([`crate::fold::ClampState::elsewhere`]).
pub fn credit(
    entry: &Entry,
    inspected: &Inspected,
    elsewhere: Option<Elsewhere>,
    readings: &Readings,
    evidence: &Evidence,
    known: Known,
    reference: &Reference,
) -> Result<Starts, Vec<NotCredited>> {
    let judged = judge_inspection(entry, inspected, readings, reference);
    let mut against = Vec::new();
    let mut no = |code, detail: String| against.push(NotCredited { code, detail });
    if !entry.may_count() {
        no(
            NotCreditedCode::NotSigned,
            "not signed by the person who made it, or not from one of the clamp's yards".to_owned(),
        );
    }
    if let Some(elsewhere) = elsewhere {
        no(NotCreditedCode::JudgedElsewhere, elsewhere.detail().to_owned());
    }
    if !judged.is_complete() {
        no(
            NotCreditedCode::Incomplete,
            format!("no answer to {}", judged.missing.join(", ")),
        );
    }
    if !judged.nothing_bars {
        no(
            NotCreditedCode::Rejected,
            format!("rejected: {}", rejected(&judged).join(", ")),
        );
    }
    let person = reference.people.get(&entry.performed_by);
    let rules = basis(entry, reference).rules;
    let precaution = inspected.inspection_kind == InspectionKind::Exceptional
        && inspected.exceptional_reason == Some(ExceptionalReason::Precaution);
    let needed = rules.credited_by(inspected.inspection_kind).competence;
    let qualified = competent(person, CompetenceKind::QualifiedPerson, entry, known, reference);
    let able = competent(person, needed, entry, known, reference)
        // A qualified person is more than a designated one.
        || qualified
        || (precaution && competent(person, CompetenceKind::DesignatedPerson, entry, known, reference));
    if !able {
        let day = day_of(entry, reference);
        no(
            NotCreditedCode::NotCompetent,
            format!("no valid competence {needed} on {day}"),
        );
    }
    repair_conditions(entry, inspected, evidence, reference, &mut no);
    if rules.must_be_dismantled(inspected.exceptional_reason)
        && inspected.inspection_kind == InspectionKind::Exceptional
    {
        if inspected.dismantled != Some(true) {
            no(
                NotCreditedCode::NotDismantled,
                "the clamp has to be taken apart and its inside looked at".to_owned(),
            );
        }
        let excused = inspected
            .no_crack_test_reason
            .as_deref()
            .is_some_and(|reason| !reason.trim().is_empty());
        if inspected.crack_tested != Some(true) && !excused {
            no(
                NotCreditedCode::NoCrackTest,
                "crack-test the load-bearing parts, or give the qualified person's reason for none"
                    .to_owned(),
            );
        }
    }
    if inspected.basis == Some(ExaminationBasis::LimbIi) {
        no(
            NotCreditedCode::BasisRefused,
            "LOLER reg. 9(3)(a)(ii), twelve months, is not for lifting accessories such as clamps".to_owned(),
        );
    }
    if inspected.safe_to_operate == Some(true) && !judged.nothing_bars {
        no(
            NotCreditedCode::SafeToOperateContradicted,
            "\"safe to operate\" together with a danger".to_owned(),
        );
    }
    if !against.is_empty() {
        return Err(against);
    }
    Ok(starts(entry, inspected, qualified, readings, reference))
}

fn rejected<'a>(judged: &JudgedInspection<'a>) -> Vec<&'a str> {
    let barring = judged
        .findings
        .iter()
        .filter(|(_, judged)| judged.rejected.is_some());
    barring.map(|(finding, _)| finding.criterion.as_str()).collect()
}

fn repair_conditions(
    entry: &Entry,
    inspected: &Inspected,
    evidence: &Evidence,
    reference: &Reference,
    no: &mut impl FnMut(NotCreditedCode, String),
) {
    if inspected.inspection_kind != InspectionKind::AfterRepair {
        return;
    }
    let repair = inspected
        .after_repair_of
        .and_then(|id| evidence.get(&id))
        .filter(|repair| matches!(repair.body, Body::Repaired(_)) && repair.clamp_id == entry.clamp_id);
    match repair {
        None => no(
            NotCreditedCode::RepairNotCited,
            "an after-repair inspection names the repair of this clamp that it follows".to_owned(),
        ),
        Some(repair) => {
            let independent = basis(entry, reference)
                .yard
                .is_none_or(|yard| yard.independent_reinspection);
            if independent && repair.performed_by == entry.performed_by {
                no(
                    NotCreditedCode::OwnRepair,
                    "the re-inspection is by another qualified person than the one who made the repair"
                        .to_owned(),
                );
            }
        }
    }
}

fn starts(
    entry: &Entry,
    inspected: &Inspected,
    qualified: bool,
    readings: &Readings,
    reference: &Reference,
) -> Starts {
    let periodic_scope =
        || qualified && judge_in_scope(entry, inspected, Scope::Periodic, readings, reference).is_accepted();
    let periodic = match inspected.inspection_kind {
        InspectionKind::Initial | InspectionKind::Periodic | InspectionKind::AfterRepair => true,
        InspectionKind::Frequent | InspectionKind::PreLift | InspectionKind::PostLift => false,
        InspectionKind::Exceptional => {
            inspected.exceptional_reason != Some(ExceptionalReason::Precaution) || periodic_scope()
        }
    };
    // Whatever it is called: a thorough examination is of periodic scope.
    let thorough =
        inspected.basis.is_some() && entry.judged_by.rule_set == RuleSetName::GbLoler && periodic_scope();
    Starts {
        frequent: true,
        periodic,
        thorough,
    }
}
