//! Yards: versions on later days, ETags, and that somebody else's yard does not exist.

use crate::support::TestApp;
use jiff::SignedDuration;
use serde_json::json;

#[actix_web::test]
async fn a_yard_is_recorded_read_and_listed_with_its_etag() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let new = json!({"code": "CLY", "name": "Clydebank", "time_zone": "Europe/London", "rule_set": "gb-loler",
        "intervals": {"periodic": {"normal": "P3M"}}});
    let created = app.post(&administrator, "/v1/yards", &new).await.succeeded(201);
    let path = format!("/v1/yards/{}", created.text("/id"));
    assert_eq!(created.header("location"), Some(path.as_str()));
    let read = app.get(&administrator, &path).await.succeeded(200);
    assert_eq!(read.body, created.body);
    assert_eq!(read.etag(), created.etag());
    assert_eq!(read.body["starts_at"], read.body["recorded_at"]);
    assert_eq!(read.body["starts_on"], serde_json::Value::Null);
    assert_eq!(read.body["intervals"]["periodic"]["normal"], "P3M");
    let known = app
        .call("GET", &path)
        .token(&administrator)
        .header("If-None-Match", read.etag())
        .send()
        .await;
    assert_eq!(known.status, 304);
    let list = app.get(&administrator, "/v1/yards").await.succeeded(200);
    assert_eq!(list.body, json!({"items": [read.body], "next": null}));
    app.post(&administrator, "/v1/yards", &new)
        .await
        .refused(409, "code-taken");
    app.stop().await;
}

#[actix_web::test]
async fn a_new_version_starts_tomorrow_in_the_yards_zone_or_on_a_later_day() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    // 2025-03-14T09:00Z is still the evening of the 13th in Honolulu... and the 14th in Apia is over.
    let honolulu = app
        .yard(&administrator, "HON", json!({"time_zone": "Pacific/Honolulu"}))
        .await;
    let apia = app
        .yard(&administrator, "APW", json!({"time_zone": "Pacific/Apia"}))
        .await;
    for (yard, tomorrow, start) in [
        (honolulu, "2025-03-14", "2025-03-14T10:00:00Z"),
        (apia, "2025-03-15", "2025-03-14T11:00:00Z"),
    ] {
        let path = format!("/v1/yards/{yard}");
        let before = app.get(&administrator, &path).await.succeeded(200);
        let changed = app
            .patch(&administrator, &path, before.etag(), &json!({"name": "New"}))
            .await
            .succeeded(200);
        assert_eq!(
            (&changed.body["version"], &changed.body["starts_on"]),
            (&json!(2), &json!(tomorrow))
        );
        assert_eq!(changed.text("/starts_at"), start);
    }
    app.stop().await;
}

#[actix_web::test]
async fn a_change_names_the_version_it_changes_and_never_starts_today_or_before_a_waiting_one() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let path = format!("/v1/yards/{}", app.yard(&administrator, "CLY", json!({})).await);
    let first = app.get(&administrator, &path).await.succeeded(200);
    let change = json!({"name": "Clydebank East", "starts_on": "2025-03-20"});
    app.call("PATCH", &path)
        .token(&administrator)
        .json(&change)
        .send()
        .await
        .refused(428, "version-missing");
    app.patch(&administrator, &path, "\"x\"", &change)
        .await
        .refused(412, "version-stale");
    let second = app
        .patch(&administrator, &path, first.etag(), &change)
        .await
        .succeeded(200);
    app.patch(&administrator, &path, first.etag(), &change)
        .await
        .refused(412, "version-stale");
    let today = json!({"name": "Clydebank West", "starts_on": "2025-03-14"});
    let today = app.patch(&administrator, &path, second.etag(), &today).await;
    today.refused(422, "invalid-input").at("/starts_on", "not-later");
    let earlier = json!({"name": "Clydebank West", "starts_on": "2025-03-19"});
    app.patch(&administrator, &path, second.etag(), &earlier)
        .await
        .refused(409, "version-pending");
    let later = json!({"name": "Clydebank West", "starts_on": "2025-03-20"});
    app.patch(&administrator, &path, second.etag(), &later)
        .await
        .succeeded(200);
    app.stop().await;
}

// Source: LOLER 1998 reg. 9(3)(a)(i): six months for accessories; ASME B30.20 20-1.3: yearly in normal service.
#[actix_web::test]
async fn intervals_are_only_tighter_than_the_rule_sets() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let us = |periodic: &str| {
        json!({"code": "NWS", "name": "Newport", "time_zone": "America/New_York", "rule_set": "us-b30.20",
            "intervals": {"periodic": {"normal": periodic}}})
    };
    let long = app.post(&administrator, "/v1/yards", &us("P13M")).await;
    long.refused(422, "invalid-input")
        .at("/intervals/periodic/normal", "interval-too-long");
    app.post(&administrator, "/v1/yards", &us("P1Y"))
        .await
        .succeeded(201);
    app.stop().await;
}

#[actix_web::test]
async fn another_rule_set_needs_the_safety_role_a_reason_and_no_longer_interval() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let (_, safety) = app.person("Siv Dahl", &["safety"], json!("all")).await;
    let path = format!(
        "/v1/yards/{}",
        app.yard(&administrator, "HAM", json!({"rule_set": "de-dguv"}))
            .await
    );
    let etag = app
        .get(&administrator, &path)
        .await
        .succeeded(200)
        .etag()
        .to_owned();
    let loler = json!({"rule_set": "gb-loler"});
    app.patch(&administrator, &path, &etag, &loler)
        .await
        .refused(403, "not-allowed");
    app.patch(&safety, &path, &etag, &loler)
        .await
        .refused(422, "invalid-input")
        .at("/reason", "missing-field");
    let reasoned = json!({"rule_set": "gb-loler", "reason": "Works for a British yard from now on"});
    let moved = app.patch(&safety, &path, &etag, &reasoned).await.succeeded(200);
    let back = json!({"rule_set": "de-dguv", "reason": "Cheaper"});
    app.patch(&safety, &path, moved.etag(), &back)
        .await
        .refused(422, "invalid-input")
        .at("/rule_set", "interval-too-long");
    app.stop().await;
}

