//! Keys by which people sign on devices.

use crate::support::{Keys, PersonsKey, TestApp};
use crate::trade::Fleet;
use clampward_api::sign_in::ed25519::is_signed;
use clampward_domain::entry::ToBeSigned;
use clampward_domain::ids::EntryId;
use clampward_domain::signing::Unsigned;
use clampward_domain::words::EntryKind;
use jiff::{SignedDuration, Timestamp};
use serde_json::{Value, json};

#[actix_web::test]
async fn a_person_makes_a_key_on_a_device_that_takes_part_in_it() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let device = fleet.app.device(&lead, &[&fleet.newport]).await;
    let other = fleet.app.device(&lead, &[&fleet.newport]).await;
    let path = format!("/v1/devices/{}/signing-keys", device.id);
    let keys = Keys::fresh();
    let good = fleet.app.signing_key_request(&device, &fleet.inspector.id, &keys);
    let before = fleet.app.stored().await;
    let elsewhere = fleet.app.signing_key_request(&other, &fleet.inspector.id, &keys);
    let by_another = fleet.app.signing_key_request(&device, &fleet.lead.id, &keys);
    let mut late = good.clone();
    late["device_assertion"] =
        json!(device.asserting(fleet.now(), json!({"exp": fleet.now().as_second() - 60})));
    let mut forged = good.clone();
    forged["device_assertion"] =
        json!(other.asserting(fleet.now(), json!({"iss": device.id, "sub": device.id})));
    let mut long = good.clone();
    long["device_assertion"] = json!("x".repeat(5 << 10));
    let mut nobodys = good.clone();
    nobodys["public_key"] = json!("A".repeat(43));
    for (body, at, fault) in [
        (elsewhere, "/device_assertion", "assertion-refused"),
        (late, "/device_assertion", "assertion-refused"),
        (forged, "/device_assertion", "assertion-refused"),
        (long, "/device_assertion", "assertion-refused"),
        (by_another, "/possession", "wrong-signature"),
        (nobodys, "/public_key", "invalid-key"),
    ] {
        fleet
            .post(&fleet.inspector, &path, &body)
            .await
            .refused(422, "invalid-input")
            .at(at, fault);
    }
    assert_eq!(fleet.app.stored().await, before);
    let made = fleet.post(&fleet.inspector, &path, &good).await.succeeded(201);
    assert_eq!(made.text("/person_id"), fleet.inspector.id);
    assert_eq!(made.text("/device_id"), device.id);
    assert_eq!(made.body["expires_at"], "2025-04-13T09:00:00Z");
    // Nobody has a key of another yard's device, no auditor has one, no program has one.
    fleet
        .post(&fleet.stranger, &path, &good)
        .await
        .refused(404, "not-found");
    let all = json!("all");
    for role in ["auditor", "integration"] {
        let person = fleet.person(&format!("Only {role}"), &[role], &all).await;
        fleet
            .post(&person, &path, &good)
            .await
            .refused(403, "not-allowed");
    }
    let token = fleet.app.device_token(&device).await;
    fleet
        .app
        .post(&token, &path, &good)
        .await
        .refused(403, "not-allowed");
    fleet.stop().await;
}

/// What an inspector wrote on a device.
struct Written<'a> {
    entry: ToBeSigned<'a>,
    by: &'a PersonsKey,
}

/// Whether it is signed when it counts at an instant, by what the service knows of its key now.
async fn judged(app: &TestApp, written: &Written<'_>, counted_at: &str) -> Result<(), Unsigned> {
    let counted_at: Timestamp = counted_at.parse().expect("an instant");
    let keys = app
        .store()
        .await
        .signing_keys(&[written.by.id])
        .await
        .expect("keys");
    let signature = written.by.sign(&written.entry);
    is_signed(
        &written.entry,
        Some(&signature),
        keys.get(&written.by.id),
        counted_at,
    )
}

