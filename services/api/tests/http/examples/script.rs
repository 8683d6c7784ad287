//! What is asked, in an order in which each request finds what it needs. Names say what each shows.

use super::recorder::Recorder;
use serde_json::{Value, json};

/// Asks everything.
pub async fn run(to: &mut Recorder) {
    reading(to).await;
    let cursors = beginning_to_pull(to).await;
    people(to).await;
    programs(to).await;
    super::devices::run(to).await;
    super::sync::run(to).await;
    yards_and_models(to).await;
    let clamp = registering(to).await;
    inspecting(to, &clamp).await;
    tool_crib_and_use(to, &clamp).await;
    let returned = out_and_back(to, &clamp).await;
    photos(to, &clamp).await;
    lift_checks(to, &clamp).await;
    corrections(to, &clamp, &returned).await;
    retirement(to).await;
    notices(to).await;
    bulletins(to).await;
    webhooks(to).await;
    pulling(to, &cursors).await;
}

fn with(mut value: Value, changes: Value) -> Value {
    for (name, change) in changes.as_object().into_iter().flatten() {
        value[name] = change.clone();
    }
    value
}

async fn notices(to: &mut Recorder) {
    to.app.tell().await;
    let lead = "lead-port-ellery";
    let open = "/v1/notices?kind=tagged_out&open=true&limit=1";
    to.get("Tagged out, and not acknowledged", lead, open, 200).await;
    let notice = to.look(lead, open).await.text("/items/0/id");
    let path = format!("/v1/notices/{notice}");
    to.get("A tag-out", lead, &path, 200).await;
    to.get("Somebody else's", "safety", &path, 404).await;
    let acknowledgement = format!("{path}/acknowledgement");
    to.post("Seen to", lead, &acknowledgement, &json!({}), 200).await;
    to.post("Somebody else's", "safety", &acknowledgement, &json!({}), 404)
        .await;
}

async fn bulletins(to: &mut Recorder) {
    let worn = to.clamp("PEL-006").await;
    let clamp = to.look("safety", &format!("/v1/clamps/{worn}")).await;
    let (model, serial) = (clamp.text("/model_id"), clamp.text("/serial_number"));
    let bulletin = json!({
        "code": "SB-2026-02", "title": "Pins of one melt", "issued_by": "Halvorsund Marine Works safety team",
        "issued_on": "2026-02-27", "class": "inspect_before_use",
        "text": "Pins of one melt bend below the working load limit. Look at every pin before the next lift.",
        "scope": {"models": [model], "serials": {"numbers": [serial]}}, "checks": ["pin_bent"],
    });
    to.post("One clamp", "safety", "/v1/bulletins/preview", &bulletin, 200)
        .await;
    let opened = to
        .post("Opened for one number", "safety", "/v1/bulletins", &bulletin, 201)
        .await
        .text("/id");
    to.post("Opened a second time", "safety", "/v1/bulletins", &bulletin, 409)
        .await;
    let reversed = with(
        bulletin.clone(),
        json!({"code": "SB-2026-03", "scope": {"models": [model],
               "serials": {"ranges": [{"first": "PE-0900", "last": "PE-0100"}]}}}),
    );
    to.post(
        "A range in the wrong order",
        "safety",
        "/v1/bulletins/preview",
        &reversed,
        422,
    )
    .await;
    to.post("The same, opened", "safety", "/v1/bulletins", &reversed, 422)
        .await;
    to.app.hold().await;
    let path = format!("/v1/bulletins/{opened}");
    to.get("The open ones", "safety", "/v1/bulletins?open=true&limit=1", 200)
        .await;
    to.get("A bulletin", "safety", &path, 200).await;
    // Which follow from the bulletin's id, and that is another one in every run.
    let held = to.look("safety", &format!("{path}/clamps")).await;
    let stand = [
        (
            "1c5e46a3-a73c-5e90-9f0d-b07cd75676fd",
            "c7c12ef2-9a85-56fd-852d-b6dc9f9ddfc3",
        ),
        (
            "e063b195-52ad-585d-be6a-0aea690c1361",
            "5fe8da93-4d18-5952-a086-4eb2d3ab2389",
        ),
    ];
    for (place, (lockout, hold)) in stand.into_iter().enumerate() {
        to.derived(&held.text(&format!("/items/{place}/lockout_id")), lockout);
        to.derived(&held.text(&format!("/items/{place}/held_by")), hold);
    }
    to.get(
        "No such bulletin",
        "safety",
        &format!("/v1/bulletins/{worn}"),
        404,
    )
    .await;
    let lead = "lead-port-ellery";
    to.get("One clamp outstanding", lead, &format!("{path}/progress"), 200)
        .await;
    to.get(
        "What is outstanding",
        lead,
        &format!("{path}/clamps?accounted=outstanding"),
        200,
    )
    .await;
    let closure = format!("{path}/closure");
    to.post("Not yet", "safety", &closure, &json!({}), 409).await;
    let owner = to.look(lead, "/v1/me").await.text("/id");
    let word = json!({"clamp_id": worn, "owner": owner, "look_until": "2026-03-16", "note": "Not in the tool crib, not on hull 12"});
    let not_found = format!("{path}/not-found");
    to.post("Somebody looks for it", lead, &not_found, &word, 200)
        .await;
    let past = with(word.clone(), json!({"look_until": "2026-02-01"}));
    to.post("Until a day that has passed", lead, &not_found, &past, 422)
        .await;
    let other = with(word.clone(), json!({"clamp_id": opened}));
    to.post("A clamp that it does not hold", lead, &not_found, &other, 404)
        .await;
    // Of the same model, and nobody can read its number.
    let outstanding = format!("{path}/clamps?accounted=outstanding");
    let unread = to.look(lead, &outstanding).await.text("/items/0/clamp_id");
    let word = with(word, json!({"clamp_id": unread}));
    to.post("The one without a number, too", lead, &not_found, &word, 200)
        .await;
    to.post("Everything is accounted for", "safety", &closure, &json!({}), 200)
        .await;
    to.post("Closed already", lead, &not_found, &word, 409).await;
}

