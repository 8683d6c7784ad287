//! The catalogue is whole, ordered and sourced; scopes and designs choose from it without disturbing its order.

use super::*;
use crate::quantity::{Length, Mass, Range};
use crate::source::Certainty;
use crate::words::ClampKind;
use proptest::prelude::*;
use std::collections::{BTreeMap, BTreeSet};

fn model(without: &[&str]) -> Model {
    let opening = |value| Length::parse(value, "mm").unwrap();
    Model {
        maker: "Greywater Forge".to_owned(),
        model: "GF-3".to_owned(),
        kind: ClampKind::Vertical,
        wll: Mass::parse("3000", "kg").unwrap(),
        jaw_opening: Range {
            min: opening("0"),
            max: opening("40"),
        },
        minimum_load_percent: None,
        hardness_limit_hb: None,
        temperature: None,
        inspection_intervals: None,
        lock: None,
        eye: None,
        custom_design: false,
        stack_lifting: false,
        without_criteria: without.iter().map(|&code| code.to_owned()).collect(),
        wear_points: Vec::new(),
        lift_ratings: Vec::new(),
    }
}

fn codes(scope: Scope, mandatory: bool) -> Vec<&'static str> {
    asked(scope, None)
        .filter(|(_, must)| *must == mandatory)
        .map(|(criterion, _)| criterion.code.as_str())
        .collect()
}

#[test]
fn every_criterion_has_a_question_a_remedy_and_a_source() {
    for criterion in criteria() {
        let code = &criterion.code;
        assert!(
            criterion.question.ends_with('?') && criterion.question.len() > 20,
            "{code}"
        );
        assert!(!criterion.hints.is_empty(), "{code}");
        assert!(!criterion.sources.is_empty(), "{code}");
        assert!(
            criterion
                .sources
                .iter()
                .any(|source| source.certainty == Certainty::Practice),
            "{code}"
        );
        let unique: BTreeSet<_> = criterion.remedies.iter().collect();
        assert!(
            !unique.is_empty() && unique.len() == criterion.remedies.len(),
            "{code}"
        );
        assert!(
            !unique.contains(&Remedy::None) || unique.len() == 1,
            "{code}: scrap stands alone"
        );
    }
}

#[test]
fn codes_are_unique_snake_case_and_found_by_code() {
    let mut seen = BTreeSet::new();
    for criterion in criteria() {
        let code = criterion.code.as_str();
        assert!(seen.insert(code), "{code} twice");
        assert!(
            code.split('_')
                .all(|part| !part.is_empty() && part.bytes().all(|byte| byte.is_ascii_lowercase())),
            "{code}"
        );
        assert_eq!(super::criterion(code), Some(criterion));
    }
    assert_eq!(super::criterion("shackle_eye"), None);
}

#[test]
fn questions_are_asked_once_each() {
    let questions: BTreeSet<_> = criteria().iter().map(|criterion| &criterion.question).collect();
    assert_eq!(questions.len(), criteria().len());
}

#[test]
fn every_row_of_the_table_is_there_and_its_criteria_stand_together() {
    let mut visited: Vec<Component> = criteria().iter().map(|criterion| criterion.component).collect();
    visited.dedup();
    let rows: BTreeSet<_> = visited.iter().copied().collect();
    assert_eq!(
        rows.len(),
        visited.len(),
        "a component is visited twice: {visited:?}"
    );
    assert_eq!(rows, Component::ALL.iter().copied().collect());
    assert_eq!(visited.first(), Some(&Component::Identification));
    assert_eq!(
        visited.last(),
        Some(&Component::Inside),
        "taking apart comes last"
    );
}

