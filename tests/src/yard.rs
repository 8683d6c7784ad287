//! A small yard to write in: reference data and people, made through the store.

use argon2::{Argon2, PasswordHasher};
use clampward_domain::criteria;
use clampward_domain::ids::{ClampId, CompetenceId, EntryId, ModelId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::rule_set;
use clampward_domain::words::{CompetenceKind, InspectionKind, Role, RuleSetName};
use clampward_store::people::{AccountBody, AccountKind, CompetenceBody, SetPasswordToken};
use clampward_store::{Author, Clock, Mode, NewEntry, Recorded, Recording, Store, StoreOptions};
use jiff::{Timestamp, ToSpan};
use std::sync::Arc;
use uuid::Uuid;

/// The yard.
pub const YARD: YardId = YardId::new(Uuid::from_u128(0xa1));
/// Its model.
pub const MODEL: ModelId = ModelId::new(Uuid::from_u128(0xb1));
/// Its one person: inspector, yard lead and safety at once, for tests that are not about who may do what.
pub const PERSON: PersonId = PersonId::new(Uuid::from_u128(0xc1));
/// Their e-mail address.
pub const EMAIL: &str = "kim.berg@halvorsund.example";
/// Their password.
pub const PASSWORD: &str = "five plain words do nicely";

struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }
}

/// A yard with its store.
pub struct TestYard {
    /// The store.
    pub store: Store,
}

impl TestYard {
    /// Founds the yard in a fresh database.
    pub async fn found(service_url: &str) -> Self {
        let options = StoreOptions {
            url: service_url.to_owned(),
            max_connections: 8,
            clock: Arc::new(SystemClock),
        };
        let store = Store::connect(options).await.unwrap();
        let yard = serde_json::from_value(serde_json::json!({
            "code": "NOR", "name": "Halvorsund North", "time_zone": "America/New_York", "rule_set": "us-b30.20"
        }))
        .unwrap();
        store.create_yard(id(1), PERSON, YARD, &yard).await.unwrap();
        let model = serde_json::from_value(serde_json::json!({
            "maker": "Ostvik Klammer", "model": "OK 3", "kind": "vertical", "wll": {"value": "3000", "unit": "kg"},
            "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "40", "unit": "mm"}}
        }))
        .unwrap();
        store.create_model(id(2), PERSON, MODEL, &model).await.unwrap();
        let account = AccountBody {
            kind: AccountKind::Person,
            email: EMAIL.to_owned(),
            name: "Kim Berg".to_owned(),
            roles: vec![Role::Inspector, Role::YardLead, Role::Safety, Role::Operator],
            yards: YardScope::All,
            enabled: true,
        };
        let administrator = PersonId::new(id(3));
        store
            .create_account(id(4), administrator, PERSON, &account)
            .await
            .unwrap();
        let competence = CompetenceBody {
            competence_id: CompetenceId::new(id(5)),
            kind: CompetenceKind::QualifiedPerson,
            valid_from: "2020-01-01".parse().unwrap(),
            valid_until: None,
            evidence: None,
        };
        store
            .record_competence(id(6), administrator, PERSON, &competence)
            .await
            .unwrap();
        let token = SetPasswordToken {
            digest: vec![7; 32],
            expires_at: Timestamp::now() + 1.hour(),
        };
        store.issue_set_password_token(PERSON, &token).await.unwrap();
        let hash = Argon2::default()
            .hash_password(PASSWORD.as_bytes())
            .unwrap()
            .to_string();
        store.set_password(&token.digest, &hash).await.unwrap();
        Self { store }
    }

    /// Registers a clamp and inspects it for the first time.
    pub async fn clamp(&self, number: u128) -> ClampId {
        let clamp = ClampId::new(id(0x1000 + number));
        let registered = serde_json::json!({
            "asset_mark": format!("HM-{number}"), "serial_number": format!("S{number}"), "model_id": MODEL,
            "yard_id": YARD, "service_class": "normal"
        });
        self.record(clamp, "registered", registered).await;
        self.record(clamp, "inspected", inspection(InspectionKind::Initial))
            .await;
        clamp
    }

    /// Records one entry through the door.
    pub async fn record(&self, clamp: ClampId, kind: &str, body: serde_json::Value) -> Recorded {
        let body = clampward_domain::entry::Body::from_json(kind.parse().unwrap(), body).unwrap();
        let entry = NewEntry {
            id: EntryId::new(random_id()),
            clamp_id: clamp,
            performed_at: Timestamp::now(),
            performed_by: PERSON,
            judged_by: None,
            body,
        };
        let author = Author {
            person: PERSON,
            signed: true,
            device: None,
            yards: YardScope::All,
        };
        let recording = Recording {
            author,
            mode: Mode::Refuse,
            entries: vec![entry],
        };
        self.store.record(recording).await.unwrap().remove(0)
    }
}

/// The body of an inspection that accepts everything its kind asks.
pub fn inspection(kind: InspectionKind) -> serde_json::Value {
    let scope = rule_set::current(RuleSetName::UsB3020).scope(kind, None);
    let findings: Vec<_> = criteria::asked(scope, None)
        .filter(|(_, mandatory)| *mandatory)
        .map(|(criterion, _)| serde_json::json!({"criterion": criterion.code, "outcome": "accept"}))
        .collect();
    serde_json::json!({"kind": kind, "findings": findings})
}

/// A fixed id.
pub const fn id(number: u128) -> Uuid {
    Uuid::from_u128(0x0193_0000_0000_7000_8000_0000_0000_0000 + number)
}

/// A new id.
pub fn random_id() -> Uuid {
    Uuid::now_v7()
}