/// What an ERP is told by itself.
async fn webhooks(to: &mut Recorder) {
    let by = "administrator";
    let all = "/v1/webhook-endpoints";
    let new = json!({
        "url": "https://erp.halvorsund.example/clampward", "description": "Plant ERP: counts of clamps that are out of service",
        "events": ["clamp.changed"],
    });
    let made = to.post("Counts", by, all, &new, 201).await;
    let elsewhere = with(
        new.clone(),
        json!({"url": "https://192.168.1.1/", "events": ["clamp.changed", "clamp.changed", "webhook.test"]}),
    );
    to.post("Not listed, and named twice", by, all, &elsewhere, 422)
        .await;
    to.get("Every endpoint", "safety", all, 200).await;
    let path = format!("{all}/{}", made.text("/id"));
    let nobody = format!("{all}/01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10");
    let read = to.get("An endpoint", by, &path, 200).await;
    to.get("No such endpoint", by, &nobody, 404).await;
    let pause = json!({"paused": true});
    to.patch("Which version", by, &path, None, &pause, 428).await;
    to.patch("Paused", by, &path, Some(read.etag()), &pause, 200)
        .await;
    to.patch("Changed meanwhile", by, &path, Some(read.etag()), &pause, 412)
        .await;
    let paused = to.look(by, &path).await;
    let nothing = json!({"events": []});
    to.patch("Of nothing", by, &path, Some(paused.etag()), &nothing, 422)
        .await;
    to.patch("No such endpoint", by, &nobody, Some(paused.etag()), &pause, 404)
        .await;
    to.patch(
        "Goes on",
        by,
        &path,
        Some(paused.etag()),
        &json!({"paused": false}),
        200,
    )
    .await;

    let (test, secrets, again) = ("test-deliveries", "secrets", "redeliveries");
    let tried = to
        .bare_post("Tried out", by, &format!("{path}/{test}"), 200)
        .await
        .text("/event_id");
    to.bare_post("No such endpoint", by, &format!("{nobody}/{test}"), 404)
        .await;
    to.app.deliver().await;
    let deliveries = format!("{path}/deliveries?state=delivered&limit=2");
    to.get("What arrived", "safety", &deliveries, 200).await;
    to.get("No such endpoint", by, &format!("{nobody}/deliveries"), 404)
        .await;
    let event = json!({"event_id": tried});
    to.post("One event", by, &format!("{path}/{again}"), &event, 200)
        .await;
    let range = json!({"from": "2026-03-02T00:00:00Z", "to": "2026-03-02T06:00:00Z"});
    to.post("Six hours", by, &format!("{path}/{again}"), &range, 200)
        .await;
    let backwards = json!({"from": "2026-03-02T06:00:00Z", "to": "2026-03-02T00:00:00Z"});
    to.post(
        "In the wrong order",
        by,
        &format!("{path}/{again}"),
        &backwards,
        422,
    )
    .await;
    to.post("No such endpoint", by, &format!("{nobody}/{again}"), &event, 404)
        .await;
    let hours = json!({"old_valid_hours": 48});
    to.post(
        "Both sign for two days",
        by,
        &format!("{path}/{secrets}"),
        &hours,
        201,
    )
    .await;
    to.post("Two sign already", by, &format!("{path}/{secrets}"), &hours, 409)
        .await;
    let long = json!({"old_valid_hours": 1000});
    to.post("For too long", by, &format!("{path}/{secrets}"), &long, 422)
        .await;
    to.post(
        "No such endpoint",
        by,
        &format!("{nobody}/{secrets}"),
        &hours,
        404,
    )
    .await;
    to.get("How it goes", "safety", &format!("{path}/status"), 200)
        .await;
    to.get("No such endpoint", by, &format!("{nobody}/status"), 404)
        .await;
    let token = to.token(by).await;
    for _ in 1..20 {
        to.app.post(&token, all, &new).await.succeeded(201);
    }
    to.post("As many as there may be", by, all, &new, 409).await;
    to.bare_post("Removed", by, &format!("{path}/removal"), 204).await;
    to.bare_post("No such endpoint", by, &format!("{path}/removal"), 404)
        .await;
}

