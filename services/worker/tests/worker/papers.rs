//! Papers that the rules or a yard ask for and nobody recorded: asked for with the morning digest, until they are there.

use crate::desk::Desk;
use crate::support::world::*;
use clampward_domain::entry::{Amended, ProofTested, Registered};
use clampward_domain::ids::{ClampId, EntryId, PersonId, YardId};
use clampward_domain::notice::NoticeKind;
use clampward_domain::reference::{Yard, YardScope};
use clampward_domain::words::{AmendmentField, Component, LockoutReason, Role};
use clampward_store::notices::{NoticeFilter, NoticeRecord};
use jiff::SignedDuration;
use uuid::Uuid;

const CLYDE: YardId = YardId::new(Uuid::from_u128(0xa7));
const CLYDE_LEAD: PersonId = PersonId::new(Uuid::from_u128(0xc77));

/// The company with a yard where thorough examination is the law, and that wants a proof test after repairs.
async fn company() -> Desk {
    let desk = Desk::open().await;
    let store = &desk.world.bench.store;
    let body: Yard = serde_json::from_value(serde_json::json!({
        "code": "CLY", "name": "Halvorsund Clyde", "time_zone": "Europe/London", "rule_set": "gb-loler",
        "proof_test_policy": "on_load_bearing_parts"
    }))
    .unwrap();
    store
        .create_yard(desk.world.uuid(), ADMINISTRATOR, CLYDE, &body)
        .await
        .unwrap();
    let here = YardScope::Some(vec![CLYDE]);
    desk.world
        .account(CLYDE_LEAD, "ClydeLead", &[Role::YardLead], here)
        .await;
    desk
}

impl Desk {
    async fn papers(&self) -> Vec<NoticeRecord> {
        self.worker.raise().await.unwrap();
        let filter = NoticeFilter {
            recipient: Some(CLYDE_LEAD),
            kind: Some(NoticeKind::PaperMissing),
            clamp: None,
            open: None,
        };
        let store = &self.world.bench.store;
        store.notices(&YardScope::All, &filter, None, 50).await.unwrap()
    }
}

fn registered_in(yard: YardId, number: &str, more: serde_json::Value) -> Registered {
    let mut body = serde_json::json!({
        "asset_mark": format!("HM-{number}"), "serial_number": number, "model_id": MODEL, "yard_id": yard,
        "service_class": "normal"
    });
    for (name, value) in more.as_object().unwrap() {
        body[name] = value.clone();
    }
    serde_json::from_value(body).unwrap()
}

#[tokio::test]
async fn a_declaration_is_asked_for_where_the_law_wants_it_kept_until_it_is_recorded() {
    let desk = company().await;
    let world = &desk.world;
    let id = || ClampId::new(world.uuid());
    let nothing = serde_json::json!({});
    let declared = serde_json::json!({"declaration": {"made_on": "2025-01-10", "document": "DoC 4711"}});
    let (without, with, elsewhere) = (id(), id(), id());
    let registered = world
        .does(LEAD, without, registered_in(CLYDE, "17", nothing.clone()))
        .await;
    world.does(LEAD, with, registered_in(CLYDE, "18", declared)).await;
    world
        .does(LEAD, elsewhere, registered_in(NORTH, "19", nothing))
        .await;
    let asked = desk.papers().await;
    assert_eq!(asked.len(), 1, "{asked:?}");
    assert_eq!(asked[0].clamp, Some(without));
    assert_eq!(asked[0].about.what.as_deref(), Some("declaration_of_conformity"));
    desk.later(SignedDuration::from_hours(26));
    desk.catch_up().await;
    let mail = desk.caught()["clydelead"].last().unwrap().text();
    assert!(
        mail.contains("HM-17") && mail.contains("declaration of conformity not recorded"),
        "{mail}"
    );
    assert!(!mail.contains("HM-18") && !mail.contains("HM-19"), "{mail}");

    let amended = Amended {
        cites: registered.id,
        field: AmendmentField::Declaration,
        value: serde_json::json!({"made_on": "2025-01-10", "document": "DoC 4712"}),
        reason: "found in the maker's box".to_owned(),
        document: Some("DoC 4712".to_owned()),
    };
    world.does(LEAD, without, amended).await;
    assert!(desk.papers().await[0].settled_at.is_some());
}

fn proof_test() -> ProofTested {
    serde_json::from_value(serde_json::json!({
        "load": {"value": "3600", "unit": "kg"}, "result": "passed"
    }))
    .unwrap()
}

#[tokio::test]
async fn a_proof_test_is_asked_for_after_each_repair_for_which_the_yard_wants_one() {
    let desk = company().await;
    let world = &desk.world;
    let clamp = ClampId::new(world.uuid());
    let declared = serde_json::json!({"declaration": {"made_on": "2025-01-10", "document": "DoC 4711"}});
    world
        .does(LEAD, clamp, registered_in(CLYDE, "17", declared))
        .await;
    let out = world.does(LEAD, clamp, tag_out(LockoutReason::Precaution)).await;
    let lockout = out.outcome.unwrap().opened[0].id;
    let repairs = |component| repair(component, lockout);
    world.does(LEAD, clamp, repairs(Component::Identification)).await;
    assert_eq!(
        desk.papers().await,
        vec![],
        "no load hangs on a plate with letters"
    );
    world.does(LEAD, clamp, repairs(Component::Shackle)).await;
    let asked = desk.papers().await;
    assert_eq!(
        (asked.len(), asked[0].about.what.as_deref()),
        (1, Some("proof_test"))
    );
    // The test of the first repair and a second repair are read together: the second still needs its own.
    desk.later(SignedDuration::from_hours(1));
    world.does(LEAD, clamp, proof_test()).await;
    desk.later(SignedDuration::from_hours(1));
    let second = world.does(LEAD, clamp, repairs(Component::Shackle)).await.id;
    let asked = desk.papers().await;
    let open: Vec<EntryId> = asked
        .iter()
        .filter(|notice| notice.settled_at.is_none())
        .filter_map(|notice| notice.about.entry_id)
        .collect();
    assert_eq!((asked.len(), open), (2, vec![second]));
    desk.later(SignedDuration::from_hours(1));
    world.does(LEAD, clamp, proof_test()).await;
    assert!(
        desk.papers()
            .await
            .iter()
            .all(|notice| notice.settled_at.is_some())
    );
}
