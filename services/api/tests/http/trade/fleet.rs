//! An invented company to play trade cases in: two yards in the United States and one in Great Britain, a model of two
//! makers each, and people in every role. Everything goes through HTTP.

use crate::support::{ISSUER, Reply, SECRET, TestApp};
use clampward_api::config::Limits;
use clampward_api::sign_in::{SigningKey, Subject, Tokens};
use clampward_domain::ids::PersonId;
use jiff::SignedDuration;
use serde_json::{Value, json};
use std::cell::Cell;

/// Somebody with an account.
#[derive(Clone, Debug)]
pub struct Person {
    pub id: String,
}

/// The company.
pub struct Fleet {
    pub app: TestApp,
    tokens: Tokens,
    next: Cell<u64>,
    pub administrator: Person,
    /// New York time, `us-b30.20`.
    pub newport: String,
    /// Chicago time, `us-b30.20`; a proof test after every repair.
    pub galveston: String,
    /// London time, `gb-loler`.
    pub clydebank: String,
    /// WLL 3 t, 0 to 40 mm, shackle eye 30 mm when new.
    pub model: String,
    /// The same by another maker.
    pub other_maker: String,
    /// Yard lead of both American yards, qualified.
    pub lead: Person,
    /// Inspector of both American yards, qualified.
    pub inspector: Person,
    /// Technician of both American yards, repair technician and qualified.
    pub technician: Person,
    /// Store keeper at Newport.
    pub keeper: Person,
    /// Operator at Newport.
    pub operator: Person,
    /// Safety role, every yard, qualified.
    pub safety: Person,
    /// Every role that writes, at Clydebank only; qualified, repair technician.
    pub stranger: Person,
}

impl Fleet {
    /// At 2025-03-14T09:00Z.
    pub async fn start() -> Self {
        Self::start_with(Limits::default()).await
    }
    /// The same with limits of its own.
    pub async fn start_with(limits: Limits) -> Self {
        let app = TestApp::start_with(limits).await;
        let signed_in = app.administrator().await;
        let administrator = Person {
            id: app.get(&signed_in, "/v1/me").await.succeeded(200).text("/id"),
        };
        app.open_session(&administrator.id).await;
        let nobody = Person { id: String::new() };
        let mut fleet = Self {
            app,
            tokens: Tokens::new(SigningKey::from_secret(&SECRET).expect("a key"), ISSUER),
            next: Cell::new(1),
            administrator,
            newport: String::new(),
            galveston: String::new(),
            clydebank: String::new(),
            model: String::new(),
            other_maker: String::new(),
            lead: nobody.clone(),
            inspector: nobody.clone(),
            technician: nobody.clone(),
            keeper: nobody.clone(),
            operator: nobody.clone(),
            safety: nobody.clone(),
            stranger: nobody,
        };
        fleet.newport = fleet
            .yard("NPT", "America/New_York", "us-b30.20", json!({}))
            .await;
        let always = json!({"proof_test_policy": "always"});
        fleet.galveston = fleet.yard("GLS", "America/Chicago", "us-b30.20", always).await;
        fleet.clydebank = fleet.yard("CLY", "Europe/London", "gb-loler", json!({})).await;
        let point = json!({"wear_points": [{"criterion": "shackle_eye_worn", "nominal": mm("30")}]});
        fleet.model = fleet
            .model_of("Ostvik Klammer", &point)
            .await
            .succeeded(201)
            .text("/id");
        fleet.other_maker = fleet
            .model_of("Greywater Forge", &point)
            .await
            .succeeded(201)
            .text("/id");
        fleet.hire().await;
        fleet
    }

    async fn hire(&mut self) {
        let american = json!([self.newport, self.galveston]);
        let newport = json!([self.newport]);
        let clydebank = json!([self.clydebank]);
        self.lead = self.person("Jon Moe", &["yard_lead"], &american).await;
        self.inspector = self.person("Mara Lind", &["inspector"], &american).await;
        self.technician = self.person("Tor Vik", &["technician"], &american).await;
        self.keeper = self.person("Eva Holt", &["store_keeper"], &newport).await;
        self.operator = self.person("Nils Aas", &["operator"], &newport).await;
        self.safety = self.person("Siv Dahl", &["safety"], &json!("all")).await;
        let every_hand = ["operator", "store_keeper", "inspector", "technician", "yard_lead"];
        self.stranger = self.person("Rhona Keir", &every_hand, &clydebank).await;
        for person in [
            &self.lead,
            &self.inspector,
            &self.technician,
            &self.safety,
            &self.stranger,
        ] {
            self.competent(person, "qualified_person", json!({})).await;
        }
        for person in [&self.technician, &self.stranger] {
            self.competent(person, "repair_technician", json!({})).await;
        }
    }