async fn reading(to: &mut Recorder) {
    to.get("Alive", "", "/healthz", 200).await;
    to.get("Ready", "", "/readyz", 200).await;
    to.get("Two of the limits", "", "/v1/limits", 200).await;
    to.get("The key in use", "", "/.well-known/jwks.json", 200).await;
    to.get("Help for a program", "", "/problems/version-stale", 200)
        .await;
    to.get("No such code", "", "/problems/no-such-code", 404).await;
    to.get("An inspector", "inspector-calder-reach", "/v1/me", 200)
        .await;
    to.get("Without a token", "", "/v1/me", 401).await;
    to.get("One rule set", "safety", "/v1/rule-sets", 200).await;
    let model = to.look("safety", "/v1/models?limit=1").await.text("/items/0/id");
    let criteria = format!("/v1/criteria?model_id={model}&inspection_kind=frequent");
    to.get(
        "As a frequent inspection asks",
        "inspector-calder-reach",
        &criteria,
        200,
    )
    .await;
    to.get(
        "A mistyped parameter",
        "inspector-calder-reach",
        "/v1/criteria?kind=frequent",
        400,
    )
    .await;
    to.get("The first page", "safety", "/v1/models?limit=1", 200)
        .await;
    to.get("A model", "safety", &format!("/v1/models/{model}"), 200)
        .await;
    to.get("The first page", "safety", "/v1/yards?limit=1", 200).await;
    let yard = to.look("safety", "/v1/yards?limit=1").await.text("/items/0/id");
    to.get("A yard", "safety", &format!("/v1/yards/{yard}"), 200)
        .await;
    to.get("The first page", "administrator", "/v1/users?limit=1", 200)
        .await;

    to.get(
        "Tagged out in a yard",
        "safety",
        "/v1/clamps?status=tagged_out&limit=1",
        200,
    )
    .await;
    to.get("An unknown filter", "safety", "/v1/clamps?state=tagged_out", 400)
        .await;
    let worn = to.clamp("PEL-006").await;
    to.get("A worn shackle eye", "safety", &format!("/v1/clamps/{worn}"), 200)
        .await;
    to.get(
        "Not there for you",
        "inspector-calder-reach",
        &format!("/v1/clamps/{worn}"),
        404,
    )
    .await;
    to.get(
        "Newest entry first",
        "safety",
        &format!("/v1/clamps/{worn}/entries?limit=1"),
        200,
    )
    .await;
    to.get("Tagged out", "safety", &format!("/v1/clamps/{worn}/fitness"), 200)
        .await;
    to.get(
        "Wear of one part",
        "safety",
        &format!("/v1/clamps/{worn}/wear?criterion=shackle_eye_worn"),
        200,
    )
    .await;
    to.get(
        "One clamp bears the mark",
        "operator-port-ellery",
        "/v1/fitness?mark=pel%20001",
        200,
    )
    .await;
    to.get(
        "Nobody bears the mark",
        "operator-port-ellery",
        "/v1/fitness?mark=XXX-999",
        404,
    )
    .await;
}

/// Snapshots of two yards, and what one compares by; answers the cursors from which to go on.
async fn beginning_to_pull(to: &mut Recorder) -> Vec<String> {
    to.get("What holds", "erp", "/v1/sync/config", 200).await;
    let yards = to.look("safety", "/v1/yards?limit=2").await;
    let mut cursors = Vec::new();
    for place in ["/items/0/id", "/items/1/id"] {
        let yard = yards.text(place);
        let path = format!("/v1/sync/snapshot?yard={yard}");
        let head = to.get("A yard", "erp", &path, 200).await.lines().swap_remove(0);
        cursors.push(head["cursor"].as_str().expect("a cursor").to_owned());
        if cursors.len() == 1 {
            let digest = format!("/v1/sync/digest?yard={yard}&position={}", head["position"]);
            to.get("As a device has it", "erp", &digest, 200).await;
            let earlier = format!("/v1/sync/digest?yard={yard}&position=1");
            to.get("Things have happened since", "erp", &earlier, 409).await;
        }
    }
    let nowhere = "/v1/sync/snapshot?yard=01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10";
    to.get("Not there for you", "erp", nowhere, 404).await;
    to.get("From the beginning", "erp", "/v1/events?limit=1", 200)
        .await;
    cursors
}

async fn pulling(to: &mut Recorder, cursors: &[String]) {
    let cursors: Vec<String> = cursors.iter().map(|cursor| format!("cursor={cursor}")).collect();
    let path = format!("/v1/sync/changes?{}&limit=2", cursors.join("&"));
    to.get("Two yards", "erp", &path, 200).await;
    to.get(
        "No cursor of yours",
        "erp",
        "/v1/sync/changes?cursor=AQAAAAEA",
        400,
    )
    .await;
    to.get("Too long a wait", "erp", "/v1/events?wait=60", 400).await;
}