#[actix_web::test]
async fn a_newer_key_ends_the_one_before_and_what_counts_before_stays_signed() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let device = fleet.app.device(&lead, &[&fleet.newport]).await;
    let person = &fleet.inspector;
    let first = fleet
        .app
        .signing_key(&device, &fleet.token(person), &person.id)
        .await;
    fleet.at("2025-03-14T10:00:00Z");
    let second = fleet
        .app
        .signing_key(&device, &fleet.token(person), &person.id)
        .await;
    // Somebody else's key on the same device goes on.
    let leads = fleet
        .app
        .signing_key(&device, &fleet.token(&fleet.lead), &fleet.lead.id)
        .await;
    let body = json!({"reason": "dropped"});
    let entry = |author: &str| ToBeSigned {
        id: EntryId::new(uuid::Uuid::from_u128(7)),
        device_id: device.device_id(),
        clamp_id: None,
        mark: Some("HMW-1"),
        kind: EntryKind::TaggedOut,
        performed_at: "2025-03-14T09:30:00Z".parse().expect("an instant"),
        performed_by: author.parse().expect("a person's id"),
        body: &body,
    };
    let by = |key, author: &str| Written {
        entry: entry(author),
        by: key,
    };
    let app = &fleet.app;
    let before = "2025-03-14T09:59:59Z";
    let after = "2025-03-14T10:00:00Z";
    assert_eq!(judged(app, &by(&first, &person.id), before).await, Ok(()));
    assert_eq!(
        judged(app, &by(&first, &person.id), after).await,
        Err(Unsigned::KeyNotLive)
    );
    assert_eq!(judged(app, &by(&second, &person.id), after).await, Ok(()));
    assert_eq!(
        judged(app, &by(&second, &person.id), "2025-03-14T09:30:00Z").await,
        Err(Unsigned::KeyNotLive)
    );
    assert_eq!(judged(app, &by(&leads, &fleet.lead.id), after).await, Ok(()));
    assert_eq!(
        judged(app, &by(&leads, &person.id), after).await,
        Err(Unsigned::KeyOfAnother)
    );
    let nobodys = PersonsKey {
        id: uuid::Uuid::from_u128(8),
        keys: Keys::fresh(),
    };
    assert_eq!(
        judged(app, &by(&nobodys, &person.id), after).await,
        Err(Unsigned::UnknownKey)
    );
    // Thirty days later none of them signs any more, whatever is pushed then; what counts before is signed all the same.
    fleet.at("2025-04-20T10:00:00Z");
    assert_eq!(
        judged(app, &by(&second, &person.id), "2025-04-13T10:00:00Z").await,
        Err(Unsigned::KeyNotLive)
    );
    assert_eq!(
        judged(app, &by(&second, &person.id), "2025-04-13T09:59:59Z").await,
        Ok(())
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn a_key_is_withdrawn_by_its_person_or_by_whoever_keeps_devices() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let device = fleet.app.device(&lead, &[&fleet.newport]).await;
    let inspector = fleet.token(&fleet.inspector);
    let path = format!("/v1/devices/{}/signing-keys", device.id);
    let why = json!({"reason": "Short code was seen"});
    let revocation = |key: &PersonsKey| format!("{path}/{}/revocation", key.id);
    let key = fleet
        .app
        .signing_key(&device, &inspector, &fleet.inspector.id)
        .await;
    fleet
        .post(&fleet.technician, &revocation(&key), &why)
        .await
        .refused(403, "not-allowed");
    fleet
        .post(&fleet.stranger, &revocation(&key), &why)
        .await
        .refused(404, "not-found");
    fleet.later();
    let first = fleet
        .post(&fleet.inspector, &revocation(&key), &why)
        .await
        .succeeded(200);
    assert_eq!(first.body["revoked_at"], "2025-03-14T09:01:00Z");
    fleet.later();
    let before = fleet.app.stored().await;
    let again = fleet
        .post(&fleet.lead, &revocation(&key), &why)
        .await
        .succeeded(200);
    assert_eq!(again.body, first.body);
    assert_eq!(fleet.app.stored().await, before);
    let next = fleet
        .app
        .signing_key(&device, &inspector, &fleet.inspector.id)
        .await;
    fleet
        .post(&fleet.lead, &revocation(&next), &why)
        .await
        .succeeded(200);
    // Of another device it is not there.
    let other = fleet.app.device(&lead, &[&fleet.newport]).await;
    let elsewhere = format!("/v1/devices/{}/signing-keys/{}/revocation", other.id, key.id);
    fleet
        .post(&fleet.lead, &elsewhere, &why)
        .await
        .refused(404, "not-found");
    fleet
        .post(&fleet.lead, &revocation(&next), &json!({"reason": ""}))
        .await
        .refused(422, "invalid-input")
        .at("/reason", "invalid-reason");
    // The newest first, with their ends.
    let listed = fleet.get(&fleet.lead, &path).await.succeeded(200);
    let ids: Vec<&Value> = listed.body["items"]
        .as_array()
        .expect("items")
        .iter()
        .map(|item| &item["id"])
        .collect();
    assert_eq!(ids, [&json!(next.id), &json!(key.id)]);
    // One's own ends also when the device is in one's yards no more.
    let third = fleet
        .app
        .signing_key(&device, &inspector, &fleet.inspector.id)
        .await;
    let account = format!("/v1/devices/{}", device.id);
    let safety = fleet.token(&fleet.safety);
    let read = fleet.get(&fleet.safety, &account).await.succeeded(200);
    let moved = json!({"yards": [fleet.clydebank]});
    fleet
        .app
        .patch(&safety, &account, read.etag(), &moved)
        .await
        .succeeded(200);
    fleet
        .post(&fleet.inspector, &revocation(&third), &why)
        .await
        .succeeded(200);
    fleet.stop().await;
}

