//! Reference data and histories for the rules' tests: invented yards, models and people, ids that follow from names.
//!
//! Nothing here decides anything: it only writes entries down the way a yard would.
#![allow(
    dead_code,
    clippy::unwrap_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "helpers of tests, of which each test crate uses a part"
)]

mod history;

pub use history::{History, release};

use clampward_domain::bulletin::{Bulletin, BulletinClass, BulletinScope, Opened};
use clampward_domain::calendar::Zone;
use clampward_domain::criteria::{self, Scope};
use clampward_domain::entry::{Finding, Inspected};
use clampward_domain::ids::{CompetenceId, ModelId, PersonId, YardId};
use clampward_domain::quantity::{Length, Mass, Range};
use clampward_domain::reference::{
    Competence, Grant, Intervals, Model, Person, Reference, Version, Versions, WearPoint, Yard, YardScope,
};
use clampward_domain::rule_set;
use clampward_domain::words::{
    ClampKind, CompetenceKind, ExceptionalReason, InspectionKind, Outcome, ProofTestPolicy, Role, RuleSetName,
};
use jiff::Timestamp;
use jiff::civil::Date;
use std::sync::Arc;
use uuid::Uuid;

/// An id that follows from a name.
pub fn id<T: From<Uuid>>(name: &str) -> T {
    Uuid::new_v5(&Uuid::NAMESPACE_OID, name.as_bytes()).into()
}
/// An instant, for example `2025-03-15T09:00Z`.
pub fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}
pub fn day(text: &str) -> Date {
    text.parse().unwrap()
}
pub fn kg(value: &str) -> Mass {
    Mass::parse(value, "kg").unwrap()
}
pub fn mm(value: &str) -> Length {
    Length::parse(value, "mm").unwrap()
}

/// Yards: two in the United States, one in Scotland, one in Germany.
pub const YARDS: [(&str, &str, RuleSetName); 4] = [
    ("houston", "America/Chicago", RuleSetName::UsB3020),
    ("erie", "America/New_York", RuleSetName::UsB3020),
    ("leith", "Europe/London", RuleSetName::GbLoler),
    ("emden", "Europe/Berlin", RuleSetName::DeDguv),
];

/// Who works there, with which roles and competences.
const PEOPLE: [(&str, &[Role], &[CompetenceKind]); 11] = {
    use CompetenceKind::{DesignatedPerson as D, QualifiedPerson as Q, RepairTechnician as T};
    [
        ("inspector", &[Role::Inspector], &[D, Q]),
        ("other_inspector", &[Role::Inspector], &[D, Q]),
        ("designated", &[Role::Inspector], &[D]),
        ("technician", &[Role::Technician], &[T]),
        ("all_round", &[Role::Technician, Role::YardLead], &[D, Q, T]),
        ("lead", &[Role::YardLead], &[D, Q]),
        ("unqualified_lead", &[Role::YardLead], &[]),
        ("safety", &[Role::Safety], &[D, Q]),
        ("other_safety", &[Role::Safety], &[D, Q]),
        ("operator", &[Role::Operator], &[]),
        ("lapsed", &[Role::Inspector], &[]),
    ]
};

/// Reference data that a test may bend.
#[derive(Clone)]
pub struct World {
    pub reference: Reference,
}

