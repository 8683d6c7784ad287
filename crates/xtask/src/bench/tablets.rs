//! Tablets as a load: enrolled through the store, each with its inspector's key, and batches of signed inspections.

use super::Running;
use super::asking::{Random, nothing_found};
use super::database::{Yard, clamp_id};
use super::http::{Asking, Connection};
use crate::demo::CAST;
use crate::failure::{Done, Failure, While};
use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::entry::{Body, Inspected, ToBeSigned};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, PersonId};
use clampward_domain::words::{EntryKind, Role, RuleSetName};
use clampward_store::people::{AccountKey, NewDevice, NewEnrolment, NewSigningKey};
use clampward_store::{Clock, Store, StoreOptions};
use jiff::{SignedDuration, Timestamp, Unit};
use std::collections::VecDeque;
use std::sync::Arc;
use uuid::Uuid;

/// How long devices and keys are good: longer than any measurement.
const GOOD: SignedDuration = SignedDuration::from_hours(24);

struct Now;

impl Clock for Now {
    fn now(&self) -> Timestamp {
        now()
    }
}

/// Somebody who inspects in a yard.
#[derive(Clone)]
pub struct Inspector {
    person: PersonId,
    rules: RuleSetName,
    yard: Yard,
}

/// The inspectors of all yards.
pub fn inspectors(running: &Running) -> Vec<Inspector> {
    CAST.iter()
        .filter(|member| member.key.starts_with("inspector-") && member.key != "inspector-lapsed")
        .filter_map(|member| {
            let key = member.yard?;
            let id = key.id().to_string();
            let yard = running.fleet.yards.iter().find(|yard| yard.id == id)?;
            Some(Inspector {
                person: member.id(),
                rules: key.yard().rule_set,
                yard: yard.clone(),
            })
        })
        .collect()
}

/// An enrolled device with one person's key on it.
pub struct Tablet {
    port: u16,
    device: DeviceId,
    secret: Ed25519KeyPair,
    inspector: Inspector,
    key_id: Uuid,
    key: Ed25519KeyPair,
    body: serde_json::Value,
    random: Random,
    boot: Uuid,
    seq: u64,
}

fn pair(seed: &[u8; 32]) -> Done<Ed25519KeyPair> {
    Ed25519KeyPair::from_seed_unchecked(seed).map_err(|error| Failure::new(error.to_string()))
}

fn public(pair: &Ed25519KeyPair) -> Done<[u8; 32]> {
    pair.public_key().as_ref().try_into().during("reading a key")
}

/// A secret; of a database that is thrown away.
fn seed() -> Done<[u8; 32]> {
    let mut seed = [0; 32];
    aws_lc_rs::rand::fill(&mut seed).map_err(|error| Failure::new(error.to_string()))?;
    Ok(seed)
}

/// The store under a fleet.
pub async fn connect(running: &Running) -> Done<Store> {
    Store::connect(StoreOptions {
        url: running.fleet.service_url.clone(),
        max_connections: 2,
        clock: Arc::new(Now),
    })
    .await
    .during("connecting")
}

/// Enrols so many tablets, their inspectors by turns.
pub async fn enrol(running: &Running, tablets: usize) -> Done<Vec<Tablet>> {
    let store = connect(running).await?;
    let lead = CAST
        .iter()
        .find(|member| member.key == "administrator")
        .map(|member| member.id())
        .ok_or_else(|| Failure::new("there is no administrator"))?;
    let inspectors = inspectors(running);
    let mut all = Vec::with_capacity(tablets);
    for (number, inspector) in inspectors.iter().cycle().take(tablets).enumerate() {
        // The ledger says in whole seconds how long a key is good.
        let until = (store.now() + GOOD)
            .round(Unit::Second)
            .during("reading the clock")?;
        let digest = seed()?.to_vec();
        let name = format!("measuring {}", new_id());
        let enrolment = NewEnrolment {
            id: new_id(),
            digest: digest.clone(),
            attempts: AccountKey::of_enrolment(&name),
            name: name.clone(),
            yards: vec![inspector.yard.id.parse().during("reading a yard's id")?],
            expires_at: until,
        };
        let made = store.create_enrolment(lead, &enrolment).await;
        made.during("preparing an enrolment")?;
        let (secret, key) = (pair(&seed()?)?, pair(&seed()?)?);
        let device = NewDevice {
            row_id: new_id(),
            id: DeviceId::new(new_id()),
            session: new_id(),
            session_ends: until,
            digest,
            public_key: public(&secret)?,
            attempts: AccountKey::of_enrolment(&name),
            keepers: &[Role::YardLead, Role::Safety, Role::Administrator],
        };
        store.redeem_enrolment(&device).await.during("enrolling")?;
        let signing = NewSigningKey {
            row_id: new_id(),
            id: new_id(),
            device: device.id,
            person: inspector.person,
            public_key: public(&key)?,
            expires_at: until,
        };
        store.create_signing_key(&signing).await.during("making a key")?;
        let findings: serde_json::Value =
            serde_json::from_str(&nothing_found(inspector.rules)).during("reading findings")?;
        let inspected: Inspected =
            serde_json::from_value(serde_json::json!({"kind": "frequent", "findings": findings}))
                .during("making an inspection")?;
        all.push(Tablet {
            port: running.service.port,
            device: device.id,
            secret,
            inspector: inspector.clone(),
            key_id: signing.id,
            key,
            body: Body::from(inspected).to_json().during("writing an inspection")?,
            random: Random::of(number),
            boot: new_id(),
            seq: 0,
        });
    }
    store.close().await;
    Ok(all)
}

