//! The endpoints that are tried, each with a body that it takes and the places of its fields by kind.

use super::Field::{self, Day, Id, Instant, Length, Mass, Text};
use crate::trade::{Fleet, accepted, finding, kg, mm, with};
use serde_json::{Value, json};

/// An endpoint with a body that it takes.
pub struct Endpoint {
    pub name: &'static str,
    pub method: &'static str,
    pub path: String,
    pub token: String,
    pub etag: Option<String>,
    pub good: Value,
    pub fields: &'static [(Field, &'static str)],
}

/// Those of a clamp's life and of reference data, made so that one's good body does not stand in another's way.
pub async fn all(fleet: &Fleet) -> Vec<Endpoint> {
    let clamp = fleet.fit_clamp("4711").await;
    let mut all = of_clamps(fleet, &clamp);
    all.extend(of_reference(fleet).await);
    all.extend(of_people(fleet));
    all.extend(of_devices(fleet).await);
    all
}

fn of_clamps(fleet: &Fleet, clamp: &str) -> Vec<Endpoint> {
    let registration = with(
        fleet.registration(&fleet.new_id(), "4712"),
        &json!({"manufactured_on": "2024-05-02", "wll": kg("3000"), "jaw_opening": {"min": mm("0"), "max": mm("40")}}),
    );
    let measured = json!({"measured": mm("29.9"), "uncertainty": mm("0.1"), "note": "at the crown"});
    let mut inspection = finding(accepted("frequent"), "shackle_eye_worn", measured);
    // The places below name the first finding.
    let findings = inspection["findings"].as_array_mut().expect("findings");
    findings.sort_by_key(|finding| finding["criterion"] != "shackle_eye_worn");
    let lift = json!({
        "id": fleet.new_id(), "clamps": [clamp], "plate": {"mass": kg("1500"), "thickness": mm("20")}, "steel_grade": "S355",
        "surface": "clean", "hardness_hb": 180, "temperature": {"value": "15", "unit": "Cel"}, "lift": "vertical",
        "legs": 1, "angle_from_horizontal": {"value": "90", "unit": "deg"}, "every_lift_check": "passed",
    });
    let entry = |name, kind: &str, token: String, body: Value, fields| Endpoint {
        name,
        method: "POST",
        path: format!("/v1/clamps/{clamp}/{kind}"),
        token,
        etag: None,
        good: fleet.entry(body),
        fields,
    };
    vec![
        Endpoint {
            name: "registration",
            method: "POST",
            path: "/v1/clamps".to_owned(),
            token: fleet.token(&fleet.lead),
            etag: None,
            good: fleet.entry(registration),
            fields: &[
                (Text, "/asset_mark"),
                (Mass, "/wll"),
                (Length, "/jaw_opening/max"),
                (Instant, "/performed_at"),
                (Day, "/manufactured_on"),
                (Id, "/model_id"),
            ],
        },
        entry(
            "inspection",
            "inspections",
            fleet.token(&fleet.inspector),
            inspection,
            MEASURED_FIELDS,
        ),
        entry(
            "proof test",
            "proof-tests",
            fleet.token(&fleet.technician),
            json!({"load": kg("3750"), "result": "passed", "certificate_number": "PT 88"}),
            &[
                (Text, "/certificate_number"),
                (Mass, "/load"),
                (Instant, "/performed_at"),
                (Id, "/entry_id"),
            ],
        ),
        Endpoint {
            name: "lift check",
            method: "POST",
            path: "/v1/lift-checks".to_owned(),
            token: fleet.token(&fleet.operator),
            etag: None,
            good: lift,
            fields: &[
                (Text, "/steel_grade"),
                (Mass, "/plate/mass"),
                (Length, "/plate/thickness"),
                (Id, "/clamps/0"),
            ],
        },
        entry(
            "tag-out",
            "tag-outs",
            fleet.token(&fleet.operator),
            json!({"reason": "dropped", "note": "from the rack"}),
            &[(Text, "/note"), (Instant, "/performed_at"), (Id, "/entry_id")],
        ),
    ]
}

const MEASURED_FIELDS: &[(Field, &str)] = &[
    (Text, "/findings/0/note"),
    (Length, "/findings/0/measured"),
    (Instant, "/performed_at"),
    (Id, "/entry_id"),
];

