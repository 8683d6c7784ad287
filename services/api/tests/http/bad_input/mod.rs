//! What a careless or hostile sender may send: each is refused with a problem that names the place and says what to do,
//! nothing is stored, and the service never fails over it.
//!
//! Every case is tried at every endpoint that has a field of its kind.

mod batches;
mod endpoints;
mod notation;
mod reused_ids;
mod several;
mod sizes;
mod times;
mod values;

use crate::support::{Reply, TestApp};
use crate::trade::Fleet;
use endpoints::Endpoint;
use serde_json::{Value, json};

/// A kind of field, for which an endpoint names a place.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Field {
    Text,
    Mass,
    Length,
    Instant,
    Day,
    Id,
}

/// What is done to a good body.
enum Edit {
    /// Another value, as JSON text.
    Instead(String),
    /// The field given twice.
    Twice,
    /// One more field beside it, as JSON text.
    Beside(&'static str, &'static str),
}

/// A case, and what has to be answered.
struct Case {
    what: &'static str,
    on: Field,
    edit: Edit,
    status: u16,
    code: &'static str,
    /// Below the field's own pointer.
    at: &'static str,
    fault: &'static str,
}

/// A case of JSON that cannot be read.
fn malformed(what: &'static str, on: Field, edit: Edit, at: &'static str, fault: &'static str) -> Case {
    Case {
        what,
        on,
        edit,
        status: 400,
        code: "malformed-json",
        at,
        fault,
    }
}
/// A case of JSON that breaks a rule.
fn invalid(what: &'static str, on: Field, edit: Edit, at: &'static str, fault: &'static str) -> Case {
    Case {
        what,
        on,
        edit,
        status: 422,
        code: "invalid-input",
        at,
        fault,
    }
}
fn instead(text: &str) -> Edit {
    Edit::Instead(text.to_owned())
}

impl Case {
    /// The body as it is sent, and the pointer of its fault.
    fn broken(&self, endpoint: &Endpoint, pointer: &str) -> (String, String) {
        const HERE: &str = "@here@";
        let mut body = endpoint.good.clone();
        let field = body
            .pointer_mut(pointer)
            .unwrap_or_else(|| panic!("{}: {pointer}", endpoint.name));
        let good = field.to_string();
        *field = json!(HERE);
        let (parent, name) = pointer.rsplit_once('/').expect("a field");
        let (text, place) = match &self.edit {
            Edit::Instead(text) => (text.clone(), format!("{pointer}{}", self.at)),
            Edit::Twice => (format!("{good}, \"{name}\": {good}"), pointer.to_owned()),
            Edit::Beside(other, text) => (
                format!("{good}, \"{other}\": {text}"),
                format!("{parent}/{other}"),
            ),
        };
        (body.to_string().replacen(&format!("\"{HERE}\""), &text, 1), place)
    }
}

/// Tries every case at every endpoint.
async fn try_everywhere(cases: &[Case]) {
    let fleet = Fleet::start().await;
    let endpoints = endpoints::all(&fleet).await;
    let batches = batches::Batches::start(&fleet).await;
    let mut tried = 0;
    for case in cases {
        for endpoint in &endpoints {
            let places = endpoint.fields.iter().filter(|(field, _)| *field == case.on);
            for (_, pointer) in places {
                let before = fleet.app.stored().await;
                let (body, place) = case.broken(endpoint, pointer);
                let reply = endpoint.send(&fleet.app, body.into_bytes()).await;
                let what = format!("{} at {} {pointer}", case.what, endpoint.name);
                assert_eq!(
                    (reply.status, reply.body["code"].as_str()),
                    (case.status, Some(case.code)),
                    "{what}: {}",
                    reply.body
                );
                names(&reply, &place, case.fault, &what);
                assert_eq!(fleet.app.stored().await, before, "{what} stored something");
                batches.try_inside(case, endpoint, pointer).await;
                tried += 1;
            }
        }
    }
    assert!(
        tried >= 4 * cases.len(),
        "each case at several endpoints: {tried}"
    );
    drop(batches);
    every_endpoint_takes_its_good_body(&fleet, &endpoints).await;
    fleet.stop().await;
}

/// The cases mean something only where the same body without them is taken.
async fn every_endpoint_takes_its_good_body(fleet: &Fleet, endpoints: &[Endpoint]) {
    for endpoint in endpoints {
        let before = fleet.app.stored().await;
        let good = endpoint.good.to_string().into_bytes();
        let reply = endpoint.send(&fleet.app, good).await;
        assert!(reply.status < 300, "{}: {}", endpoint.name, reply.body);
        assert_ne!(fleet.app.stored().await, before, "{}", endpoint.name);
    }
}

fn names(reply: &Reply, pointer: &str, code: &str, what: &str) {
    let errors = reply.body["errors"].as_array().cloned().unwrap_or_default();
    let named = |error: &Value| error["pointer"] == pointer && error["code"] == code;
    assert!(
        errors.iter().any(named),
        "{what}: {pointer} {code} in {}",
        reply.body
    );
    let says = |error: &Value| error["detail"].as_str().is_some_and(|detail| detail.len() > 5);
    assert!(errors.iter().all(says), "{what}: {}", reply.body);
}

impl Endpoint {
    async fn send(&self, app: &TestApp, body: Vec<u8>) -> Reply {
        let mut call = app
            .call(self.method, &self.path)
            .token(&self.token)
            .header("Content-Type", "application/json")
            .raw(body);
        if let Some(etag) = &self.etag {
            call = call.header("If-Match", etag);
        }
        call.send().await
    }
}
