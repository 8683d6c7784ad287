//! Every operation × every role × one's own and another's yard × signed in or not any more.
//!
//! Goal: nobody is let in who should not be, and nobody learns anything of another yard. Method: the operations come from
//! the published contract, the roles from the table of permissions; the requests are real, about real clamps of two yards.

use super::requests::{About, Asked, Place, request};
use crate::photos::photo_of;
use crate::support::{Keys, Reply};
use crate::trade::bodies::{accepted, bulletin_about};
use crate::trade::fleet::{Fleet, Person};
use clampward_api::openapi::{self, PERMISSION, PUBLIC};
use clampward_api::permission::TABLE;
use clampward_domain::words::Role;
use serde_json::{Value, json};

/// An operation that needs a permission: its name, and the roles that hold it.
struct Operation {
    name: String,
    roles: &'static [Role],
}

fn operations() -> Vec<Operation> {
    let document = openapi::document();
    let mut found = Vec::new();
    for item in document.paths.paths.values() {
        for (_, operation) in openapi::operations(item) {
            let named = operation.extensions.as_ref().and_then(|all| all.get(PERMISSION));
            let permission = named.and_then(Value::as_str).expect("a permission");
            if permission == PUBLIC {
                continue;
            }
            let row = TABLE
                .iter()
                .find(|row| row.name == permission)
                .expect("a row of the table");
            found.push(Operation {
                name: operation.operation_id.clone().expect("an operation's id"),
                roles: row.roles,
            });
        }
    }
    found
}

/// The fleet with what is asked about: one place in each yard.
struct Bench {
    fleet: Fleet,
    theirs: Place,
    /// A photo that entries of each yard's clamps cite: ours.
    photo: String,
    program: String,
    secret: String,
    clamps: usize,
}