async fn of_reference(fleet: &Fleet) -> Vec<Endpoint> {
    let token = fleet.token(&fleet.administrator);
    let yard =
        json!({"code": "FHV", "name": "Firth Haven", "time_zone": "Europe/London", "rule_set": "gb-loler"});
    let model = json!({
        "maker": "Tornhagen", "model": "V5", "kind": "vertical", "wll": kg("3000"), "lock": "spring", "eye": "free",
        "jaw_opening": {"min": mm("0"), "max": mm("40")},
    });
    let etag = async |path: &str| {
        let read = fleet.app.get(&token, path).await.succeeded(200);
        Some(read.etag().to_owned())
    };
    let endpoint = |name, method, path: String, etag, good, fields| Endpoint {
        name,
        method,
        path,
        token: token.clone(),
        etag,
        good,
        fields,
    };
    let (changed_yard, changed_model) = (
        format!("/v1/yards/{}", fleet.galveston),
        format!("/v1/models/{}", fleet.model),
    );
    let (yard_tag, model_tag) = (etag(&changed_yard).await, etag(&changed_model).await);
    vec![
        endpoint(
            "yard",
            "POST",
            "/v1/yards".to_owned(),
            None,
            yard,
            &[(Text, "/name")],
        ),
        endpoint(
            "change of a yard",
            "PATCH",
            changed_yard,
            yard_tag,
            json!({"name": "Galveston", "starts_on": "2025-03-20"}),
            &[(Text, "/name"), (Day, "/starts_on")],
        ),
        endpoint(
            "model",
            "POST",
            "/v1/models".to_owned(),
            None,
            model,
            &[(Text, "/model"), (Mass, "/wll"), (Length, "/jaw_opening/max")],
        ),
        endpoint(
            "change of a model",
            "PATCH",
            changed_model,
            model_tag,
            json!({"wll": kg("2500"), "jaw_opening": {"max": mm("38")}, "reason": "the maker's notice", "starts_on": "2025-03-20"}),
            &[
                (Mass, "/wll"),
                (Length, "/jaw_opening/max"),
                (Text, "/reason"),
                (Day, "/starts_on"),
            ],
        ),
    ]
}

fn of_people(fleet: &Fleet) -> Vec<Endpoint> {
    let token = fleet.token(&fleet.administrator);
    vec![
        Endpoint {
            name: "user",
            method: "POST",
            path: "/v1/users".to_owned(),
            token: token.clone(),
            etag: None,
            good: json!({"email": "ida.rein@halvorsund.example", "name": "Ida Rein", "roles": ["operator"], "yards": [fleet.newport]}),
            fields: &[(Text, "/name"), (Text, "/email"), (Id, "/yards/0")],
        },
        Endpoint {
            name: "service account",
            method: "POST",
            path: "/v1/service-accounts".to_owned(),
            token: token.clone(),
            etag: None,
            good: json!({"name": "Plant ERP", "yards": [fleet.newport], "secret_days": 30}),
            fields: &[(Text, "/name"), (Id, "/yards/0")],
        },
        Endpoint {
            name: "competence",
            method: "POST",
            path: format!("/v1/users/{}/competences", fleet.keeper.id),
            token,
            etag: None,
            good: json!({"kind": "designated_person", "valid_from": "2025-01-01", "evidence": "course 7"}),
            fields: &[(Text, "/evidence"), (Day, "/valid_from")],
        },
    ]
}

async fn of_devices(fleet: &Fleet) -> Vec<Endpoint> {
    let token = fleet.token(&fleet.administrator);
    let device = fleet.app.device(&token, &[&fleet.newport]).await;
    let lost = fleet.app.device(&token, &[&fleet.newport]).await;
    let key = fleet
        .app
        .signing_key(&device, &token, &fleet.administrator.id)
        .await;
    let path = format!("/v1/devices/{}", device.id);
    let read = fleet.app.get(&token, &path).await.succeeded(200);
    let endpoint = |name, method, path: String, etag, good, fields| Endpoint {
        name,
        method,
        path,
        token: token.clone(),
        etag,
        good,
        fields,
    };
    vec![
        endpoint(
            "end of a signing key",
            "POST",
            format!("{path}/signing-keys/{}/revocation", key.id),
            None,
            json!({"reason": "short code was seen"}),
            &[(Text, "/reason")],
        ),
        endpoint(
            "change of a device",
            "PATCH",
            path,
            Some(read.etag().to_owned()),
            json!({"name": "Tablet 3", "yards": [fleet.newport]}),
            &[(Text, "/name"), (Id, "/yards/0")],
        ),
        endpoint(
            "end of a device",
            "POST",
            format!("/v1/devices/{}/revocation", lost.id),
            None,
            json!({"reason": "left behind on the quay"}),
            &[(Text, "/reason")],
        ),
    ]
}