/// Goal: a tablet that was lost gives nobody fitness back. Method: what its finder signs with the inspector's key and a time
/// before the loss, brought in afterwards.
#[actix_web::test]
async fn after_a_device_was_revoked_nothing_that_comes_in_is_signed_whatever_time_it_tells() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let device = fleet.app.device(&lead, &[&fleet.newport]).await;
    let key = fleet.app.signing_key(&device, &lead, &fleet.lead.id).await;
    fleet.at("2025-03-14T12:00:00Z");
    let path = format!("/v1/devices/{}/revocation", device.id);
    let body = json!({});
    let entry = |kind| ToBeSigned {
        id: EntryId::new(uuid::Uuid::from_u128(7)),
        device_id: device.device_id(),
        clamp_id: None,
        mark: Some("HMW-1"),
        kind,
        performed_at: "2025-03-14T11:00:00Z".parse().expect("an instant"),
        performed_by: fleet.lead.id.parse().expect("a person's id"),
        body: &body,
    };
    let judge = async |kind, counted_at| {
        let written = Written {
            entry: entry(kind),
            by: &key,
        };
        judged(&fleet.app, &written, counted_at).await
    };
    let (before, after) = ("2025-03-14T11:00:00Z", "2025-03-14T12:00:00Z");
    assert_eq!(judge(EntryKind::ReturnedToService, before).await, Ok(()));
    fleet
        .post(&fleet.lead, &path, &json!({"reason": "left behind on the quay"}))
        .await
        .succeeded(200);
    for kind in [
        EntryKind::TaggedOut,
        EntryKind::Inspected,
        EntryKind::ReturnedToService,
    ] {
        assert_eq!(judge(kind, before).await, Err(Unsigned::KeyWithdrawn), "{kind}");
    }
    assert_eq!(
        judge(EntryKind::TaggedOut, after).await,
        Err(Unsigned::KeyNotLive)
    );
    fleet.stop().await;
}

#[actix_web::test]
async fn keys_are_rows_of_the_ledger_and_leave_the_version_of_reference_data_as_it_is() {
    let fleet = Fleet::start().await;
    let lead = fleet.token(&fleet.lead);
    let device = fleet.app.device(&lead, &[&fleet.newport]).await;
    let store = fleet.app.store().await;
    let version = store.reference().await.expect("a snapshot").version;
    let before = fleet.app.stored().await.0;
    let inspector = fleet.token(&fleet.inspector);
    for _ in 0..2 {
        fleet
            .app
            .signing_key(&device, &inspector, &fleet.inspector.id)
            .await;
        fleet.app.clock.advance(SignedDuration::from_secs(1));
    }
    // Two keys and the end of the first.
    assert_eq!(fleet.app.stored().await.0, before + 3);
    assert_eq!(store.reference().await.expect("a snapshot").version, version);
    // Whoever writes past the service is refused, and whoever gets by is found.
    for statement in [
        "update signing_key set expires_at = '2099-01-01'",
        "delete from signing_key_revocation",
        "truncate device_revocation",
    ] {
        assert_eq!(
            fleet.app.refused_sql(statement).await.as_deref(),
            Some("CW002"),
            "{statement}"
        );
    }
    fleet.app.verify().await;
    fleet
        .app
        .as_owner(
            "alter table signing_key disable trigger signing_key_refuses_change;
             update signing_key set expires_at = '2099-01-01';
             alter table signing_key enable always trigger signing_key_refuses_change",
        )
        .await;
    let report = store.verify().await.expect("a report");
    assert_eq!(report.violations.len(), 2, "{:?}", report.violations);
    fleet.app.stop().await;
}
