//! An invented company: two yards, a model, people with their roles and competences, and clamps in any state.

use super::{Bench, id};
use clampward_domain::bulletin::Bulletin;
use clampward_domain::criteria::{Scope, criteria};
use clampward_domain::entry::{
    Body, Finding, Inspected, Part, Registered, Release, Repaired, ReturnedToService, TaggedOut, Transferred,
};
use clampward_domain::ids::{ClampId, CompetenceId, DeviceId, EntryId, LockoutId, ModelId, PersonId, YardId};
use clampward_domain::reference::{Model, Yard, YardScope};
use clampward_domain::words::{
    CompetenceKind, Component, Ground, InspectionKind, LockoutReason, Outcome, Role, ServiceClass,
};
use clampward_store::people::{AccountBody, AccountKind, CompetenceBody};
use clampward_store::{Author, Mode, NewEntry, RecordError, Recorded, Recording};
use std::sync::atomic::{AtomicU64, Ordering};
use uuid::Uuid;

/// The company.
pub struct World {
    pub bench: Bench,
    next: AtomicU64,
}

pub const NORTH: YardId = YardId::new(Uuid::from_u128(0xa1));
pub const SOUTH: YardId = YardId::new(Uuid::from_u128(0xa2));
pub const MODEL: ModelId = ModelId::new(Uuid::from_u128(0xb1));
pub const OTHER_MAKERS_MODEL: ModelId = ModelId::new(Uuid::from_u128(0xb2));
pub const ADMINISTRATOR: PersonId = PersonId::new(Uuid::from_u128(0xc0));
pub const LEAD: PersonId = PersonId::new(Uuid::from_u128(0xc1));
pub const INSPECTOR: PersonId = PersonId::new(Uuid::from_u128(0xc2));
pub const TECHNICIAN: PersonId = PersonId::new(Uuid::from_u128(0xc3));
pub const OPERATOR: PersonId = PersonId::new(Uuid::from_u128(0xc4));
pub const STRANGER: PersonId = PersonId::new(Uuid::from_u128(0xc5));
pub const LEADS_COMPETENCE: CompetenceId = CompetenceId::new(Uuid::from_u128(0xd1));
pub const INSPECTORS_COMPETENCE: CompetenceId = CompetenceId::new(Uuid::from_u128(0xd2));

impl World {
    pub async fn new() -> Self {
        Self::on(Bench::new().await).await
    }

    /// On a bench of one's own.
    pub async fn on(bench: Bench) -> Self {
        let world = Self {
            bench,
            next: AtomicU64::new(0x1_0000),
        };
        world.found().await;
        world
    }

    async fn found(&self) {
        let store = &self.bench.store;
        self.account(ADMINISTRATOR, "Admin", &[Role::Administrator], YardScope::All)
            .await;
        for (yard, code) in [(NORTH, "NOR"), (SOUTH, "SOU")] {
            let body: Yard = serde_json::from_value(serde_json::json!({
                "code": code, "name": format!("Halvorsund {code}"), "time_zone": "America/New_York", "rule_set": "us-b30.20"
            }))
            .unwrap();
            store
                .create_yard(self.uuid(), ADMINISTRATOR, yard, &body)
                .await
                .unwrap();
        }
        for (model, maker) in [(MODEL, "Ostvik Klammer"), (OTHER_MAKERS_MODEL, "Greywater Forge")] {
            let body: Model = serde_json::from_value(serde_json::json!({
                "maker": maker, "model": "OK 3", "kind": "vertical", "wll": {"value": "3000", "unit": "kg"},
                "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "40", "unit": "mm"}}
            }))
            .unwrap();
            store
                .create_model(self.uuid(), ADMINISTRATOR, model, &body)
                .await
                .unwrap();
        }
        let north = || YardScope::Some(vec![NORTH]);
        self.account(LEAD, "Lead", &[Role::YardLead, Role::Safety], YardScope::All)
            .await;
        self.account(INSPECTOR, "Inspector", &[Role::Inspector], north())
            .await;
        self.account(TECHNICIAN, "Technician", &[Role::Technician], north())
            .await;
        self.account(OPERATOR, "Operator", &[Role::Operator], north())
            .await;
        self.account(
            STRANGER,
            "Stranger",
            &[Role::Operator],
            YardScope::Some(vec![SOUTH]),
        )
        .await;
        self.competence(LEAD, CompetenceKind::QualifiedPerson, 0xd1).await;
        self.competence(INSPECTOR, CompetenceKind::QualifiedPerson, 0xd2)
            .await;
        self.competence(TECHNICIAN, CompetenceKind::RepairTechnician, 0xd3)
            .await;
    }