async fn people(to: &mut Recorder) {
    let sign_in = json!({"email": "inspector-calder-reach@halvorsund.example", "password": "demo only: inspector-calder-reach"});
    let signed_in = to.post("Signed in", "", "/v1/auth/token", &sign_in, 200).await;
    let wrong = with(sign_in.clone(), json!({"password": "not this one"}));
    to.post("Another password", "", "/v1/auth/token", &wrong, 401)
        .await;
    to.post(
        "A field is missing",
        "",
        "/v1/auth/token",
        &json!({"email": "a@halvorsund.example"}),
        422,
    )
    .await;
    let refresh = json!({"refresh_token": signed_in.text("/refresh_token")});
    let renewed = to.post("Renewed", "", "/v1/auth/refresh", &refresh, 200).await;
    to.post("A field is missing", "", "/v1/auth/refresh", &json!({}), 422)
        .await;
    let ended = json!({"refresh_token": renewed.text("/refresh_token")});
    to.post("Ended", "", "/v1/auth/revoke", &ended, 204).await;
    to.post("The session has ended", "", "/v1/auth/refresh", &ended, 401)
        .await;
    to.post("A field is missing", "", "/v1/auth/revoke", &json!({}), 422)
        .await;

    let new = json!({"email": "mara.lind@halvorsund.example", "name": "Mara Lind", "roles": ["inspector"], "yards": "all"});
    let created = to.post("Recorded", "administrator", "/v1/users", &new, 201).await;
    to.post("The address is taken", "administrator", "/v1/users", &new, 409)
        .await;
    let faulty = with(new, json!({"email": "no address", "roles": []}));
    to.post("Two faults", "administrator", "/v1/users", &faulty, 422)
        .await;
    let password =
        json!({"token": created.text("/set_password_token"), "password": "five plain words do nicely"});
    // A password that is refused leaves its token as it was.
    let short = with(password.clone(), json!({"password": "short"}));
    to.post("Too short", "", "/v1/auth/set-password", &short, 422)
        .await;
    to.post("Set", "", "/v1/auth/set-password", &password, 204).await;

    let person = format!("/v1/users/{}", created.text("/id"));
    let read = to.get("A person", "administrator", &person, 200).await;
    let etag = read.etag().to_owned();
    let change = json!({"roles": ["inspector", "yard_lead"]});
    to.patch(
        "Another role too",
        "administrator",
        &person,
        Some(&etag),
        &change,
        200,
    )
    .await;
    to.patch(
        "Changed meanwhile",
        "administrator",
        &person,
        Some(&etag),
        &change,
        412,
    )
    .await;
    to.patch("Which version", "administrator", &person, None, &change, 428)
        .await;
    let now = to.look("administrator", &person).await.etag().to_owned();
    let taken = json!({"email": "auditor@halvorsund.example"});
    to.patch(
        "The address is taken",
        "administrator",
        &person,
        Some(&now),
        &taken,
        409,
    )
    .await;
    to.patch(
        "No role",
        "administrator",
        &person,
        Some(&now),
        &json!({"roles": []}),
        422,
    )
    .await;
    let tokens = format!("{person}/set-password-tokens");
    to.bare_post("A new token", "administrator", &tokens, 201).await;

    let competences = format!("{person}/competences");
    let competence = json!({"kind": "qualified_person", "valid_from": "2026-01-01", "valid_until": "2028-12-31", "evidence": "certificate 4711"});
    let recorded = to
        .post("Recorded", "safety", &competences, &competence, 201)
        .await;
    let backwards = with(competence, json!({"valid_until": "2025-12-31"}));
    to.post("Ends before it begins", "safety", &competences, &backwards, 422)
        .await;
    to.get("All of them", "safety", &format!("{competences}?limit=2"), 200)
        .await;
    let revocation = format!("{competences}/{}/revocation", recorded.text("/id"));
    let day = json!({"revoked_from": "2026-03-02"});
    to.post("Withdrawn", "safety", &revocation, &day, 200).await;
    to.post("Withdrawn already", "safety", &revocation, &day, 409)
        .await;
    to.post(
        "Not a day",
        "safety",
        &revocation,
        &json!({"revoked_from": "2026-02-30"}),
        422,
    )
    .await;
}

/// What an ERP needs: an account of its own, a token for its secret, and the counts.
async fn programs(to: &mut Recorder) {
    let accounts = "/v1/service-accounts";
    let new = json!({"name": "Plant ERP, nightly counts", "yards": "all", "secret_days": 180});
    let created = to.post("Recorded", "administrator", accounts, &new, 201).await;
    let faulty = with(new, json!({"name": "", "secret_days": 366}));
    to.post("Two faults", "administrator", accounts, &faulty, 422)
        .await;
    let account = format!("{accounts}/{}", created.text("/id"));

    let credentials = json!({
        "grant_type": "client_credentials", "client_id": created.text("/client_id"),
        "client_secret": created.text("/client_secret"),
    });
    let token = "/v1/oauth/token";
    to.form("Signed in", token, &credentials, 200).await;
    let wrong = with(credentials.clone(), json!({"client_secret": "another"}));
    to.form("Another secret", token, &wrong, 401).await;
    let other = with(credentials, json!({"grant_type": "password"}));
    to.form("Another grant", token, &other, 400).await;

    to.get(
        "The first page",
        "administrator",
        &format!("{accounts}?limit=1"),
        200,
    )
    .await;
    let read = to.get("A service account", "administrator", &account, 200).await;
    let etag = read.etag().to_owned();
    let nobody = format!("{accounts}/01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10");
    to.get("No such account", "administrator", &nobody, 404).await;
    let change = json!({"name": "Plant ERP, hourly counts"});
    to.patch("Which version", "administrator", &account, None, &change, 428)
        .await;
    to.patch(
        "Another name",
        "administrator",
        &account,
        Some(&etag),
        &change,
        200,
    )
    .await;
    to.patch(
        "Changed meanwhile",
        "administrator",
        &account,
        Some(&etag),
        &change,
        412,
    )
    .await;
    let now = to.look("administrator", &account).await.etag().to_owned();
    to.patch(
        "Without a name",
        "administrator",
        &account,
        Some(&now),
        &json!({"name": ""}),
        422,
    )
    .await;

    let secrets = format!("{account}/secrets");
    // While there is one: ids of one instant have no order.
    to.get("The first secret", "administrator", &secrets, 200).await;
    let next = to
        .post("The next secret", "administrator", &secrets, &json!({}), 201)
        .await;
    to.post(
        "Two are valid already",
        "administrator",
        &secrets,
        &json!({}),
        409,
    )
    .await;
    let long = json!({"secret_days": 1000});
    to.post("Longer than a year", "administrator", &secrets, &long, 422)
        .await;
    let old = created.text("/secret_id");
    to.bare_post(
        "The old one withdrawn",
        "administrator",
        &format!("{secrets}/{old}/revocation"),
        204,
    )
    .await;
    assert_ne!(old, next.text("/secret_id"));

    let counts = "/v1/reports/out-of-service";
    to.get(
        "By yard and reason",
        "safety",
        &format!("{counts}?group_by=yard,reason"),
        200,
    )
    .await;
    to.get(
        "One's own yard at the end of a day",
        "lead-calder-reach",
        &format!("{counts}?group_by=wll_band&as_of=2026-02-01"),
        200,
    )
    .await;
    to.get(
        "No such grouping",
        "safety",
        &format!("{counts}?group_by=colour"),
        400,
    )
    .await;
    let lead = "lead-calder-reach";
    let due = "/v1/reports/inspections-due";
    to.get("In one's own yard", lead, &format!("{due}?until=2026-03-06"), 200)
        .await;
    to.get("No day", lead, &format!("{due}?until=soon"), 400).await;
    to.get(
        "How old lock-outs are",
        "safety",
        "/v1/reports/lock-out-ageing",
        200,
    )
    .await;
    to.get("A yard's clamps", lead, "/v1/reports/fleet", 200).await;
    let rejections = "/v1/reports/rejections";
    to.get(
        "By component, over half a year",
        "safety",
        &format!("{rejections}?group_by=component&from=2025-09-01&until=2026-02-28"),
        200,
    )
    .await;
    to.get(
        "The wrong way round",
        "safety",
        &format!("{rejections}?from=2026-02-28&until=2025-09-01"),
        400,
    )
    .await;
}