impl Bench {
    async fn start() -> Self {
        let fleet = Fleet::start().await;
        let clamp = fleet.british_clamp("THEIRS").await;
        let new = json!({"name": "Plant ERP", "yards": [fleet.newport]});
        let created = fleet
            .post(&fleet.administrator, "/v1/service-accounts", &new)
            .await
            .succeeded(201);
        let (program, secret) = (created.text("/id"), created.text("/secret_id"));
        let by = fleet.token(&fleet.administrator);
        let device = fleet.app.device(&by, &[&fleet.clydebank]).await;
        let stranger = fleet.token(&fleet.stranger);
        let key = fleet
            .app
            .signing_key(&device, &stranger, &fleet.stranger.id)
            .await;
        let enrolment = fleet.app.enrolment(&by, &[&fleet.clydebank]).await;
        let held = fleet.held(&device).await;
        let notice = fleet
            .app
            .notice(&fleet.stranger.id, &clamp, &fleet.clydebank)
            .await;
        let held_clamp = fleet.british_clamp("THEIRSB").await;
        let bulletin = held_by_bulletin(&fleet, "THEIRSB").await;
        let photo = fleet.sent_photo(&fleet.inspector, &photo_of(1)).await;
        let theirs = fleet.sent_photo(&fleet.stranger, &photo_of(2)).await;
        let mut bench = Self {
            theirs: Place {
                yard: fleet.clydebank.clone(),
                clamp,
                mark: "HMW-THEIRS".to_owned(),
                person: String::new(),
                competence: String::new(),
                registered: fleet.new_id(),
                photo: theirs.clone(),
                program: program.clone(),
                secret: secret.clone(),
                device,
                enrolment: enrolment.text("/id"),
                key: key.id.to_string(),
                held,
                notice,
                bulletin,
                held_clamp,
                webhook: String::new(),
                asker: String::new(),
            },
            fleet,
            photo,
            program,
            secret,
            clamps: 0,
        };
        bench
            .fleet
            .tag_out(
                &bench.fleet.stranger,
                &bench.theirs.clamp,
                json!({"reason": "dropped", "photos": [theirs]}),
            )
            .await
            .succeeded(201);
        let (person, competence) = bench.somebody(&bench.fleet.clydebank).await;
        bench.theirs.person = person;
        bench.theirs.competence = competence;
        bench
    }
    /// Somebody who holds a role for one yard, and somebody who holds it for all of them. A device has its yards by name.
    async fn holders(&self, role: Role, newport: &Value) -> (Person, Person) {
        let fleet = &self.fleet;
        if role == Role::Device {
            let by = fleet.token(&fleet.administrator);
            let everywhere = [fleet.newport.as_str(), &fleet.galveston, &fleet.clydebank];
            let mut found = Vec::new();
            for yards in [&everywhere[..1], &everywhere] {
                let id = fleet.app.device(&by, yards).await.id;
                fleet.app.open_session(&id).await;
                found.push(Person { id });
            }
            return (found[0].clone(), found[1].clone());
        }
        let (bound, everywhere) = (format!("Bound {role}"), format!("Everywhere {role}"));
        (
            fleet.person(&bound, &[role.code()], newport).await,
            fleet.person(&everywhere, &[role.code()], &json!("all")).await,
        )
    }
    /// A person of a yard who never signs in, with a competence.
    async fn somebody(&self, yard: &str) -> (String, String) {
        let name = format!("Somebody {}", self.fleet.new_id());
        let person = self.fleet.person(&name, &["operator"], &json!([yard])).await;
        let competence = self.fleet.competent(&person, "qualified_person", json!({})).await;
        (person.id, competence)
    }
    /// A place in the yard of those who ask, with a clamp that nothing was done to yet.
    async fn own(&mut self, asker: &Person) -> Place {
        self.clamps += 1;
        let number = format!("OWN{}", self.clamps);
        let clamp = self.fleet.fit_clamp(&number).await;
        let history = self.fleet.history(&self.fleet.lead, &clamp).await.succeeded(200);
        let registered = history.body["items"]
            .as_array()
            .and_then(|items| items.last())
            .map(|entry| entry["entry_id"].as_str().expect("an id").to_owned())
            .expect("a registration");
        let mut cites = accepted("frequent");
        cites["findings"][0]["photos"] = json!([self.photo]);
        self.fleet
            .inspect(&self.fleet.inspector, &clamp, cites)
            .await
            .succeeded(201);
        let yard = self.fleet.newport.clone();
        let (person, competence) = self.somebody(&yard).await;
        let by = self.fleet.token(&self.fleet.administrator);
        let app = &self.fleet.app;
        let device = app.device(&by, &[&yard]).await;
        let keys = Keys::fresh();
        let path = format!("/v1/devices/{}/signing-keys", device.id);
        let key = app.signing_key_request(&device, &asker.id, &keys);
        // Whoever may have none gets none.
        let key = self.fleet.post(asker, &path, &key).await;
        let enrolment = app.enrolment(&by, &[&yard]).await.text("/id");
        let held = self.fleet.held(&device).await;
        let notice = app.notice(&asker.id, &clamp, &yard).await;
        let held_clamp = self.fleet.fit_clamp(&format!("{number}B")).await;
        let bulletin = held_by_bulletin(&self.fleet, &format!("{number}B")).await;
        Place {
            held,
            notice,
            bulletin,
            held_clamp,
            webhook: fresh_webhook(&self.fleet).await,
            device,
            enrolment,
            key: key.body["id"].as_str().unwrap_or(&path[12..48]).to_owned(),
            asker: asker.id.clone(),
            mark: format!("HMW-{number}"),
            yard,
            clamp,
            person,
            competence,
            registered,
            photo: self.photo.clone(),
            program: self.program.clone(),
            secret: self.secret.clone(),
        }
    }
    async fn ask(&self, token: Option<&str>, asked: &Asked) -> Reply {
        let mut call = self.fleet.app.call(asked.method, &asked.path);
        if let Some(token) = token {
            call = call.token(token);
        }
        if let Some(path) = &asked.changes {
            let now = self
                .fleet
                .get(&self.fleet.administrator, path)
                .await
                .succeeded(200);
            call = call.header("If-Match", now.etag());
        }
        if let Some(body) = &asked.body {
            call = call.json(body);
        }
        if let Some(piece) = &asked.piece {
            call = call
                .raw(piece.clone())
                .header("Content-Type", "application/offset+octet-stream")
                .header("Upload-Offset", "0")
                .header("Upload-Length", "4096");
        }
        call.send().await
    }
    /// Whether an answer holds nothing of the other yard.
    fn reveals_nothing(&self, reply: &Reply) -> bool {
        let text = String::from_utf8_lossy(&reply.bytes);
        [&self.theirs.yard, &self.theirs.clamp, &self.theirs.mark]
            .iter()
            .all(|told| !text.contains(told.as_str()))
    }
}