    /// An account of a person.
    pub async fn account(&self, person: PersonId, name: &str, roles: &[Role], yards: YardScope) {
        let body = AccountBody {
            kind: AccountKind::Person,
            email: format!("{}@example.test", name.to_lowercase()),
            name: name.to_owned(),
            roles: roles.to_vec(),
            yards,
            enabled: true,
        };
        self.bench
            .store
            .create_account(self.uuid(), ADMINISTRATOR, person, &body)
            .await
            .unwrap();
    }

    /// A device's account.
    pub async fn device(&self, device: DeviceId, name: &str, yards: YardScope) {
        let body = AccountBody {
            kind: AccountKind::Device,
            email: format!("{}@device.example.test", name.to_lowercase()),
            name: name.to_owned(),
            roles: vec![Role::Device],
            yards,
            enabled: true,
        };
        let account = PersonId::new(device.uuid());
        self.bench
            .store
            .create_account(self.uuid(), ADMINISTRATOR, account, &body)
            .await
            .unwrap();
    }

    /// A competence without an end.
    pub async fn competence(&self, person: PersonId, kind: CompetenceKind, number: u128) {
        let body = CompetenceBody {
            competence_id: CompetenceId::new(id(number)),
            kind,
            valid_from: "2020-01-01".parse().unwrap(),
            valid_until: None,
            evidence: None,
        };
        self.bench
            .store
            .record_competence(self.uuid(), ADMINISTRATOR, person, &body)
            .await
            .unwrap();
    }

    /// A new id.
    pub fn uuid(&self) -> Uuid {
        id(u128::from(self.next.fetch_add(1, Ordering::Relaxed)))
    }

    /// An entry that happens now.
    pub fn entry(&self, clamp: ClampId, by: PersonId, body: impl Into<Body>) -> NewEntry {
        NewEntry {
            id: EntryId::new(self.uuid()),
            clamp_id: clamp,
            performed_at: self.bench.store.now(),
            performed_by: by,
            judged_by: None,
            body: body.into(),
        }
    }

    /// Hands one entry in, signed by who did it.
    pub async fn record(&self, mode: Mode, entry: NewEntry) -> Result<Recorded, RecordError> {
        let author = author(entry.performed_by);
        let recording = Recording {
            author,
            mode,
            entries: vec![entry],
        };
        self.bench
            .store
            .record(recording)
            .await
            .map(|mut all| all.remove(0))
    }

    /// Does one thing now that must be accepted.
    pub async fn does(&self, by: PersonId, clamp: ClampId, body: impl Into<Body>) -> Recorded {
        self.record(Mode::Refuse, self.entry(clamp, by, body))
            .await
            .unwrap()
    }

    /// A clamp that is registered in the north yard.
    pub async fn registered(&self, number: &str) -> ClampId {
        let clamp = ClampId::new(self.uuid());
        self.does(LEAD, clamp, registration(number)).await;
        clamp
    }

