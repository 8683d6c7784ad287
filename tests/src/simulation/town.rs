//! What is there before anything happens: yards, a model, people with competences, devices with everybody's keys.
//!
//! Made through the store at an instant of its own, so that keys can be older than the entries that are signed with them.

use super::chance::Chance;
use argon2::{Argon2, PasswordHasher};
use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::criteria::criteria;
use clampward_domain::entry::{Signature, ToBeSigned};
use clampward_domain::ids::{CompetenceId, DeviceId, ModelId, PersonId, YardId};
use clampward_domain::reference::{Model, Yard, YardScope};
use clampward_domain::words::{CompetenceKind, Role};
use clampward_store::people::{
    AccountBody, AccountKey, AccountKind, CompetenceBody, NewDevice, NewEnrolment, NewSigningKey,
    SetPasswordToken,
};
use clampward_store::{Clock, Store, StoreOptions};
use jiff::{Timestamp, ToSpan};
use std::collections::BTreeMap;
use std::sync::Arc;
use uuid::Uuid;

/// The criteria of the model; the others are switched off, for speed.
pub const ASKED: [&str; 8] = [
    "shackle_eye_worn",
    "body_distorted",
    "body_plate_cracked",
    "lock_does_not_hold",
    "shock_load_suspected",
    "slide_sleeve_worn",
    "lock_slot_dimpled",
    "crack_indication",
];

/// Who works there, with which roles and competences.
const PEOPLE: [(&str, &[Role], &[CompetenceKind]); 9] = {
    use CompetenceKind::{DesignatedPerson as D, QualifiedPerson as Q, RepairTechnician as T};
    [
        ("inspector", &[Role::Inspector], &[D, Q]),
        ("other_inspector", &[Role::Inspector], &[D, Q]),
        ("designated", &[Role::Inspector], &[D]),
        ("technician", &[Role::Technician], &[T]),
        ("all_round", &[Role::Technician, Role::YardLead], &[D, Q, T]),
        ("lead", &[Role::YardLead], &[D, Q]),
        ("safety", &[Role::Safety], &[D, Q]),
        ("operator", &[Role::Operator], &[]),
        ("administrator", &[Role::Administrator, Role::Safety], &[]),
    ]
};
/// Index of the administrator, who writes no entries.
pub const ADMINISTRATOR: usize = 8;
/// The administrator's e-mail address.
pub const EMAIL: &str = "administrator@halvorsund.example";
/// The administrator's password.
pub const PASSWORD: &str = "five plain words do nicely";
/// Whom assertions are for: the service's issuer.
pub const AUDIENCE: &str = "clampward";
/// How long keys are good for.
const KEY_DAYS: i64 = 29;

/// An id that follows from a name, as in the histories of the domain's tests.
pub fn named<T: From<Uuid>>(name: &str) -> T {
    Uuid::new_v5(&Uuid::NAMESPACE_OID, name.as_bytes()).into()
}

/// A clock that stands.
struct Standing(Timestamp);

impl Clock for Standing {
    fn now(&self) -> Timestamp {
        self.0
    }
}

/// A device and the keys on it.
pub struct Device {
    /// The device.
    pub id: DeviceId,
    /// The seed of its key.
    pub seed: [u8; 32],
    keys: BTreeMap<PersonId, (Uuid, Ed25519KeyPair)>,
}

/// Everything that is there.
pub struct Town {
    /// Yards.
    pub yards: Vec<YardId>,
    /// The model.
    pub model_id: ModelId,
    /// What it is.
    pub model: Model,
    /// Another one, that wears down to other figures.
    pub other_model_id: ModelId,
    /// People, in the order of their names above.
    pub people: Vec<PersonId>,
    /// Devices.
    pub devices: Vec<Device>,
    /// The competences of inspectors, for revoking.
    pub competences: Vec<CompetenceId>,
}

impl Device {
    /// By what the device signs in (RFC 7523 section 3).
    pub fn assertion(&self, id: Uuid, now: Timestamp) -> String {
        let claims = serde_json::json!({
            "iss": self.id, "sub": self.id, "aud": AUDIENCE, "jti": id, "exp": now.as_second() + 120,
        });
        let header = r#"{"alg":"EdDSA","typ":"JWT"}"#;
        let signed = format!(
            "{}.{}",
            URL_SAFE_NO_PAD.encode(header),
            URL_SAFE_NO_PAD.encode(claims.to_string())
        );
        let signature = Ed25519KeyPair::from_seed_unchecked(&self.seed)
            .unwrap()
            .sign(signed.as_bytes());
        format!("{signed}.{}", URL_SAFE_NO_PAD.encode(signature))
    }
    /// Signs an entry as one of the people.
    pub fn sign(&self, entry: &ToBeSigned<'_>) -> Signature {
        let (key_id, pair) = &self.keys[&entry.performed_by];
        Signature {
            key_id: *key_id,
            value: URL_SAFE_NO_PAD.encode(pair.sign(&entry.bytes().unwrap())),
        }
    }
}

fn public_key(seed: &[u8; 32]) -> [u8; 32] {
    let pair = Ed25519KeyPair::from_seed_unchecked(seed).unwrap();
    pair.public_key().as_ref().try_into().unwrap()
}

