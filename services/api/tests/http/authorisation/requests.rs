//! One request for every operation that needs a permission: good enough to get past the checks of its input, about
//! something of one yard. An operation that has none here fails the test that walks through the contract.

use crate::support::{Device, Keys, batch};
use crate::trade::bodies::*;
use crate::trade::fleet::{Fleet, kg, mm, with};
use serde_json::{Value, json};

/// What an operation is about: it decides what somebody of another yard is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum About {
    /// Something of one yard: outside it, it is not there.
    Yard,
    /// A clamp that it only restricts: outside its yard it is recorded, and nothing is told.
    Restricts,
    /// Everything that one may see: it answers, and holds nothing of another yard.
    List,
    /// Nothing of any yard.
    Company,
    /// All yards: a role that holds for some does not do.
    EveryYard,
}

/// Something of one yard to ask about.
pub struct Place {
    pub yard: String,
    pub clamp: String,
    pub mark: String,
    /// Whoever tests owns these: a person and a competence of theirs that may be changed.
    pub person: String,
    pub competence: String,
    pub registered: String,
    /// A photo that an entry of the clamp cites.
    pub photo: String,
    /// A service account, and a secret of it.
    pub program: String,
    pub secret: String,
    /// A device, an enrolment that nobody redeemed, and a key of the person who asks, where they may have one.
    pub device: Device,
    pub enrolment: String,
    pub key: String,
    /// An entry of that device that is held.
    pub held: String,
    /// A notice to whoever asks.
    pub notice: String,
    /// A bulletin, and a clamp of the yard that it holds.
    pub bulletin: String,
    pub held_clamp: String,
    /// A webhook endpoint.
    pub webhook: String,
    /// Who asks.
    pub asker: String,
}

/// A request.
pub struct Asked {
    pub about: About,
    pub method: &'static str,
    pub path: String,
    pub body: Option<Value>,
    /// A piece of a photo instead, at its start.
    pub piece: Option<Vec<u8>>,
    /// Read first; its ETag goes along.
    pub changes: Option<String>,
    /// It may be refused because of what it is about, which only somebody who may do it is told.
    pub may_conflict: bool,
}

fn get(about: About, path: impl Into<String>) -> Asked {
    Asked {
        about,
        method: "GET",
        path: path.into(),
        body: None,
        piece: None,
        changes: None,
        may_conflict: false,
    }
}
fn post(about: About, path: impl Into<String>, body: Value) -> Asked {
    Asked {
        method: "POST",
        body: Some(body),
        ..get(about, path)
    }
}
fn patch(about: About, path: &str, body: Value) -> Asked {
    Asked {
        method: "PATCH",
        body: Some(body),
        changes: Some(path.to_owned()),
        ..get(about, path)
    }
}
fn conflicting(asked: Asked) -> Asked {
    Asked {
        may_conflict: true,
        ..asked
    }
}