    /// The instant now.
    pub fn now(&self) -> jiff::Timestamp {
        clampward_store::Clock::now(&*self.app.clock)
    }
    /// Moves the clock to an instant.
    pub fn at(&self, text: &str) {
        let instant: jiff::Timestamp = text.parse().expect("an instant");
        self.app.clock.advance(instant.duration_since(self.now()));
    }
    /// A minute later.
    pub fn later(&self) {
        self.app.clock.advance(SignedDuration::from_mins(1));
    }
    /// An id that was never used, later than those before it.
    pub fn new_id(&self) -> String {
        let number = self.next.get();
        self.next.set(number + 1);
        format!("0195f000-0000-7000-8000-{number:012x}")
    }
    /// An access token that is valid now. Signing in is tested elsewhere.
    pub fn token(&self, person: &Person) -> String {
        let id: PersonId = person.id.parse().expect("a person's id");
        let subject = Subject {
            person: id,
            grants_version: 0,
            session: id.uuid(),
            session_ends: jiff::Timestamp::MAX,
        };
        self.tokens
            .issue(&subject, uuid(&self.new_id()), self.now())
            .expect("a token")
            .text
    }
    pub async fn get(&self, by: &Person, path: &str) -> Reply {
        self.app.get(&self.token(by), path).await
    }
    pub async fn post(&self, by: &Person, path: &str, body: &Value) -> Reply {
        self.app.post(&self.token(by), path, body).await
    }

    pub async fn yard(&self, code: &str, zone: &str, rule_set: &str, more: Value) -> String {
        let yard =
            json!({"code": code, "name": format!("Yard {code}"), "time_zone": zone, "rule_set": rule_set});
        let yard = with(yard, &more);
        self.post(&self.administrator, "/v1/yards", &yard)
            .await
            .succeeded(201)
            .text("/id")
    }
    pub async fn model_of(&self, maker: &str, more: &Value) -> Reply {
        let model = json!({
            "maker": maker, "model": "V3", "kind": "vertical", "wll": kg("3000"), "lock": "spring", "eye": "free",
            "jaw_opening": {"min": mm("0"), "max": mm("40")},
        });
        self.post(&self.administrator, "/v1/models", &with(model, more))
            .await
    }
    pub async fn person(&self, name: &str, roles: &[&str], yards: &Value) -> Person {
        let email = format!("{}@halvorsund.example", name.to_lowercase().replace(' ', "."));
        let new = json!({"email": email, "name": name, "roles": roles, "yards": yards});
        let id = self
            .post(&self.administrator, "/v1/users", &new)
            .await
            .succeeded(201)
            .text("/id");
        self.app.open_session(&id).await;
        Person { id }
    }
    /// Records a competence from 2024 on, open-ended unless `more` says otherwise; answers its id.
    pub async fn competent(&self, person: &Person, kind: &str, more: Value) -> String {
        let competence = with(json!({"kind": kind, "valid_from": "2024-01-01"}), &more);
        let path = format!("/v1/users/{}/competences", person.id);
        self.post(&self.administrator, &path, &competence)
            .await
            .succeeded(201)
            .text("/id")
    }
    pub async fn revoke(&self, person: &Person, competence: &str, from: &str) -> Reply {
        let path = format!("/v1/users/{}/competences/{competence}/revocation", person.id);
        self.post(&self.administrator, &path, &json!({"revoked_from": from}))
            .await
    }
    /// Everything recorded is whole; then stops the service.
    pub async fn stop(self) {
        self.app.verify().await;
        self.app.stop().await;
    }
}

fn uuid(text: &str) -> uuid::Uuid {
    text.parse().expect("a UUID")
}
/// An object with the fields of another laid over it; null takes a field away.
pub fn with(mut object: Value, more: &Value) -> Value {
    for (name, value) in more.as_object().into_iter().flatten() {
        match value {
            Value::Null => drop(object.as_object_mut().map(|fields| fields.remove(name))),
            value => object[name] = value.clone(),
        }
    }
    object
}
pub fn mm(value: &str) -> Value {
    json!({"value": value, "unit": "mm"})
}
pub fn kg(value: &str) -> Value {
    json!({"value": value, "unit": "kg"})
}