impl Town {
    /// Founds it at an instant, with as many devices as asked for; all devices have all yards.
    pub async fn found(service_url: &str, at: Timestamp, devices: usize, chance: &mut Chance) -> Self {
        let store = Store::connect(StoreOptions {
            url: service_url.to_owned(),
            max_connections: 2,
            clock: Arc::new(Standing(at)),
        })
        .await
        .unwrap();
        let mut town = Self {
            yards: Vec::new(),
            model_id: named("GF-3"),
            model: serde_json::from_value(model("GF-3", "30.0")).unwrap(),
            other_model_id: named("GF-4"),
            people: PEOPLE.iter().map(|(name, ..)| named(name)).collect(),
            devices: Vec::new(),
            competences: Vec::new(),
        };
        let administrator = town.people[ADMINISTRATOR];
        for (code, zone, rule_set) in [
            ("houston", "America/Chicago", "us-b30.20"),
            ("erie", "America/New_York", "us-b30.20"),
            ("leith", "Europe/London", "gb-loler"),
            ("emden", "Europe/Berlin", "de-dguv"),
        ] {
            let yard: Yard = serde_json::from_value(serde_json::json!({
                "code": code, "name": format!("Halvorsund Marine Works {code}"), "time_zone": zone, "rule_set": rule_set,
            }))
            .unwrap();
            store
                .create_yard(chance.id(), administrator, named(code), &yard)
                .await
                .unwrap();
            town.yards.push(named(code));
        }
        store
            .create_model(chance.id(), administrator, town.model_id, &town.model)
            .await
            .unwrap();
        let other: Model = serde_json::from_value(model("GF-4", "32.0")).unwrap();
        store
            .create_model(chance.id(), administrator, town.other_model_id, &other)
            .await
            .unwrap();
        town.employ(&store, chance).await;
        for number in 0..devices {
            let device = town.enrol(&store, &format!("Tablet {number}"), at, chance).await;
            town.devices.push(device);
        }
        store.close().await;
        town
    }

    async fn employ(&mut self, store: &Store, chance: &mut Chance) {
        let administrator = self.people[ADMINISTRATOR];
        for (name, roles, kinds) in PEOPLE {
            let account = AccountBody {
                kind: AccountKind::Person,
                email: format!("{name}@halvorsund.example"),
                name: name.to_owned(),
                roles: roles.to_vec(),
                yards: YardScope::All,
                enabled: true,
            };
            store
                .create_account(chance.id(), administrator, named(name), &account)
                .await
                .unwrap();
            for kind in kinds {
                let competence = CompetenceBody {
                    competence_id: CompetenceId::new(chance.id()),
                    kind: *kind,
                    valid_from: "2020-01-01".parse().unwrap(),
                    valid_until: None,
                    evidence: None,
                };
                store
                    .record_competence(chance.id(), administrator, named(name), &competence)
                    .await
                    .unwrap();
                if name == "other_inspector" {
                    self.competences.push(competence.competence_id);
                }
            }
        }
        let token = SetPasswordToken {
            digest: chance.bytes::<32>().to_vec(),
            expires_at: store.now() + 1.hour(),
        };
        store
            .issue_set_password_token(administrator, &token)
            .await
            .unwrap();
        let hash = Argon2::default()
            .hash_password(PASSWORD.as_bytes())
            .unwrap()
            .to_string();
        store.set_password(&token.digest, &hash).await.unwrap();
    }

    async fn enrol(&self, store: &Store, name: &str, at: Timestamp, chance: &mut Chance) -> Device {
        let digest = chance.bytes::<32>().to_vec();
        let ends = at + (KEY_DAYS * 24).hours();
        let enrolment = NewEnrolment {
            id: chance.id(),
            digest: digest.clone(),
            attempts: AccountKey::of_enrolment(name),
            name: name.to_owned(),
            yards: self.yards.clone(),
            expires_at: at + 1.hour(),
        };
        store
            .create_enrolment(self.people[ADMINISTRATOR], &enrolment)
            .await
            .unwrap();
        let seed = chance.bytes::<32>();
        let device = NewDevice {
            row_id: chance.id(),
            id: DeviceId::new(chance.id()),
            session: chance.id(),
            session_ends: at + (365 * 24).hours(),
            digest,
            public_key: public_key(&seed),
            attempts: AccountKey::of_enrolment(name),
            keepers: &[Role::Administrator],
        };
        store.redeem_enrolment(&device).await.unwrap();
        let mut keys = BTreeMap::new();
        for person in &self.people[..ADMINISTRATOR] {
            let seed = chance.bytes::<32>();
            let key = NewSigningKey {
                row_id: chance.id(),
                id: chance.id(),
                device: device.id,
                person: *person,
                public_key: public_key(&seed),
                expires_at: ends,
            };
            store.create_signing_key(&key).await.unwrap();
            let pair = Ed25519KeyPair::from_seed_unchecked(&seed).unwrap();
            keys.insert(*person, (key.id, pair));
        }
        Device {
            id: device.id,
            seed,
            keys,
        }
    }
}

fn model(name: &str, eye: &str) -> serde_json::Value {
    let without: Vec<&str> = criteria()
        .iter()
        .map(|criterion| criterion.code.as_str())
        .filter(|code| !ASKED.contains(code))
        .collect();
    serde_json::json!({
        "maker": "Greywater Forge", "model": name, "kind": "vertical", "wll": {"value": "3000", "unit": "kg"},
        "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "40", "unit": "mm"}},
        "without_criteria": without,
        "wear_points": [{"criterion": "shackle_eye_worn", "nominal": {"value": eye, "unit": "mm"}}],
    })
}