#[test]
fn every_criterion_that_the_trade_names_has_its_own_code() {
    // Source: the table of rejection criteria in the project's rules of the trade, row by row.
    let rows: BTreeMap<Component, &[&str]> = BTreeMap::from([
        (
            Component::Identification,
            [
                "wll_unreadable",
                "jaw_opening_unreadable",
                "maker_unreadable",
                "model_unreadable",
                "serial_number_unreadable",
                "lift_direction_unreadable",
                "safety_label_missing",
                "repairer_identification_missing",
            ]
            .as_slice(),
        ),
        (
            Component::Shackle,
            &[
                "shackle_bent",
                "shackle_cracked",
                "shackle_eye_bruised",
                "shackle_does_not_slide",
                "shackle_eye_worn",
                "shackle_eye_hole_elongated",
            ],
        ),
        (
            Component::Pins,
            &[
                "pin_bent",
                "fastener_loose_or_missing",
                "pin_worn",
                "body_hole_elongated",
                "part_hole_elongated",
            ],
        ),
        (
            Component::Body,
            &[
                "body_distorted",
                "body_jaw_corner_torn",
                "body_worn_by_dragging",
                "body_weld_cracked",
                "body_plate_cracked",
                "body_bolt_loose",
                "body_section_reduced",
                "throat_opened",
            ],
        ),
        (
            Component::Lock,
            &["lock_handle_damaged", "lock_ring_missing", "lock_does_not_hold"],
        ),
        (
            Component::Spring,
            &["spring_missing", "spring_stretched", "spring_gouged_or_kinked"],
        ),
        (
            Component::Linkage,
            &[
                "cam_travel_incomplete",
                "linkage_worn",
                "linkage_stretched",
                "linkage_cracked",
            ],
        ),
        (
            Component::CamTeeth,
            &[
                "cam_teeth_dull",
                "cam_teeth_chipped",
                "cam_teeth_cracked",
                "cam_teeth_unevenly_worn",
                "cam_teeth_crown_worn",
            ],
        ),
        (
            Component::JawTeeth,
            &[
                "jaw_teeth_dull",
                "jaw_teeth_chipped",
                "jaw_teeth_cracked",
                "jaw_teeth_unevenly_worn",
                "jaw_teeth_crown_worn",
                "pad_loose",
                "swivel_does_not_turn",
            ],
        ),
        (
            Component::Alteration,
            &[
                "altered_by_welding",
                "altered_by_grinding",
                "altered_by_drilling",
                "altered_by_heating",
                "foreign_part",
                "altered_otherwise",
            ],
        ),
        (
            Component::General,
            &[
                "corrosion_or_pitting",
                "heat_damage",
                "shock_load_suspected",
                "drop_suspected",
                "overload_suspected",
                "pendulum_test_failed",
            ],
        ),
        (
            Component::Inside,
            &["slide_sleeve_worn", "lock_slot_dimpled", "crack_indication"],
        ),
    ]);
    for (component, expected) in rows {
        let found: Vec<_> = criteria()
            .iter()
            .filter(|one| one.component == component)
            .map(|one| one.code.as_str())
            .collect();
        assert_eq!(found, expected, "{component}");
    }
}

#[test]
fn what_only_the_maker_or_nobody_can_put_right_says_so() {
    let with = |remedy| -> BTreeSet<&str> {
        criteria()
            .iter()
            .filter(|one| one.remedies == [remedy])
            .map(|one| one.code.as_str())
            .collect()
    };
    assert_eq!(
        with(Remedy::None),
        BTreeSet::from(["body_plate_cracked", "body_section_reduced"])
    );
    let restored = with(Remedy::RestoreToOriginal);
    for code in [
        "body_distorted",
        "throat_opened",
        "body_hole_elongated",
        "lock_slot_dimpled",
        "body_weld_cracked",
        "heat_damage",
        "foreign_part",
        "altered_by_welding",
    ] {
        assert!(restored.contains(code), "{code}");
    }
    for code in [
        "shackle_eye_worn",
        "pin_worn",
        "cam_teeth_dull",
        "pad_loose",
        "spring_missing",
        "lock_ring_missing",
    ] {
        assert_eq!(
            super::criterion(code).unwrap().remedies,
            [Remedy::Repair],
            "{code}"
        );
    }
}

#[test]
fn holes_and_throat_grow_while_eyes_pins_and_sections_shrink() {
    let by = |measured| -> BTreeSet<&str> {
        criteria()
            .iter()
            .filter(|one| one.measured == Some(measured))
            .map(|one| one.code.as_str())
            .collect()
    };
    assert_eq!(
        by(WearDirection::Growth),
        BTreeSet::from([
            "shackle_eye_hole_elongated",
            "body_hole_elongated",
            "part_hole_elongated",
            "throat_opened"
        ])
    );
    assert_eq!(
        by(WearDirection::Shrinkage),
        BTreeSet::from(["shackle_eye_worn", "pin_worn", "body_section_reduced"])
    );
    for one in criteria().iter().filter(|one| one.judged_by == JudgedBy::Measure) {
        assert!(one.measured.is_some(), "{}", one.code);
    }
}