/// The request of an operation about a place; none if nobody has said how it is asked.
pub fn request(operation: &str, fleet: &Fleet, place: &Place, number: usize) -> Option<Asked> {
    use About::{Company, EveryYard, List, Restricts, Yard};
    let Place {
        yard,
        clamp,
        mark,
        person,
        competence,
        registered,
        photo,
        program,
        secret,
        device,
        enrolment,
        key,
        held,
        notice,
        bulletin,
        held_clamp,
        webhook,
        asker,
    } = place;
    let about_clamp = |step: &str| format!("/v1/clamps/{clamp}{step}");
    let entry = |step: &str, body: Value| post(Yard, about_clamp(step), fleet.entry(body));
    let look_until = (fleet.now() + jiff::SignedDuration::from_hours(720)).to_string()[..10].to_owned();
    let about_webhook = |step: &str| format!("/v1/webhook-endpoints/{webhook}{step}");
    let lockout = fleet.new_id();
    let cited = fleet.new_id();
    Some(match operation {
        "read_me" => get(Company, "/v1/me"),

        "list_photos" => get(List, "/v1/photos?limit=200"),
        "read_photo" => get(Yard, format!("/v1/photos/{photo}")),
        "photo_offset" => Asked {
            method: "HEAD",
            ..get(Yard, format!("/v1/photos/{photo}"))
        },
        "upload_photo" => Asked {
            method: "PATCH",
            piece: Some(b"\xFF\xD8\xFF\xE0 the start".to_vec()),
            ..get(Company, format!("/v1/photos/{number:064x}"))
        },

        "list_clamps" => get(List, "/v1/clamps?limit=200"),
        "register_clamp" => {
            let id = fleet.new_id();
            let there = json!({"yard_id": yard, "serial_number": format!("R{number}"), "asset_mark": format!("REG-{number}")});
            post(
                Yard,
                "/v1/clamps",
                fleet.entry(with(fleet.registration(&id, "R"), &there)),
            )
        }
        "read_clamp" => get(Yard, about_clamp("")),
        "list_entries" => get(Yard, about_clamp("/entries")),
        "fitness" => get(Yard, about_clamp("/fitness")),
        "fitness_by_mark" => get(Yard, format!("/v1/fitness?mark={mark}")),
        "wear" => get(Yard, about_clamp("/wear")),
        "inspect" => entry("/inspections", accepted("frequent")),
        "tag_out" => post(
            Restricts,
            about_clamp("/tag-outs"),
            fleet.entry(tag_out("dropped")),
        ),
        "repair" => entry("/repairs", repair("spring", &[])),
        "proof_test" => entry("/proof-tests", json!({"load": kg("3750"), "result": "passed"})),
        "return_to_service" => conflicting(entry(
            "/returns-to-service",
            returning(&[release(&lockout, "repaired", &cited, &cited)]),
        )),
        "confirm_return" => conflicting(entry(
            &format!("/returns-to-service/{cited}/confirmation"),
            json!({}),
        )),
        "confirm_amendment" => conflicting(entry(&format!("/amendments/{cited}/confirmation"), json!({}))),
        "transfer" => entry("/transfers", json!({"to_yard": yard})),
        "classify" => entry("/classifications", json!({"service_class": "heavy"})),
        "issue" => conflicting(entry("/issues", json!({"issued_to_name": "gang 4"}))),
        "receive" => entry("/receipts", json!({})),
        "amend" => conflicting(entry(
            "/amendments",
            amendment(registered, "asset_mark", json!(format!("AM-{number}"))),
        )),
        "retire" => entry(
            "/retirement",
            json!({"reason": "worn out", "made_unusable": "cut through", "witness": "Eva Holt"}),
        ),
        "use_clamp" => entry("/uses", json!({"from": fleet.now().to_string(), "lifts": 1})),
        "lift_check" => post(
            Yard,
            "/v1/lift-checks",
            json!({
                "id": fleet.new_id(), "clamps": [clamp], "plate": {"mass": kg("1500"), "thickness": mm("20")},
                "surface": "clean", "hardness_hb": 180, "temperature": {"value": "15", "unit": "Cel"},
                "lift": "vertical", "legs": 1, "angle_from_horizontal": {"value": "90", "unit": "deg"},
                "every_lift_check": "passed",
            }),
        ),
        "report_inspections_due" => get(List, "/v1/reports/inspections-due"),
        "report_lockout_ageing" => get(List, "/v1/reports/lock-out-ageing"),
        "report_fleet" => get(List, "/v1/reports/fleet"),
        "report_rejections" => get(List, "/v1/reports/rejections?group_by=yard&until=2199-12-31"),
        "report_out_of_service" => get(List, "/v1/reports/out-of-service?group_by=yard,reason"),

        "sync_config" => get(List, "/v1/sync/config"),
        "pull_changes" => get(List, "/v1/sync/changes"),
        // Behind some clamp: people, who come first, say which yards they hold for.
        "take_snapshot" => get(
            Yard,
            format!("/v1/sync/snapshot?yard={yard}&after=00000000-0000-0000-0000-000000000000"),
        ),
        "digest" => conflicting(get(Yard, format!("/v1/sync/digest?yard={yard}&position=1"))),
        "list_events" => get(EveryYard, "/v1/events?limit=1"),

        "list_yards" => get(List, "/v1/yards?limit=200"),
        "read_yard" => get(Yard, format!("/v1/yards/{yard}")),
        "create_yard" => post(
            EveryYard,
            "/v1/yards",
            json!({"code": format!("N{number}"), "name": "New", "time_zone": "Europe/London", "rule_set": "gb-loler"}),
        ),
        "change_yard" => conflicting(patch(
            Yard,
            &format!("/v1/yards/{yard}"),
            json!({"name": format!("Renamed {number}")}),
        )),
        "list_models" => get(Company, "/v1/models"),
        "read_model" => get(Company, format!("/v1/models/{}", fleet.model)),
        "create_model" => post(
            EveryYard,
            "/v1/models",
            json!({"maker": "Tornhagen", "model": format!("N{number}"), "kind": "vertical", "wll": kg("3000"),
                "lock": "spring", "eye": "free", "jaw_opening": {"min": mm("0"), "max": mm("40")}}),
        ),
        "change_model" => conflicting(patch(
            EveryYard,
            &format!("/v1/models/{}", fleet.model),
            json!({"hardness_limit_hb": 300}),
        )),
        "list_rule_sets" => get(Company, "/v1/rule-sets"),
        "list_criteria" => get(
            Company,
            format!("/v1/criteria?model_id={}&inspection_kind=frequent", fleet.model),
        ),

        "list_users" => get(Company, "/v1/users"),
        "read_user" => get(Company, format!("/v1/users/{person}")),
        "create_user" => post(
            EveryYard,
            "/v1/users",
            json!({"email": format!("new.{number}@halvorsund.example"), "name": "New", "roles": ["operator"], "yards": [yard]}),
        ),
        "change_user" => patch(
            EveryYard,
            &format!("/v1/users/{person}"),
            json!({"name": format!("Named {number}")}),
        ),
        "hand_out_set_password_token" => post(
            EveryYard,
            format!("/v1/users/{person}/set-password-tokens"),
            json!({}),
        ),
        "list_competences" => get(Company, format!("/v1/users/{person}/competences")),
        "record_competence" => post(
            EveryYard,
            format!("/v1/users/{person}/competences"),
            json!({"kind": "designated_person", "valid_from": "2024-01-01"}),
        ),
        "revoke_competence" => conflicting(post(
            EveryYard,
            format!("/v1/users/{person}/competences/{competence}/revocation"),
            json!({"revoked_from": "2025-03-01"}),
        )),
        "create_device_enrolment" => post(
            Yard,
            "/v1/device-enrolments",
            json!({"name": format!("Tablet {number}"), "yards": [yard]}),
        ),
        "list_device_enrolments" => get(List, "/v1/device-enrolments?limit=200"),
        "withdraw_device_enrolment" => post(
            Yard,
            format!("/v1/device-enrolments/{enrolment}/withdrawal"),
            json!({}),
        ),
        "list_devices" => get(List, "/v1/devices?limit=200"),
        "read_device" => get(Yard, format!("/v1/devices/{}", device.id)),
        "change_device" => patch(
            Yard,
            &format!("/v1/devices/{}", device.id),
            json!({"name": format!("Tablet {number}")}),
        ),
        "revoke_device" => post(
            Yard,
            format!("/v1/devices/{}/revocation", device.id),
            json!({"reason": "left behind on the quay"}),
        ),
        "create_signing_key" => post(
            Yard,
            format!("/v1/devices/{}/signing-keys", device.id),
            fleet.app.signing_key_request(device, asker, &Keys::fresh()),
        ),
        "list_signing_keys" => get(Yard, format!("/v1/devices/{}/signing-keys", device.id)),
        "revoke_signing_key" => post(
            Yard,
            format!("/v1/devices/{}/signing-keys/{key}/revocation", device.id),
            json!({"reason": "short code was seen"}),
        ),
        "push_entries" => post(Company, "/v1/sync/entries", batch(asker, &[])),
        "import_entries" => post(Yard, "/v1/sync/imports", batch(&device.id, &[])),
        "read_receipts" => get(Company, "/v1/sync/receipts?from=1"),
        "list_held_entries" => get(List, "/v1/held-entries?limit=200"),
        "read_held_entry" => get(Yard, format!("/v1/held-entries/{held}")),
        "place_held_entry" => post(
            Yard,
            format!("/v1/held-entries/{held}/placements"),
            json!({"clamp_id": clamp}),
        ),
        "dismiss_held_entry" => post(
            Yard,
            format!("/v1/held-entries/{held}/dismissal"),
            json!({"reason": "written again by hand"}),
        ),
        "list_notices" => get(List, "/v1/notices?limit=200"),
        "read_notice" => get(Yard, format!("/v1/notices/{notice}")),
        "acknowledge_notice" => post(Yard, format!("/v1/notices/{notice}/acknowledgement"), json!({})),
        "list_bulletins" => get(Company, "/v1/bulletins?limit=200"),
        "read_bulletin" => get(Company, format!("/v1/bulletins/{bulletin}")),
        "preview_bulletin" => post(
            EveryYard,
            "/v1/bulletins/preview",
            bulletin_about(&format!("P{number}"), &fleet.model, "none"),
        ),
        "open_bulletin" => post(
            EveryYard,
            "/v1/bulletins",
            bulletin_about(&format!("O{number}"), &fleet.model, "none"),
        ),
        "read_bulletin_progress" => get(Company, format!("/v1/bulletins/{bulletin}/progress")),
        "list_bulletin_clamps" => get(Company, format!("/v1/bulletins/{bulletin}/clamps?limit=200")),
        "note_clamp_not_found" => post(
            Yard,
            format!("/v1/bulletins/{bulletin}/not-found"),
            json!({"clamp_id": held_clamp, "owner": fleet.lead.id, "look_until": look_until, "note": "Not in the crib"}),
        ),
        "close_bulletin" => conflicting(post(
            EveryYard,
            format!("/v1/bulletins/{bulletin}/closure"),
            json!({}),
        )),
        "list_service_accounts" => get(Company, "/v1/service-accounts"),
        "create_service_account" => post(
            EveryYard,
            "/v1/service-accounts",
            json!({"name": format!("Program {number}"), "yards": [yard]}),
        ),
        "read_service_account" => get(Company, format!("/v1/service-accounts/{program}")),
        "change_service_account" => patch(
            EveryYard,
            &format!("/v1/service-accounts/{program}"),
            json!({"name": format!("Program {number}")}),
        ),
        "list_service_account_secrets" => get(Company, format!("/v1/service-accounts/{program}/secrets")),
        "create_service_account_secret" => conflicting(post(
            EveryYard,
            format!("/v1/service-accounts/{program}/secrets"),
            json!({}),
        )),
        "revoke_service_account_secret" => conflicting(post(
            EveryYard,
            format!("/v1/service-accounts/{program}/secrets/{secret}/revocation"),
            json!({}),
        )),
        "list_webhook_endpoints" => get(Company, "/v1/webhook-endpoints"),
        "create_webhook_endpoint" => post(
            EveryYard,
            "/v1/webhook-endpoints",
            json!({"url": "https://erp.halvorsund.example/hooks", "description": format!("Program {number}")}),
        ),
        "read_webhook_endpoint" => get(Company, about_webhook("")),
        "change_webhook_endpoint" => patch(
            EveryYard,
            &about_webhook(""),
            json!({"description": format!("Program {number}")}),
        ),
        "remove_webhook_endpoint" => post(EveryYard, about_webhook("/removal"), json!({})),
        "create_webhook_secret" => conflicting(post(EveryYard, about_webhook("/secrets"), json!({}))),
        "test_webhook_endpoint" => post(EveryYard, about_webhook("/test-deliveries"), json!({})),
        "redeliver_webhook_events" => post(
            EveryYard,
            about_webhook("/redeliveries"),
            json!({"from": fleet.now() - jiff::SignedDuration::from_hours(1)}),
        ),
        "read_webhook_status" => get(Company, about_webhook("/status")),
        "list_webhook_deliveries" => get(Company, about_webhook("/deliveries?limit=200")),
        _ => return None,
    })
}
