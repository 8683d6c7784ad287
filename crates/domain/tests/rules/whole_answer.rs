//! What an independent reading of the rules found: every reason is named, and a repair clears only what it worked on.

use crate::support::{History, World, release};
use clampward_domain::ids::lockout_id;
use clampward_domain::returns::UnmetCode;
use clampward_domain::words::{Component, FitnessReason, Ground, ServiceClass};

#[test]
fn a_clamp_that_awaits_its_initial_inspection_is_also_told_that_its_direction_is_missing() {
    let mut clamp = History::new(World::new(), "houston");
    clamp.registered("2025-01-02T15:00Z", |body| {
        body.service_class = ServiceClass::Special;
    });
    assert_eq!(
        clamp.reasons("2025-01-02T16:00Z"),
        [
            FitnessReason::AwaitingInitialInspection,
            FitnessReason::DirectionMissing
        ]
    );
}

#[test]
fn a_foreign_part_is_replaced_by_a_repair_of_that_component_and_no_other() {
    for (component, cleared) in [(Component::Pins, true), (Component::Spring, false)] {
        let mut clamp = History::in_service(World::new(), "houston");
        let first = clamp.repaired("2025-01-11T10:00Z", "technician", Component::Pins, &[]);
        clamp.repair_mut(first).parts[0].from_original_maker = false;
        let looked = clamp.reinspected("2025-01-11T12:00Z", "inspector", first);
        let foreign = lockout_id(first, "foreign_part", "part 1: GF3-017");
        let second = clamp.repaired("2025-01-12T10:00Z", "technician", component, &[foreign]);
        clamp.repair_mut(second).statement_document = Some("statement 7".to_owned());
        let again = clamp.reinspected("2025-01-12T12:00Z", "inspector", second);
        let mut releases = vec![release(foreign, Ground::Restored)];
        releases[0].repair_entry = Some(second);
        releases[0].inspection_entry = Some(again);
        for (repair, inspection) in [(first, looked), (second, again)] {
            let mut one = release(clamp.not_reinspected(repair), Ground::Reinspected);
            one.repair_entry = Some(repair);
            one.inspection_entry = Some(inspection);
            releases.push(one);
        }
        let returned = clamp.returned("2025-01-13T15:00Z", "lead", releases);
        let unmet: &[UnmetCode] = if cleared {
            &[]
        } else {
            &[UnmetCode::RepairOtherComponent]
        };
        assert_eq!(clamp.unmet(returned), unmet);
        assert_eq!(clamp.is_open(foreign), !cleared);
        assert_eq!(clamp.is_fit("2025-01-13T16:00Z"), cleared);
    }
}