    /// A clamp that is fit.
    pub async fn in_service(&self, number: &str) -> ClampId {
        let clamp = self.registered(number).await;
        let inspected = self
            .does(INSPECTOR, clamp, inspection(InspectionKind::Initial))
            .await;
        assert_eq!(inspected.outcome.unwrap().not_credited, vec![]);
        assert!(inspected.state_now.unwrap().fit);
        clamp
    }
}

/// Who hands entries in, with the yards of their account.
pub fn author(person: PersonId) -> Author {
    let yards = match person {
        LEAD | ADMINISTRATOR => YardScope::All,
        STRANGER => YardScope::Some(vec![SOUTH]),
        _ => YardScope::Some(vec![NORTH]),
    };
    Author {
        person,
        signed: true,
        device: None,
        yards,
    }
}

pub fn registration(number: &str) -> Registered {
    serde_json::from_value(serde_json::json!({
        "asset_mark": format!("HM-{number}"), "serial_number": number, "model_id": MODEL, "yard_id": NORTH,
        "service_class": ServiceClass::Normal
    }))
    .unwrap()
}

/// Everything asked is accepted.
pub fn inspection(kind: InspectionKind) -> Inspected {
    let findings = criteria()
        .iter()
        .filter(|criterion| criterion.is_mandatory_in(Scope::Dismantled))
        .map(|criterion| serde_json::json!({"criterion": criterion.code, "outcome": Outcome::Accept}))
        .collect::<Vec<_>>();
    serde_json::from_value(serde_json::json!({"kind": kind, "findings": findings})).unwrap()
}

/// Everything is accepted but one criterion.
pub fn rejection(criterion: &str) -> Inspected {
    let mut inspected = inspection(InspectionKind::Frequent);
    let finding: &mut Finding = inspected
        .findings
        .iter_mut()
        .find(|finding| finding.criterion == criterion)
        .unwrap();
    finding.outcome = Outcome::Reject;
    inspected
}

pub fn tag_out(reason: LockoutReason) -> TaggedOut {
    TaggedOut {
        reason,
        note: None,
        photos: vec![],
        bulletin: None,
        lift_check: None,
    }
}

pub fn transfer(to_yard: YardId, replaces: EntryId) -> Transferred {
    Transferred {
        to_yard,
        replaces: Some(replaces),
        note: None,
    }
}

pub fn repair(component: Component, answers: LockoutId) -> Repaired {
    Repaired {
        components: vec![component],
        answers: vec![answers],
        parts: vec![Part {
            component,
            part_number: "OK-3-17".to_owned(),
            lot: None,
            from_original_maker: true,
        }],
        work: "renewed".to_owned(),
        statement_document: None,
    }
}

pub fn after_repair(repair: EntryId) -> Inspected {
    Inspected {
        after_repair_of: Some(repair),
        ..inspection(InspectionKind::AfterRepair)
    }
}

/// A return that names the lock-out repaired and the repair's own.
pub fn return_after(
    repair: EntryId,
    inspection: EntryId,
    repaired: LockoutId,
    not_reinspected: LockoutId,
) -> ReturnedToService {
    let release = |lockout_id, ground| Release {
        lockout_id,
        ground,
        repair_entry: Some(repair),
        inspection_entry: Some(inspection),
        proof_test_entry: None,
        correction_entry: None,
        maker_document: None,
        statement: None,
    };
    ReturnedToService {
        releases: vec![
            release(repaired, Ground::Repaired),
            release(not_reinspected, Ground::Reinspected),
        ],
    }
}

/// A bulletin about some numbers of a model: inspect before use.
pub fn about(model: ModelId, numbers: &[&str]) -> Bulletin {
    serde_json::from_value(serde_json::json!({
        "code": "OK-SB-1", "title": "Pins of one melt", "issued_by": "Ostvik Klammer", "issued_on": "2026-01-02",
        "class": "inspect_before_use", "text": "Look for bent pins before the next lift.",
        "scope": {"models": [model], "serials": {"numbers": numbers}}, "checks": ["pin_bent"]
    }))
    .unwrap()
}