/// A bulletin that holds the clamp of a number and no other.
async fn held_by_bulletin(fleet: &Fleet, number: &str) -> String {
    let body = bulletin_about(number, &fleet.model, number);
    let opened = fleet.post(&fleet.safety, "/v1/bulletins", &body).await;
    fleet.app.hold().await;
    opened.succeeded(201).text("/id")
}

/// A webhook endpoint, the only one.
async fn fresh_webhook(fleet: &Fleet) -> String {
    let path = "/v1/webhook-endpoints";
    let there = fleet.get(&fleet.administrator, path).await.succeeded(200);
    for endpoint in there.body["items"].as_array().into_iter().flatten() {
        let removal = format!("{path}/{}/removal", endpoint["id"].as_str().expect("an id"));
        fleet
            .post(&fleet.administrator, &removal, &json!({}))
            .await
            .succeeded(204);
    }
    let new = json!({"url": "https://erp.halvorsund.example/hooks", "description": "Counts"});
    let made = fleet.post(&fleet.administrator, path, &new).await;
    made.succeeded(201).text("/id")
}

fn succeeded(reply: &Reply, asked: &Asked) -> bool {
    (200..300).contains(&reply.status) || (asked.may_conflict && reply.status == 409)
}

#[test]
fn every_operation_that_needs_a_permission_has_a_request_in_the_table() {
    // The requests need a running fleet; which operations have one does not: each is named in the source once.
    let source = include_str!("requests.rs");
    let missing: Vec<String> = operations()
        .into_iter()
        .map(|operation| operation.name)
        .filter(|name| !source.contains(&format!("\"{name}\" =>")))
        .collect();
    assert!(
        missing.is_empty(),
        "say in tests/http/authorisation/requests.rs how these are asked: {missing:?}"
    );
}

#[actix_web::test]
async fn every_role_is_let_into_its_own_yard_by_its_permissions_and_into_no_other() {
    let mut bench = Bench::start().await;
    let newport = json!([bench.fleet.newport]);
    let mut number = 0;
    let mut cases = 0;
    for role in Role::ALL {
        let (bound, everywhere) = bench.holders(*role, &newport).await;
        let mut ours = bench.own(&bound).await;
        bench.theirs.asker = bound.id.clone();
        for operation in operations() {
            let may = operation.roles.contains(role);
            let here = format!("{} as {role}", operation.name);
            number += 1;
            if may {
                // What was asked before may have changed it.
                ours = bench.own(&bound).await;
            }
            let asked = request(&operation.name, &bench.fleet, &ours, number).expect("a request");
            let about = asked.about;

            let reply = bench.ask(Some(&bench.fleet.token(&bound)), &asked).await;
            cases += 1;
            if !may || about == About::EveryYard {
                assert_eq!(
                    (reply.status, reply.body["code"].as_str()),
                    (403, Some("not-allowed")),
                    "{here}: {}",
                    reply.body
                );
            } else {
                assert!(
                    succeeded(&reply, &asked),
                    "{here}: {} {}",
                    reply.status,
                    reply.body
                );
                // Accounts say which yards they hold for, also to whoever sees people of every yard.
                assert!(
                    about == About::Company || bench.reveals_nothing(&reply),
                    "{here}: {}",
                    reply.body
                );
            }
            if about == About::EveryYard {
                number += 1;
                let asked = request(&operation.name, &bench.fleet, &ours, number).expect("a request");
                let reply = bench.ask(Some(&bench.fleet.token(&everywhere)), &asked).await;
                cases += 1;
                assert_eq!(
                    succeeded(&reply, &asked),
                    may,
                    "{here}, every yard: {}",
                    reply.body
                );
            }

            if matches!(about, About::Yard | About::Restricts) {
                number += 1;
                let asked = request(&operation.name, &bench.fleet, &bench.theirs, number).expect("a request");
                let reply = bench.ask(Some(&bench.fleet.token(&bound)), &asked).await;
                cases += 1;
                outside(&reply, &asked, may, &here);
            }
            bench.fleet.later();
        }
    }
    println!("{cases} cases of operation, role and yard");
    assert!(cases >= 450, "{cases}");
    bench.fleet.stop().await;
}