impl World {
    pub fn new() -> Self {
        let mut reference = Reference::default();
        for (code, zone, rule_set) in YARDS {
            reference
                .yards
                .insert(id(code), first(yard(code, zone, rule_set)));
        }
        reference.models.insert(id("GF-3"), first(model()));
        reference.bulletins.insert(id("bulletin 7"), opened(bulletin()));
        for (name, roles, kinds) in PEOPLE {
            let mut person = Person {
                name: name.to_owned(),
                grants: vec![Grant {
                    recorded_at: at("2020-01-01T00:00Z"),
                    roles: roles.to_vec(),
                    yards: YardScope::All,
                }],
                competences: Vec::new(),
            };
            for kind in kinds {
                person
                    .competences
                    .push(competence(name, *kind, "2020-01-01", None, "2020-01-01T00:00Z"));
            }
            reference.people.insert(id(name), person);
        }
        let mut world = Self { reference };
        world.grant(
            "lapsed",
            CompetenceKind::QualifiedPerson,
            Some("2025-02-28"),
            "2020-01-01T00:00Z",
        );
        world.grant(
            "lapsed",
            CompetenceKind::DesignatedPerson,
            Some("2025-02-28"),
            "2020-01-01T00:00Z",
        );
        world
    }
    /// Changes the bulletin.
    pub fn bulletin(mut self, change: impl FnOnce(&mut Bulletin)) -> Self {
        let opened = self.reference.bulletins.get_mut(&id("bulletin 7")).unwrap();
        change(Arc::make_mut(&mut opened.bulletin));
        self
    }
    /// With another model: like the first one, but for a change.
    pub fn other_model(mut self, code: &str, change: impl FnOnce(&mut Model)) -> Self {
        let mut versions = self.reference.models[&id::<ModelId>("GF-3")].clone();
        let other = Arc::make_mut(&mut versions.0[0].value);
        other.model = code.to_owned();
        change(other);
        self.reference.models.insert(id(code), versions);
        self
    }
    /// Changes a yard's only version.
    pub fn yard(mut self, code: &str, change: impl FnOnce(&mut Yard)) -> Self {
        let versions = self.reference.yards.get_mut(&id::<YardId>(code)).unwrap();
        change(Arc::make_mut(&mut versions.0[0].value));
        self
    }
    /// A further version of a yard, from an instant on.
    pub fn yard_from(mut self, code: &str, from: &str, change: impl FnOnce(&mut Yard)) -> Self {
        let versions = self.reference.yards.get_mut(&id::<YardId>(code)).unwrap();
        add_version(versions, from, change);
        self
    }
    pub fn model(mut self, change: impl FnOnce(&mut Model)) -> Self {
        let versions = self.reference.models.get_mut(&id::<ModelId>("GF-3")).unwrap();
        change(Arc::make_mut(&mut versions.0[0].value));
        self
    }
    pub fn model_from(mut self, from: &str, change: impl FnOnce(&mut Model)) -> Self {
        let versions = self.reference.models.get_mut(&id::<ModelId>("GF-3")).unwrap();
        add_version(versions, from, change);
        self
    }
    /// Records a competence, valid from 2020 on.
    pub fn grant(&mut self, person: &str, kind: CompetenceKind, until: Option<&str>, recorded_at: &str) {
        let record = competence(person, kind, "2020-01-01", until, recorded_at);
        self.person_mut(person).competences.push(record);
    }
    pub fn person_mut(&mut self, person: &str) -> &mut Person {
        self.reference.people.get_mut(&id::<PersonId>(person)).unwrap()
    }
}

fn first<T>(value: T) -> Versions<T> {
    Versions(vec![version(1, "2020-01-01T00:00Z", value)])
}
fn version<T>(number: u32, from: &str, value: T) -> Version<T> {
    Version {
        version: number,
        from: at(from),
        recorded_at: at(from),
        recorded_by: id("administrator"),
        value: Arc::new(value),
    }
}
fn add_version<T: Clone>(versions: &mut Versions<T>, from: &str, change: impl FnOnce(&mut T)) {
    let mut value = versions.0.last().unwrap().value.as_ref().clone();
    change(&mut value);
    let number = u32::try_from(versions.0.len()).unwrap() + 1;
    versions.0.push(version(number, from, value));
}

fn competence(
    person: &str,
    kind: CompetenceKind,
    from: &str,
    until: Option<&str>,
    recorded_at: &str,
) -> Competence {
    Competence {
        id: id::<CompetenceId>(&format!("{person} {kind} {recorded_at}")),
        kind,
        valid_from: day(from),
        valid_until: until.map(day),
        recorded_at: at(recorded_at),
        recorded_by: id("administrator"),
        revoked: None,
    }
}