async fn yards_and_models(to: &mut Recorder) {
    let yard = json!({"code": "NWH", "name": "Norwick Haven (invented)", "time_zone": "Europe/London", "rule_set": "gb-loler"});
    let created = to.post("Recorded", "safety", "/v1/yards", &yard, 201).await;
    to.post("The code is taken", "safety", "/v1/yards", &yard, 409)
        .await;
    let faulty = with(yard, json!({"code": "NWI", "time_zone": "Europe/Norwick"}));
    to.post("No such time zone", "safety", "/v1/yards", &faulty, 422)
        .await;
    let path = format!("/v1/yards/{}", created.text("/id"));
    let tighter = json!({"intervals": {"periodic": {"normal": "P3M"}}, "reason": "salt air"});
    to.patch("Which version", "safety", &path, None, &tighter, 428)
        .await;
    let changed = to
        .patch(
            "Tighter intervals",
            "safety",
            &path,
            Some(created.etag()),
            &tighter,
            200,
        )
        .await;
    to.patch(
        "Changed meanwhile",
        "safety",
        &path,
        Some(created.etag()),
        &tighter,
        412,
    )
    .await;
    let taken = json!({"code": "PEL"});
    to.patch(
        "The code is taken",
        "safety",
        &path,
        Some(changed.etag()),
        &taken,
        409,
    )
    .await;
    let longer = json!({"intervals": {"periodic": {"normal": "P5Y"}}});
    to.patch(
        "Longer than the law allows",
        "safety",
        &path,
        Some(changed.etag()),
        &longer,
        422,
    )
    .await;

    let model = json!({
        "maker": "Tornhagen", "model": "TH-2V", "kind": "vertical", "wll": {"value": "2", "unit": "t"},
        "jaw_opening": {"min": {"value": "0", "unit": "mm"}, "max": {"value": "35", "unit": "mm"}},
        "lock": "spring", "wear_points": [{"criterion": "shackle_eye_worn", "nominal": {"value": "20", "unit": "mm"}}]
    });
    let created = to.post("Recorded", "safety", "/v1/models", &model, 201).await;
    to.post("Recorded already", "safety", "/v1/models", &model, 409)
        .await;
    let backwards = json!({"min": {"value": "35", "unit": "mm"}, "max": {"value": "0", "unit": "mm"}});
    let faulty = with(model, json!({"model": "TH-2W", "jaw_opening": backwards}));
    to.post("A jaw that opens backwards", "safety", "/v1/models", &faulty, 422)
        .await;
    let path = format!("/v1/models/{}", created.text("/id"));
    let change = json!({"hardness_limit_hb": 280, "starts_on": "2026-03-10"});
    to.patch("Which version", "safety", &path, None, &change, 428)
        .await;
    let changed = to
        .patch(
            "From a later day",
            "safety",
            &path,
            Some(created.etag()),
            &change,
            200,
        )
        .await;
    to.patch(
        "Changed meanwhile",
        "safety",
        &path,
        Some(created.etag()),
        &change,
        412,
    )
    .await;
    let earlier = with(change, json!({"starts_on": "2026-03-05"}));
    to.patch(
        "A later version waits",
        "safety",
        &path,
        Some(changed.etag()),
        &earlier,
        409,
    )
    .await;
    let maker = json!({"maker": "Greywater Forge"});
    to.patch(
        "Never changes",
        "safety",
        &path,
        Some(changed.etag()),
        &maker,
        422,
    )
    .await;
}

/// A new clamp of Calder Reach.
async fn registering(to: &mut Recorder) -> String {
    let like = to.clamp("CAL-001").await;
    let like = to.look("lead-calder-reach", &format!("/v1/clamps/{like}")).await;
    let id = to.id();
    let new = to.entry(json!({
        "id": id, "asset_mark": "CAL-101", "serial_number": "OK-2026-0101", "model_id": like.text("/model_id"),
        "yard_id": like.text("/yard_id"), "service_class": "normal", "manufactured_on": "2025-11-20"
    }));
    to.post("Registered", "lead-calder-reach", "/v1/clamps", &new, 201)
        .await;
    to.post("Sent again", "lead-calder-reach", "/v1/clamps", &new, 200)
        .await;
    let (other, entry) = (to.id(), to.id());
    let taken = with(
        new.clone(),
        json!({"id": other, "entry_id": entry, "asset_mark": "CAL-102"}),
    );
    to.post(
        "The number is taken",
        "lead-calder-reach",
        "/v1/clamps",
        &taken,
        409,
    )
    .await;
    let entry = to.id();
    let faulty = with(new, json!({"entry_id": entry, "service_class": "gentle"}));
    to.post(
        "A class that does not exist",
        "lead-calder-reach",
        "/v1/clamps",
        &faulty,
        422,
    )
    .await;
    id
}

