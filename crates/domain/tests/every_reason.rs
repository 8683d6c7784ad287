//! An answer names every reason at once, so that one visit of the right person can settle all of them.

use clampward_domain::calendar::{Interval, Zone};
use clampward_domain::entry::{Entry, JudgedBy, Registered};
use clampward_domain::fold::fold;
use clampward_domain::ids::{ClampId, EntryId, ModelId, PersonId, YardId};
use clampward_domain::reference::{Intervals, Reference, Version, Versions, Yard};
use clampward_domain::standing::standing;
use clampward_domain::words::{FitnessReason, ProofTestPolicy, RuleSetName, ServiceClass, Status};
use jiff::Timestamp;
use std::sync::Arc;
use uuid::Uuid;

fn id<T: From<Uuid>>(number: u128) -> T {
    Uuid::from_u128(number).into()
}
fn noon(day: &str) -> Timestamp {
    format!("{day}T12:00:00Z")
        .parse()
        .unwrap_or(Timestamp::UNIX_EPOCH)
}

fn one_yard(rule_set: RuleSetName) -> Reference {
    let yard = Yard {
        code: "N".to_owned(),
        name: "North".to_owned(),
        time_zone: Zone::named("America/New_York").unwrap_or_else(Zone::utc),
        rule_set,
        intervals: Intervals::default(),
        proof_test_policy: ProofTestPolicy::NotRequired,
        independent_reinspection: true,
        knowledge_limit: Interval::Hours(8),
        records_use: false,
        abnormal_conditions: Vec::new(),
    };
    let version = Version {
        version: 1,
        from: noon("2024-01-01"),
        recorded_at: noon("2024-01-01"),
        recorded_by: id::<PersonId>(9),
        value: Arc::new(yard),
    };
    Reference {
        yards: [(id::<YardId>(1), Versions(vec![version]))].into(),
        ..Reference::default()
    }
}

/// Registered for special service without anybody's direction, and never inspected.
fn undirected() -> Entry {
    let body = Registered {
        asset_mark: "HMW-1".to_owned(),
        serial_number: Some("G1".to_owned()),
        model_id: id::<ModelId>(2),
        yard_id: id(1),
        service_class: ServiceClass::Special,
        direction: None,
        manufactured_on: None,
        put_into_service_on: None,
        never_used_before: None,
        declaration: None,
        examination_scheme: None,
        wll: None,
        jaw_opening: None,
    };
    Entry {
        id: id::<EntryId>(5),
        clamp_id: id::<ClampId>(4),
        performed_at: noon("2025-03-01"),
        counted_at: noon("2025-03-01"),
        performed_by: id(9),
        device_id: None,
        judged_by: JudgedBy {
            yard_id: id(1),
            yard_version: 1,
            rule_set: RuleSetName::UsB3020,
            rule_set_version: 1,
            model_id: id(2),
            model_version: 1,
        },
        signed: true,
        placed: false,
        body: body.into(),
    }
}

fn reasons(rule_set: RuleSetName) -> (Vec<FitnessReason>, Status) {
    let reference = one_yard(rule_set);
    let state = fold(id(4), &[undirected()], &reference);
    let told = standing(&state, &reference, noon("2025-03-02"));
    (
        told.reasons.iter().map(|reason| reason.code).collect(),
        told.status,
    )
}

#[test]
fn a_clamp_that_awaits_its_initial_inspection_is_also_told_that_its_direction_is_missing() {
    use FitnessReason::{AwaitingInitialInspection, DirectionMissing};
    let (codes, status) = reasons(RuleSetName::UsB3020);
    assert_eq!(codes, [AwaitingInitialInspection, DirectionMissing]);
    assert_eq!(status, Status::AwaitingInitialInspection);
}

#[test]
fn guidance_that_knows_no_direction_asks_for_none() {
    // DGUV guidance is yearly in every class; only ASME B30.20 has special service as a person directs.
    let (codes, _) = reasons(RuleSetName::DeDguv);
    assert_eq!(codes, [FitnessReason::AwaitingInitialInspection]);
}