#[actix_web::test]
async fn somebody_elses_yard_is_answered_like_one_that_does_not_exist() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let own = app.yard(&administrator, "CLY", json!({})).await;
    let other = app.yard(&administrator, "TYN", json!({})).await;
    let (_, lead) = app
        .person("Jon Moe", &["yard_lead", "safety"], json!([own]))
        .await;
    app.get(&lead, &format!("/v1/yards/{own}")).await.succeeded(200);
    let foreign = app.get(&lead, &format!("/v1/yards/{other}")).await;
    let missing = app
        .get(&lead, "/v1/yards/01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10")
        .await;
    foreign.refused(404, "not-found");
    missing.refused(404, "not-found");
    assert_eq!(foreign.body["detail"], missing.body["detail"]);
    let change = app
        .patch(
            &lead,
            &format!("/v1/yards/{other}"),
            "\"x\"",
            &json!({"name": "Mine"}),
        )
        .await;
    change.refused(404, "not-found");
    let seen = app.get(&lead, "/v1/yards").await.succeeded(200);
    assert_eq!(seen.body["items"].as_array().map(Vec::len), Some(1));
    // A new yard is no yard of theirs.
    let new = json!({"code": "X", "name": "X", "time_zone": "Europe/London", "rule_set": "gb-loler"});
    app.post(&lead, "/v1/yards", &new)
        .await
        .refused(403, "not-allowed");
    app.stop().await;
}

#[actix_web::test]
async fn a_mistyped_field_of_a_yard_is_named_also_in_a_partial_change() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let new =
        json!({"code": "CLY", "name": "Clydebank", "time_zone": "Europe/Lodnon", "rule_set": "gb-loler"});
    app.post(&administrator, "/v1/yards", &new)
        .await
        .refused(422, "invalid-input")
        .at("/time_zone", "invalid-value");
    let path = format!("/v1/yards/{}", app.yard(&administrator, "CLY", json!({})).await);
    let etag = app
        .get(&administrator, &path)
        .await
        .succeeded(200)
        .etag()
        .to_owned();
    let typo = app
        .patch(
            &administrator,
            &path,
            &etag,
            &json!({"intervals": {"periodc": {}}}),
        )
        .await;
    typo.refused(422, "invalid-input")
        .at("/intervals/periodc", "unknown-field");
    let missing = app
        .patch(&administrator, &path, &etag, &json!({"name": null}))
        .await;
    missing.refused(422, "invalid-input").at("/name", "missing-field");
    app.patch(&administrator, &path, &etag, &json!([]))
        .await
        .refused(422, "invalid-input");
    app.stop().await;
}

// The database's own guard: also the owner of the tables cannot change a recorded version.
#[actix_web::test]
async fn a_recorded_version_is_never_changed_whoever_tries() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    app.yard(&administrator, "CLY", json!({})).await;
    let (id, _) = app.person("Mara Lind", &["inspector"], json!("all")).await;
    let competence = json!({"kind": "qualified_person", "valid_from": "2025-01-01"});
    app.post(
        &administrator,
        &format!("/v1/users/{id}/competences"),
        &competence,
    )
    .await
    .succeeded(201);
    for attempt in [
        "update yard_version set body = '{}'",
        "delete from yard_version",
        "truncate yard_version",
        "update person_version set roles = '{administrator}'",
        "update competence set valid_from = '2020-01-01'",
        "delete from competence",
    ] {
        let state = app.refused_sql(attempt).await;
        assert_eq!(state.as_deref(), Some("CW002"), "{attempt}");
    }
    app.clock.advance(SignedDuration::from_secs(1));
    app.stop().await;
}

#[actix_web::test]
async fn a_version_starts_within_a_year() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let id = app.yard(&administrator, "CLY", json!({})).await;
    let path = format!("/v1/yards/{id}");
    let etag = app.get(&administrator, &path).await.etag().to_owned();
    let start = |day: &str| json!({"name": "Clydebank West", "starts_on": day});
    app.patch(&administrator, &path, &etag, &start("2026-03-15"))
        .await
        .refused(422, "invalid-input")
        .at("/starts_on", "too-far");
    app.patch(&administrator, &path, &etag, &start("9999-12-31"))
        .await
        .refused(422, "invalid-input")
        .at("/starts_on", "time-malformed");
    app.patch(&administrator, &path, &etag, &start("2026-03-14"))
        .await
        .succeeded(200);
    app.stop().await;
}

#[actix_web::test]
async fn a_yards_code_is_its_own_whatever_the_case() {
    let app = TestApp::start().await;
    let administrator = app.administrator().await;
    let first = app.yard(&administrator, "CLY", json!({})).await;
    let other = app.yard(&administrator, "NPT", json!({})).await;
    let again = json!({"code": "Cly", "name": "Clyde", "time_zone": "Europe/London", "rule_set": "gb-loler"});
    app.post(&administrator, "/v1/yards", &again)
        .await
        .refused(409, "code-taken");
    let recode = async |yard: &str, code: &str| {
        let path = format!("/v1/yards/{yard}");
        let etag = app.get(&administrator, &path).await.etag().to_owned();
        let change = json!({ "code": code });
        app.patch(&administrator, &path, &etag, &change).await
    };
    recode(&other, "cly").await.refused(409, "code-taken");
    recode(&first, "Cly").await.succeeded(200);
    app.stop().await;
}