/// Findings that accept everything that an inspection of a kind asks.
async fn accepted(to: &mut Recorder, clamp: &str, kind: &str) -> Vec<Value> {
    let model = to
        .look("safety", &format!("/v1/clamps/{clamp}"))
        .await
        .text("/model_id");
    let path = format!("/v1/criteria?model_id={model}&inspection_kind={kind}");
    let criteria = to.look("safety", &path).await;
    let items = criteria.body["items"].as_array().cloned().unwrap_or_default();
    items
        .iter()
        .filter(|criterion| criterion["mandatory"] == true)
        .map(|criterion| json!({"criterion": criterion["code"], "outcome": "accept"}))
        .collect()
}

async fn inspecting(to: &mut Recorder, clamp: &str) {
    let path = format!("/v1/clamps/{clamp}/inspections");
    let findings = accepted(to, clamp, "initial").await;
    let inspection = to.entry(json!({"kind": "initial", "findings": findings}));
    to.post(
        "Everything in order",
        "inspector-calder-reach",
        &path,
        &inspection,
        201,
    )
    .await;
    to.post("Sent again", "inspector-calder-reach", &path, &inspection, 200)
        .await;
    let other = with(inspection.clone(), json!({"kind": "periodic"}));
    to.post(
        "The id again for something else",
        "inspector-calder-reach",
        &path,
        &other,
        409,
    )
    .await;
    let faulty = to.entry(json!({"kind": "frequent", "findings": [
        {"criterion": "shackle_eye_wron", "outcome": "accept"}, {"criterion": "shackle_eye_worn", "outcome": "reject", "grade": "danger_by"}
    ]}));
    to.post(
        "Faults with their places",
        "inspector-calder-reach",
        &path,
        &faulty,
        422,
    )
    .await;
    to.get(
        "Fit",
        "operator-calder-reach",
        &format!("/v1/clamps/{clamp}/fitness"),
        200,
    )
    .await;
}

async fn tool_crib_and_use(to: &mut Recorder, clamp: &str) {
    let issues = format!("/v1/clamps/{clamp}/issues");
    let issued = to.entry(json!({"issued_to_name": "gang 4"}));
    to.post("Issued to a gang", "lead-calder-reach", &issues, &issued, 201)
        .await;
    let to_nobody = to.entry(json!({}));
    to.post("To nobody", "lead-calder-reach", &issues, &to_nobody, 422)
        .await;
    let uses = format!("/v1/clamps/{clamp}/uses");
    let used = to.entry(
        json!({"from": "2026-03-02T06:00:00Z", "lifts": 14, "heaviest_load": {"value": "640", "unit": "kg"}}),
    );
    to.post("A shift", "operator-calder-reach", &uses, &used, 201)
        .await;
    to.post(
        "The id again for something else",
        "operator-calder-reach",
        &uses,
        &with(used.clone(), json!({"lifts": 15})),
        409,
    )
    .await;
    let backwards = to.entry(json!({"from": "2026-03-03T06:00:00Z", "lifts": 1}));
    to.post(
        "Begins after it ends",
        "operator-calder-reach",
        &uses,
        &backwards,
        422,
    )
    .await;
    let receipts = format!("/v1/clamps/{clamp}/receipts");
    let received = to.entry(json!({"note": "teeth brushed"}));
    to.post("Received back", "lead-calder-reach", &receipts, &received, 201)
        .await;
    to.post(
        "The id again for something else",
        "lead-calder-reach",
        &receipts,
        &with(received, json!({"note": "other"})),
        409,
    )
    .await;
    let unknown = to.entry(json!({"remark": "teeth brushed"}));
    to.post("An unknown field", "lead-calder-reach", &receipts, &unknown, 422)
        .await;
    let classes = format!("/v1/clamps/{clamp}/classifications");
    let harder = to.entry(json!({"service_class": "heavy"}));
    to.post("Harder service", "lead-calder-reach", &classes, &harder, 201)
        .await;
    to.post(
        "The id again for something else",
        "lead-calder-reach",
        &classes,
        &with(harder, json!({"service_class": "severe"})),
        409,
    )
    .await;
    let unknown = to.entry(json!({"service_class": "gentle"}));
    to.post(
        "A class that does not exist",
        "lead-calder-reach",
        &classes,
        &unknown,
        422,
    )
    .await;
}