/// What somebody is told of another's yard.
fn outside(reply: &Reply, asked: &Asked, may: bool, here: &str) {
    if !may {
        // The same as everywhere: the permission is missing, whatever it is about.
        assert_eq!(reply.status, 403, "{here}, another yard: {}", reply.body);
    } else if asked.about == About::Restricts {
        let entry = asked.body.as_ref().map(|body| &body["entry_id"]);
        assert_eq!(
            (reply.status, Some(&reply.body["entry_id"])),
            (201, entry),
            "{here}, another yard"
        );
        let told = reply.body.as_object().expect("an object");
        assert_eq!(told.len(), 2, "{here}, another yard: {}", reply.body);
    } else {
        assert_eq!(
            (reply.status, reply.body["code"].as_str()),
            (404, Some("not-found")),
            "{here}, another yard: {}",
            reply.body
        );
    }
}

#[actix_web::test]
async fn nobody_is_let_in_without_a_token_that_is_valid_now() {
    let mut bench = Bench::start().await;
    let of_people = Role::ALL.iter().filter(|role| **role != Role::Device);
    let everything: Vec<&str> = of_people.map(|role| role.code()).collect();
    let all = json!("all");
    let app = &bench.fleet.app;
    // Every role, every yard: whatever is refused here is refused because of the token.
    let mighty = bench.fleet.person("Expired One", &everything, &all).await;
    let expired = bench.fleet.token(&mighty);
    // Past the fifteen minutes of a token and the minute of grace for clocks; the others are young.
    app.clock.advance(jiff::SignedDuration::from_mins(17));
    app.person("Revoked One", &everything, all.clone()).await;
    let signed_in = app
        .try_sign_in("revoked.one@halvorsund.example", "the password of Revoked One")
        .await
        .succeeded(200);
    let revoked = signed_in.text("/access_token");
    let ended = json!({"refresh_token": signed_in.text("/refresh_token")});
    app.call("POST", "/v1/auth/revoke").json(&ended).send().await;
    let (closed_id, closed) = app.person("Closed One", &everything, all.clone()).await;
    let path = format!("/v1/users/{closed_id}");
    let account = bench
        .fleet
        .get(&bench.fleet.administrator, &path)
        .await
        .succeeded(200);
    app.patch(
        &bench.fleet.token(&bench.fleet.administrator),
        &path,
        account.etag(),
        &json!({"enabled": false}),
    )
    .await
    .succeeded(200);
    let forged = format!("{}x", bench.fleet.token(&mighty));
    let asker = bench.fleet.lead.clone();
    let ours = bench.own(&asker).await;
    let refused: [(&str, Option<&str>); 5] = [
        ("no token", None),
        ("an expired token", Some(&expired)),
        ("a token of an ended session", Some(&revoked)),
        ("a token of a closed account", Some(&closed)),
        ("a token that was tampered with", Some(&forged)),
    ];
    let mut cases = 0;
    for (number, operation) in operations().into_iter().enumerate() {
        let asked = request(&operation.name, &bench.fleet, &ours, number).expect("a request");
        for (what, token) in refused {
            let reply = bench.ask(token, &asked).await;
            cases += 1;
            assert_eq!(
                (reply.status, reply.body["code"].as_str()),
                (401, Some("not-signed-in")),
                "{} with {what}: {}",
                operation.name,
                reply.body
            );
        }
    }
    println!("{cases} cases of operation and token");
    assert!(cases >= 200, "{cases}");
    bench.fleet.stop().await;
}