#[test]
fn a_suspected_shock_drop_or_overload_means_the_same_as_tagging_out_for_it() {
    let suspicions: BTreeMap<&str, LockoutReason> = criteria()
        .iter()
        .filter_map(|one| Some((one.code.as_str(), one.suspicion?)))
        .collect();
    assert_eq!(
        suspicions,
        BTreeMap::from([
            ("shock_load_suspected", LockoutReason::ShockSuspected),
            ("drop_suspected", LockoutReason::Dropped),
            ("overload_suspected", LockoutReason::OverloadSuspected),
        ])
    );
}

#[test]
fn a_frequent_inspection_needs_eyes_and_hands_only() {
    for (one, mandatory) in asked(Scope::Frequent, None) {
        let by_eye_or_hand = matches!(one.judged_by, JudgedBy::Look | JudgedBy::Operate);
        assert!(
            !mandatory || (by_eye_or_hand && one.measured.is_none()),
            "{}",
            one.code
        );
    }
    assert!(
        codes(Scope::Frequent, false).contains(&"shackle_eye_worn"),
        "a caliper may be used"
    );
    assert!(
        !codes(Scope::Frequent, false).contains(&"slide_sleeve_worn"),
        "nobody takes it apart for that"
    );
}

#[test]
fn a_periodic_inspection_adds_gauges_and_a_dismantled_one_the_inside() {
    let periodic = codes(Scope::Periodic, true);
    assert!(periodic.contains(&"shackle_eye_worn") && periodic.contains(&"cam_teeth_dull"));
    assert_eq!(
        codes(Scope::Periodic, false),
        ["slide_sleeve_worn", "lock_slot_dimpled"]
    );
    assert_eq!(codes(Scope::Dismantled, false), ["crack_indication"]);
    assert_eq!(codes(Scope::Dismantled, true).len(), periodic.len() + 2);
    assert_eq!(codes(Scope::CrackTest, true).len(), criteria().len());
}

#[test]
fn a_criterion_about_a_part_that_the_design_lacks_is_not_asked() {
    let design = model(&["lock_ring_missing", "swivel_does_not_turn"]);
    let all = asked(Scope::Periodic, None).count();
    let left: Vec<_> = asked(Scope::Periodic, Some(&design))
        .map(|(one, _)| one.code.as_str())
        .collect();
    assert_eq!(left.len(), all - 2);
    assert!(!left.contains(&"lock_ring_missing") && !left.contains(&"swivel_does_not_turn"));
    assert!(is_switched_off(
        &design,
        super::criterion("lock_ring_missing").unwrap()
    ));
    assert!(!is_switched_off(
        &design,
        super::criterion("lock_does_not_hold").unwrap()
    ));
}

#[test]
fn labels_locks_and_springs_do_not_carry_the_load_and_every_other_part_does() {
    for &component in Component::ALL {
        let carries = !matches!(
            component,
            Component::Identification | Component::Lock | Component::Spring
        );
        assert_eq!(is_load_bearing(component), carries, "{component}");
    }
}

proptest! {
    #[test]
    fn whatever_a_design_lacks_the_rest_is_asked_in_the_order_of_the_file(
        lacks in prop::collection::vec(any::<prop::sample::Index>(), 0..20),
        scope in prop::sample::select(Scope::ALL),
    ) {
        let without: BTreeSet<&str> = lacks.iter().map(|index| index.get(criteria()).code.as_str()).collect();
        let design = model(&without.iter().copied().collect::<Vec<_>>());
        let places: Vec<usize> = asked(scope, Some(&design))
            .map(|(one, _)| criteria().iter().position(|other| other.code == one.code).unwrap())
            .collect();
        prop_assert!(places.is_sorted_by(|a, b| a < b));
        for (one, mandatory) in asked(scope, Some(&design)) {
            prop_assert!(!without.contains(one.code.as_str()));
            prop_assert_eq!(mandatory, one.scope <= scope);
        }
    }
}
