//! Inspections, routine ones and ordered ones, now and then with something wrong about them.

use crate::walk::Walk;
use clampward_domain::criteria::{self, Scope};
use clampward_domain::entry::{Finding, Inspected};
use clampward_domain::words::{
    ExaminationBasis, ExceptionalReason, Grade, InspectionKind, Outcome, RuleSetName,
};
use jiff::ToSpan;
use jiff::civil::Date;
use serde_json::{Map, Value, json};

/// Criteria that an inspector may reject: repairable parts mostly, one to restore, one without remedy.
const REJECTED: [&str; 7] = [
    "pin_bent",
    "spring_missing",
    "cam_teeth_dull",
    "shackle_bent",
    "pad_loose",
    "body_distorted",
    "body_plate_cracked",
];

/// An inspection to be made; what is not said is as it should be.
pub struct Look {
    pub kind: InspectionKind,
    pub by: &'static str,
    pub reason: Option<ExceptionalReason>,
    pub cites: Option<usize>,
    pub lockouts: Vec<clampward_domain::lockout::Lockout>,
    pub clean: bool,
}

impl Walk {
    /// A routine inspection, now and then with something wrong about it.
    pub fn routine(&mut self) {
        use InspectionKind::{Frequent, Initial, Periodic, PostLift, PreLift};
        let first = !self.facts.iter().any(|fact| fact["kind"] == "inspected");
        let kind = if first && self.chance.percent(75) {
            Initial
        } else {
            self.chance.pick(&[
                Frequent, Frequent, Frequent, Periodic, Periodic, Initial, PreLift, PostLift,
            ])
        };
        let by = match kind {
            Frequent | PreLift | PostLift => self.chance.pick(&["dan", "dan", "quinn", "quade", "olin"]),
            _ => self.chance.pick(&["quinn", "quade", "quade", "quinn", "dan"]),
        };
        let clean = self.chance.percent(78);
        self.look(Look {
            kind,
            by,
            reason: None,
            cites: None,
            lockouts: Vec::new(),
            clean,
        });
    }

    /// Writes an inspection.
    pub fn look(&mut self, look: Look) -> usize {
        let (kind, rules) = (look.kind, self.rule_set());
        let apart = look.reason.is_some_and(|reason| {
            use ExceptionalReason::{Drop, Heat, Overload, Shock};
            matches!(reason, Shock | Overload | Drop | Heat)
        });
        let incomplete = !look.clean && self.chance.percent(35);
        let crack_tested = apart && self.chance.percent(50);
        let no_crack_test_reason =
            (apart && !crack_tested && !incomplete).then(|| "aluminium-free body".to_owned());
        let through = match kind {
            InspectionKind::Frequent | InspectionKind::PreLift | InspectionKind::PostLift => Scope::Frequent,
            InspectionKind::Periodic if rules == RuleSetName::DeDguv => Scope::Dismantled,
            _ if apart => Scope::Dismantled,
            _ if look.reason == Some(ExceptionalReason::Precaution) && self.chance.percent(60) => {
                Scope::Frequent
            }
            _ => Scope::Periodic,
        };
        let narrow = incomplete && through > Scope::Frequent && self.chance.percent(50);
        let through = match through {
            Scope::Dismantled if narrow => Scope::Periodic,
            _ if narrow => Scope::Frequent,
            Scope::Dismantled if crack_tested => Scope::CrackTest,
            _ => through,
        };
        let today = self.today();
        let basis = self.basis(kind, rules);
        let next_latest_date = basis.and_then(|_| {
            let days = self.chance.between(20, 230).days();
            self.chance.percent(50).then(|| today.saturating_add(days))
        });
        let mut except = Map::new();
        let mut findings: Vec<Finding> = criteria::criteria()
            .iter()
            .filter(|criterion| criterion.scope <= through)
            .map(|criterion| accepted(&criterion.code))
            .collect();
        if incomplete && !narrow {
            let code = self.chance.pick(&REJECTED);
            self.put(&mut findings, &mut except, code, Outcome::NotChecked, None, None);
        } else if !look.clean {
            let code = self.chance.pick(&REJECTED);
            let grade = self.chance.maybe(
                85,
                &[Grade::Danger, Grade::DangerBy, Grade::DangerBy, Grade::Watch],
            );
            let days = self.chance.between(-2, 200).days();
            let by_date = (grade == Some(Grade::DangerBy)).then(|| today.saturating_add(days));
            let outcome = if grade == Some(Grade::Watch) {
                self.chance.pick(&[Outcome::Accept, Outcome::Reject])
            } else {
                Outcome::Reject
            };
            self.put(&mut findings, &mut except, code, outcome, grade, by_date);
        }
        let cites = look.cites.map(|number| self.entries[number].id);
        let named: Vec<Value> = look.lockouts.iter().map(|lockout| self.name(lockout)).collect();
        let bare = json!({ "inspection": kind, "accepted_through": through, "except": except, "cites": look.cites,
            "lockouts": named, "reason": look.reason, "dismantled": apart, "crack_tested": crack_tested,
            "no_crack_test_reason": no_crack_test_reason, "basis": basis, "next_latest_date": next_latest_date });
        let body = Inspected {
            inspection_kind: kind,
            findings,
            after_repair_of: cites,
            lockouts: look.lockouts.iter().map(|lockout| lockout.id).collect(),
            bulletin: None,
            exceptional_reason: look.reason,
            dismantled: apart.then_some(true),
            crack_tested: apart.then_some(crack_tested),
            no_crack_test_reason,
            basis,
            next_latest_date,
            premises: basis.map(|_| "Dock 2".to_owned()),
            safe_to_operate: basis.map(|_| look.clean),
        };
        self.record(look.by, body.into(), bare)
    }

    fn basis(&mut self, kind: InspectionKind, rules: RuleSetName) -> Option<ExaminationBasis> {
        use ExaminationBasis::{FirstUse, LimbI, LimbIi, LimbIii, LimbIv};
        if rules != RuleSetName::GbLoler {
            return None;
        }
        match kind {
            InspectionKind::Initial => self.chance.maybe(90, &[FirstUse]),
            InspectionKind::Periodic => self.chance.maybe(90, &[LimbI, LimbI, LimbI, LimbIii, LimbIi]),
            InspectionKind::AfterRepair | InspectionKind::Exceptional => self.chance.maybe(50, &[LimbIv]),
            InspectionKind::Frequent => self.chance.maybe(15, &[LimbI, LimbIv]),
            InspectionKind::PreLift | InspectionKind::PostLift => None,
        }
    }

    fn put(
        &self,
        findings: &mut [Finding],
        except: &mut Map<String, Value>,
        code: &str,
        outcome: Outcome,
        grade: Option<Grade>,
        by_date: Option<Date>,
    ) {
        for finding in findings.iter_mut().filter(|finding| finding.criterion == code) {
            (finding.outcome, finding.grade, finding.by_date) = (outcome, grade, by_date);
        }
        except.insert(
            code.to_owned(),
            json!({ "outcome": outcome, "grade": grade, "by_date": by_date }),
        );
    }
}

fn accepted(code: &str) -> Finding {
    Finding {
        criterion: code.to_owned(),
        outcome: Outcome::Accept,
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