/// Rejected, repaired, re-inspected and returned; tells the entry of the return.
async fn out_and_back(to: &mut Recorder, clamp: &str) -> String {
    let tag_outs = format!("/v1/clamps/{clamp}/tag-outs");
    let findings = accepted(to, clamp, "frequent").await;
    let worn: Vec<Value> = findings
        .iter()
        .filter(|finding| finding["criterion"] != "shackle_eye_worn")
        .cloned()
        .chain([json!({"criterion": "shackle_eye_worn", "outcome": "reject", "grade": "danger", "note": "bright line on the crown"})])
        .collect();
    let rejection = to.entry(json!({"kind": "frequent", "findings": worn}));
    let path = format!("/v1/clamps/{clamp}/inspections");
    let rejected = to
        .post("Rejected", "inspector-calder-reach", &path, &rejection, 201)
        .await;
    let lockout = rejected.text("/result/opened/0/id");
    let issue = to.entry(json!({"issued_to_name": "gang 4"}));
    to.post(
        "Tagged out",
        "lead-calder-reach",
        &format!("/v1/clamps/{clamp}/issues"),
        &issue,
        409,
    )
    .await;

    let repairs = format!("/v1/clamps/{clamp}/repairs");
    let repair = to.entry(json!({
        "components": ["shackle"], "answers": [lockout], "work": "shackle renewed",
        "parts": [{"component": "shackle", "part_number": "OK-V3-SH", "lot": "L7", "from_original_maker": true}]
    }));
    let repaired = to
        .post(
            "With the maker's part",
            "technician-calder-reach",
            &repairs,
            &repair,
            201,
        )
        .await;
    let reused = with(repair.clone(), json!({"work": "something else"}));
    to.post(
        "The id again for something else",
        "technician-calder-reach",
        &repairs,
        &reused,
        409,
    )
    .await;
    let (entry, nothing) = (to.id(), json!([]));
    let faulty = with(
        repair,
        json!({"entry_id": entry, "components": nothing, "work": ""}),
    );
    to.post(
        "Nothing was worked on",
        "technician-calder-reach",
        &repairs,
        &faulty,
        422,
    )
    .await;
    let (repair, again) = (repaired.text("/entry_id"), repaired.text("/result/opened/0/id"));

    let tests = format!("/v1/clamps/{clamp}/proof-tests");
    let model_wll = to.look("safety", &format!("/v1/clamps/{clamp}")).await.body["wll"].clone();
    let tested = to.entry(json!({"load": model_wll, "result": "passed", "certificate_number": "PT-2026-17"}));
    to.post("Passed", "technician-calder-reach", &tests, &tested, 201)
        .await;
    to.post(
        "The id again for something else",
        "technician-calder-reach",
        &tests,
        &with(tested, json!({"result": "failed"})),
        409,
    )
    .await;
    let number = to.entry(json!({"load": {"value": 3, "unit": "t"}, "result": "passed"}));
    to.post(
        "A number where text is wanted",
        "technician-calder-reach",
        &tests,
        &number,
        422,
    )
    .await;

    let findings = accepted(to, clamp, "after_repair").await;
    let inspection =
        to.entry(json!({"kind": "after_repair", "after_repair_of": repair, "findings": findings}));
    let inspected = to
        .post(
            "After a repair",
            "inspector-calder-reach",
            &path,
            &inspection,
            201,
        )
        .await;
    let inspection = inspected.text("/entry_id");
    let release = json!({"lockout_id": lockout, "ground": "repaired", "repair_entry": repair, "inspection_entry": inspection});
    let returns = format!("/v1/clamps/{clamp}/returns-to-service");
    let short = to.entry(json!({"releases": [release]}));
    to.post(
        "One lock-out is not named",
        "lead-calder-reach",
        &returns,
        &short,
        409,
    )
    .await;
    let empty = to.entry(json!({"releases": []}));
    to.post("Nothing is released", "lead-calder-reach", &returns, &empty, 422)
        .await;
    let both = to.entry(json!({"releases": [release, {"lockout_id": again, "ground": "reinspected", "inspection_entry": inspection}]}));
    let returned = to
        .post(
            "Every lock-out with its ground",
            "lead-calder-reach",
            &returns,
            &both,
            201,
        )
        .await;

    let tagged = to.entry(json!({"reason": "precaution", "note": "lock feels slack"}));
    to.post("Out of caution", "operator-calder-reach", &tag_outs, &tagged, 201)
        .await;
    to.post(
        "The id again for something else",
        "operator-calder-reach",
        &tag_outs,
        &with(tagged, json!({"reason": "dropped"})),
        409,
    )
    .await;
    let word = to.entry(json!({"reason": "broken"}));
    to.post(
        "A reason that is no word of ours",
        "operator-calder-reach",
        &tag_outs,
        &word,
        422,
    )
    .await;
    returned.text("/entry_id")
}

/// A photo that an entry cites: awaited, sent in two pieces, seen.
async fn photos(to: &mut Recorder, clamp: &str) {
    // A PNG of one pixel; the same bytes in every run.
    let pixel = image::RgbImage::from_pixel(1, 1, image::Rgb([90, 90, 90]));
    let mut file = std::io::Cursor::new(Vec::new());
    image::DynamicImage::ImageRgb8(pixel)
        .write_to(&mut file, image::ImageFormat::Png)
        .expect("a file");
    let file = file.into_inner();
    let digest = clampward_domain::canonical::sha256(&[&file]);
    let photo = clampward_domain::photo::PhotoDigest::new(digest).to_string();
    let by = "inspector-calder-reach";
    let cites = to.entry(json!({"reason": "dropped", "note": "fell from the rack", "photos": [photo]}));
    to.post(
        "With a photo that has not arrived",
        by,
        &format!("/v1/clamps/{clamp}/tag-outs"),
        &cites,
        201,
    )
    .await;
    let path = format!("/v1/photos/{photo}");
    to.get("Awaited", "lead-calder-reach", "/v1/photos?state=pending", 200)
        .await;
    to.get("Not there yet", "lead-calder-reach", &path, 404).await;
    to.piece("Begun", by, &path, (0, file.len()), &file[..40], 204)
        .await;
    to.piece("Elsewhere", by, &path, (60, file.len()), &file[60..], 409)
        .await;
    to.piece("The last piece", by, &path, (40, file.len()), &file[40..], 200)
        .await;
    let other = format!("/v1/photos/{:064x}", 1);
    to.piece("Other bytes", by, &other, (0, file.len()), &file, 422)
        .await;
}