impl Tablet {
    /// The device.
    pub fn device(&self) -> DeviceId {
        self.device
    }

    /// Signs in with an assertion of the device's own (RFC 7523), over a connection that stays open.
    pub async fn sign_in(&self, connection: &mut Connection) -> Done<(u16, String)> {
        let claims = serde_json::json!({
            "iss": self.device, "sub": self.device, "aud": "clampward", "jti": new_id(), "exp": now().as_second() + 120,
        });
        let signed = format!(
            "{}.{}",
            URL_SAFE_NO_PAD.encode(r#"{"alg":"EdDSA","typ":"JWT"}"#),
            URL_SAFE_NO_PAD.encode(claims.to_string())
        );
        let signature = URL_SAFE_NO_PAD.encode(self.secret.sign(signed.as_bytes()));
        let form = format!(
            "grant_type=client_credentials&client_assertion={signed}.{signature}&client_assertion_type=\
             urn%3Aietf%3Aparams%3Aoauth%3Aclient-assertion-type%3Ajwt-bearer"
        );
        let request = format!(
            "POST /v1/oauth/token HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nContent-Type: application/x-www-form-urlencoded\r\n\
             Content-Length: {}\r\n\r\n{form}",
            self.port,
            form.len()
        );
        let (status, answer) = connection.ask(request.as_bytes()).await?;
        let said: serde_json::Value = serde_json::from_slice(answer).during("signing a device in")?;
        let token = said.get("access_token").and_then(serde_json::Value::as_str);
        Ok((status, token.unwrap_or_default().to_owned()))
    }

    /// The body of a push of so many inspections of clamps of its yard, each of another one.
    pub fn batch(&mut self, entries: usize) -> Done<Vec<u8>> {
        let begin = self.random.clamp(&self.inspector.yard);
        let clamps = self.inspector.yard.last - self.inspector.yard.first + 1;
        let elements = (0..entries)
            .map(|number| {
                let number = u64::try_from(number).unwrap_or_default();
                let clamp = self.inspector.yard.first + (begin - self.inspector.yard.first + number) % clamps;
                self.element(&clamp_id(clamp))
            })
            .collect::<Done<Vec<_>>>()?;
        let push = serde_json::json!({
            "device_id": self.device, "device_number": 1, "sent_at": now(), "boot": self.boot,
            "monotonic_ms": 1_000_000 + self.seq, "queue_length": entries, "entries": elements,
        });
        serde_json::to_vec(&push).during("writing a push")
    }

    fn element(&mut self, clamp: &str) -> Done<serde_json::Value> {
        self.seq += 1;
        let entry = ToBeSigned {
            id: EntryId::new(new_id()),
            device_id: self.device,
            clamp_id: Some(ClampId::new(clamp.parse().during("reading a clamp's id")?)),
            mark: None,
            kind: EntryKind::Inspected,
            performed_at: now(),
            performed_by: self.inspector.person,
            body: &self.body,
        };
        let signature = self.key.sign(&entry.bytes().during("signing")?);
        let mut element = serde_json::to_value(&entry).during("writing an entry")?;
        if let Some(fields) = element.as_object_mut() {
            fields.remove("device_id");
            fields.insert("device_seq".to_owned(), self.seq.into());
            fields.insert("boot".to_owned(), self.boot.to_string().into());
            fields.insert("monotonic_ms".to_owned(), (1_000_000 + self.seq).into());
            let value = URL_SAFE_NO_PAD.encode(signature);
            fields.insert(
                "signature".to_owned(),
                serde_json::json!({"key_id": self.key_id, "value": value}),
            );
        }
        Ok(element)
    }

    /// The request of a push.
    pub fn request(&self, token: &str, body: &[u8]) -> Vec<u8> {
        let mut request = format!(
            "POST /v1/sync/entries HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nAuthorization: Bearer {token}\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n",
            self.port,
            body.len()
        )
        .into_bytes();
        request.extend_from_slice(body);
        request
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "a measurement at this moment, by a binary"
)]
pub fn now() -> Timestamp {
    Timestamp::now()
        .round(jiff::Unit::Microsecond)
        .unwrap_or_default()
}

#[expect(clippy::disallowed_methods, reason = "a measurement, by a binary")]
pub fn new_id() -> Uuid {
    Uuid::now_v7()
}

/// Pushes batches that were written before.
pub struct Pushing {
    tablet: Tablet,
    token: String,
    entries: usize,
    ready: VecDeque<Vec<u8>>,
}

impl Pushing {
    /// With so many batches written before it begins: writing and signing them is the tablet's work, not what is measured.
    pub fn new(mut tablet: Tablet, token: String, entries: usize, batches: usize) -> Done<Self> {
        let ready = (0..batches)
            .map(|_| tablet.batch(entries))
            .collect::<Done<VecDeque<_>>>()?;
        Ok(Self {
            tablet,
            token,
            entries,
            ready,
        })
    }
}

impl Asking for Pushing {
    fn next(&mut self, request: &mut Vec<u8>) {
        let body = match self.ready.pop_front() {
            Some(body) => body,
            None => self.tablet.batch(self.entries).unwrap_or_default(),
        };
        *request = self.tablet.request(&self.token, &body);
    }
}