fn yard(code: &str, zone: &str, rule_set: RuleSetName) -> Yard {
    Yard {
        code: code.to_owned(),
        name: format!("Halvorsund Marine Works {code}"),
        time_zone: Zone::named(zone).unwrap(),
        rule_set,
        intervals: Intervals::default(),
        proof_test_policy: ProofTestPolicy::NotRequired,
        independent_reinspection: true,
        knowledge_limit: clampward_domain::calendar::Interval::Hours(8),
        records_use: false,
        abnormal_conditions: Vec::new(),
        keep_photo_originals: false,
        notices: clampward_domain::notice::NoticePolicy::default(),
    }
}

fn opened(bulletin: Bulletin) -> Opened {
    Opened {
        bulletin: Arc::new(bulletin),
        position: 1,
        opened_at: at("2025-01-20T15:00Z"),
        opened_by: id("safety"),
        held_at: Some(at("2025-01-20T15:00Z")),
        failed: std::collections::BTreeSet::new(),
        closed_at: None,
    }
}

/// About every clamp of the model.
fn bulletin() -> Bulletin {
    Bulletin {
        code: "GF-SB-7".to_owned(),
        title: "Pins of one melt".to_owned(),
        issued_by: "Greywater Forge".to_owned(),
        issued_on: day("2025-01-19"),
        class: BulletinClass::InspectBeforeUse,
        text: "Look for bent pins.".to_owned(),
        scope: BulletinScope {
            models: vec![id("GF-3")],
            ..BulletinScope::default()
        },
        checks: vec!["pin_bent".to_owned()],
        remedy: None,
    }
}

fn model() -> Model {
    let point = |criterion: &str, nominal: &str| WearPoint {
        criterion: criterion.to_owned(),
        nominal: mm(nominal),
        limit_percent: None,
        maker_document: None,
    };
    Model {
        maker: "Greywater Forge".to_owned(),
        model: "GF-3".to_owned(),
        kind: ClampKind::Vertical,
        wll: kg("3000"),
        jaw_opening: Range {
            min: mm("0"),
            max: mm("40"),
        },
        minimum_load_percent: None,
        hardness_limit_hb: None,
        temperature: None,
        inspection_intervals: None,
        lock: None,
        eye: None,
        custom_design: false,
        stack_lifting: false,
        without_criteria: Vec::new(),
        wear_points: vec![
            point("shackle_eye_worn", "30.0"),
            point("pin_worn", "25.0"),
            point("throat_opened", "50.0"),
        ],
        lift_ratings: Vec::new(),
    }
}

/// An inspection that accepts every mandatory criterion of its scope under a rule set.
pub fn complete(
    rules: RuleSetName,
    model: Option<&Model>,
    kind: InspectionKind,
    reason: Option<ExceptionalReason>,
) -> Inspected {
    let scope = match rule_set::current(rules).scope(kind, reason) {
        Scope::Dismantled if kind == InspectionKind::Exceptional => Scope::CrackTest,
        _ if reason == Some(ExceptionalReason::Precaution) => Scope::Frequent,
        scope => scope,
    };
    let opened_up = (scope >= Scope::Dismantled).then_some(true);
    Inspected {
        inspection_kind: kind,
        findings: criteria::asked(scope, model)
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

pub fn finding(criterion: &str, outcome: Outcome) -> Finding {
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

/// The finding of a criterion in an inspection; added if it was not asked.
pub fn answer<'a>(inspected: &'a mut Inspected, criterion: &str) -> &'a mut Finding {
    let known = inspected
        .findings
        .iter()
        .position(|finding| finding.criterion == criterion);
    let index = known.unwrap_or_else(|| {
        inspected.findings.push(finding(criterion, Outcome::Accept));
        inspected.findings.len() - 1
    });
    &mut inspected.findings[index]
}