async fn lift_checks(to: &mut Recorder, clamp: &str) {
    let fit = to.clamp("CAL-001").await;
    let check = |id: String, clamp: &str| {
        json!({
            "id": id, "clamps": [clamp],
            "plate": {"length": {"value": "4", "unit": "m"}, "width": {"value": "1.5", "unit": "m"}, "thickness": {"value": "20", "unit": "mm"}},
            "surface": "clean", "lift": "vertical", "legs": 1, "angle_from_horizontal": {"value": "90", "unit": "deg"},
            "every_lift_check": "passed"
        })
    };
    let id = to.id();
    to.post(
        "Clear",
        "operator-calder-reach",
        "/v1/lift-checks",
        &check(id, &fit),
        200,
    )
    .await;
    let id = to.id();
    to.post(
        "Stop",
        "operator-calder-reach",
        "/v1/lift-checks",
        &check(id, clamp),
        200,
    )
    .await;
    let id = to.id();
    let faulty = with(
        check(id, &fit),
        json!({"angle_from_horizontal": {"value": "90", "unit": "degrees"}}),
    );
    to.post(
        "An unknown unit",
        "operator-calder-reach",
        "/v1/lift-checks",
        &faulty,
        422,
    )
    .await;
}

async fn corrections(to: &mut Recorder, clamp: &str, returned: &str) {
    let registered = to
        .look("safety", &format!("/v1/clamps/{clamp}/entries?limit=200"))
        .await;
    let entries = registered.body["items"].as_array().cloned().unwrap_or_default();
    let registration = entries
        .last()
        .and_then(|entry| entry["entry_id"].as_str())
        .unwrap_or_default()
        .to_owned();
    let path = format!("/v1/clamps/{clamp}/amendments");
    let amended = to.entry(
        json!({"cites": registration, "field": "asset_mark", "value": "CAL-110", "reason": "painted anew"}),
    );
    to.post("Another mark", "lead-calder-reach", &path, &amended, 201)
        .await;
    to.post(
        "The id again for something else",
        "lead-calder-reach",
        &path,
        &with(amended, json!({"value": "CAL-111"})),
        409,
    )
    .await;
    let faulty =
        to.entry(json!({"cites": registration, "field": "colour", "value": "red", "reason": "painted anew"}));
    to.post("No such field", "lead-calder-reach", &path, &faulty, 422)
        .await;

    let confirmation = format!("/v1/clamps/{clamp}/returns-to-service/{}/confirmation", returned);
    confirming(
        to,
        &confirmation,
        ("One's own return", "lead-calder-reach"),
        "safety",
    )
    .await;

    let here = to
        .look("safety", &format!("/v1/clamps/{clamp}"))
        .await
        .text("/yard_id");
    let yards = to.look("safety", "/v1/yards").await;
    let ids = yards.body["items"].as_array().cloned().unwrap_or_default();
    let there = ids
        .iter()
        .find(|yard| yard["code"] == "PEL" && yard["id"] != here.as_str())
        .and_then(|yard| yard["id"].as_str())
        .unwrap_or_default()
        .to_owned();
    let path = format!("/v1/clamps/{clamp}/transfers");
    let transferred = to.entry(json!({"to_yard": there, "note": "by lorry"}));
    to.post("To another yard", "safety", &path, &transferred, 201)
        .await;
    to.post(
        "The id again for something else",
        "safety",
        &path,
        &with(transferred, json!({"note": "by rail"})),
        409,
    )
    .await;
    let nowhere = to.id();
    let unknown = to.entry(json!({"to_yard": nowhere}));
    to.post("No such yard", "safety", &path, &unknown, 422).await;
}

async fn retirement(to: &mut Recorder) {
    let clamp = to.clamp("CAL-003").await;
    let path = format!("/v1/clamps/{clamp}/retirement");
    let retired = to.entry(
        json!({"reason": "body plate bent", "made_unusable": "jaw cut through", "witness": "Signe Varga"}),
    );
    let entry = to
        .post("Scrapped", "lead-calder-reach", &path, &retired, 201)
        .await
        .text("/entry_id");
    let again = to.entry(json!({"reason": "once more"}));
    to.post("Retired already", "lead-calder-reach", &path, &again, 409)
        .await;
    let faulty = to.entry(json!({"reason": ""}));
    to.post("Without a reason", "lead-calder-reach", &path, &faulty, 422)
        .await;
    let amendments = format!("/v1/clamps/{clamp}/amendments");
    let undone = to.entry(json!({"cites": entry, "field": "retirement_undone", "value": "Signe Varga saw CAL-003 whole in the rack", "reason": "the wrong clamp was entered"}));
    let undone = to
        .post("A retirement undone", "safety", &amendments, &undone, 201)
        .await
        .text("/entry_id");
    let confirmation = format!("{amendments}/{undone}/confirmation");
    confirming(
        to,
        &confirmation,
        ("One's own amendment", "safety"),
        "safety-second",
    )
    .await;
}

/// The second person's word: refused to whoever gave the first, taken from another, and with a field too many.
async fn confirming(to: &mut Recorder, path: &str, (name, own): (&str, &str), other: &str) {
    let confirmed = to.entry(json!({}));
    to.post(name, own, path, &confirmed, 409).await;
    let confirmed = to.entry(json!({}));
    to.post("Confirmed by another person", other, path, &confirmed, 201)
        .await;
    let faulty = with(confirmed, json!({"note": "seen"}));
    to.post("An unknown field", other, path, &faulty, 422).await;
}
