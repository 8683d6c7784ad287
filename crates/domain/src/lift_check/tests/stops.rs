//! Stops that are not a matter of numbers, and the cautions of every answer.

use super::*;

#[test]
fn a_plain_lift_is_clear_with_the_usual_cautions() {
    let answer = answer(&request(1), &model());
    assert_eq!(answer.decision, Decision::Clear);
    assert_eq!(answer.reasons, []);
    for usual in [
        "lock_and_seat",
        "stand_clear",
        "no_side_pull",
        "secure_before_release",
        "keep_low",
    ] {
        assert!(
            answer.cautions.iter().any(|caution| caution.code.code() == usual),
            "{usual}"
        );
    }
    assert_eq!(answer.utilisation, Some(Figure::new(decimal("66.67"), "%")));
}

#[test]
fn a_clamp_that_is_not_fit_stops_with_each_of_its_reasons() {
    let model = model();
    let mut barred = clamp(1, &model);
    barred.fit = false;
    barred.not_fit = vec![
        NotFit {
            code: "tagged_out".into(),
            detail: "Tagged out: shackle eye worn.".to_owned(),
            source: None,
        },
        NotFit {
            code: "frequent_overdue".into(),
            detail: "Frequent inspection overdue.".to_owned(),
            source: None,
        },
        NotFit {
            code: "knowledge_too_old".into(),
            detail: "Last heard 9 hours ago.".to_owned(),
            source: None,
        },
    ];
    let answer = check(&request(1), &[barred.clone()], &trained());
    assert_eq!(
        codes(&answer),
        ["frequent_overdue", "knowledge_too_old", "tagged_out"]
    );
    assert!(answer.reasons.iter().all(|reason| reason.clamp_id == Some(id(1))));
    barred.not_fit.clear();
    assert_eq!(
        codes(&check(&request(1), &[barred.clone()], &trained())),
        ["not_fit"]
    );
    // Reasons win over a flag that contradicts them.
    barred.fit = true;
    barred.not_fit = vec![NotFit {
        code: "retired".into(),
        detail: "Scrapped.".to_owned(),
        source: None,
    }];
    assert_eq!(codes(&check(&request(1), &[barred], &trained())), ["retired"]);
}

#[test]
fn a_clamp_does_only_the_kinds_of_lift_that_it_is_made_for() {
    use ClampKind as C;
    use LiftKind as L;
    for (kind, lifts) in [
        (C::Vertical, &[L::Vertical][..]),
        (C::VerticalTurning90, &[L::Vertical, L::Turning90]),
        (C::VerticalTurning180, &[L::Vertical, L::Turning90, L::Turning180]),
        (C::Horizontal, &[L::Horizontal]),
    ] {
        for lift in L::ALL {
            let mut request = request(2);
            request.lift = *lift;
            let stopped = stops(&request, &Model { kind, ..model() });
            assert_eq!(
                stopped.is_empty(),
                lifts.contains(lift),
                "{kind} clamp, {lift} lift: {stopped:?}"
            );
        }
    }
}

#[test]
fn horizontal_clamps_are_used_in_pairs() {
    let horizontal = Model {
        kind: ClampKind::Horizontal,
        ..model()
    };
    for (legs, expected) in [(1, true), (2, false), (3, true), (4, false)] {
        let mut request = request(legs);
        request.lift = LiftKind::Horizontal;
        request.plate = Plate::Weighed {
            mass: kg("2800"),
            thickness: mm("20"),
        };
        assert_eq!(
            stops(&request, &horizontal).contains(&"horizontal_not_in_pairs".to_owned()),
            expected,
            "{legs}"
        );
    }
}

#[test]
fn no_vertical_or_turning_lift_without_a_lock() {
    // DGUV 209-013.
    let with_lock = |lock| Model { lock, ..model() };
    for lift in [LiftKind::Vertical, LiftKind::Turning90, LiftKind::Turning180] {
        let mut request = request(2);
        request.lift = lift;
        assert_eq!(
            stops(&request, &with_lock(Some(LockKind::None))),
            ["no_lock"],
            "{lift}"
        );
        let screw = answer(&request, &with_lock(Some(LockKind::Screw)));
        assert_eq!(codes(&screw), NO_STOP);
        assert!(
            has_caution(&screw, CautionCode::ScrewLock),
            "South Australia alert 57"
        );
        assert!(has_caution(
            &answer(&request, &with_lock(None)),
            CautionCode::LockNotKnown
        ));
    }
    let horizontal = Model {
        kind: ClampKind::Horizontal,
        lock: Some(LockKind::None),
        ..model()
    };
    let mut request = request(2);
    request.lift = LiftKind::Horizontal;
    assert_eq!(stops(&request, &horizontal), NO_STOP);
}

#[test]
fn one_plate_at_a_time_unless_the_clamp_is_marked_for_stacks() {
    let mut request = request(1);
    request.plates = Some(2);
    request.plate = Plate::Weighed {
        mass: kg("1000"),
        thickness: mm("20"),
    };
    assert_eq!(stops(&request, &model()), ["more_than_one_plate"]);
    let stacks = Model {
        stack_lifting: true,
        ..model()
    };
    let two = answer(&request, &stacks);
    assert_eq!((codes(&two), two.plate_mass), (vec![], Some(kg("2000"))));
    request.plates = Some(3);
    request.hoist_capacity = None;
    assert_eq!(
        stops(&request, &stacks),
        ["thickness_outside_jaw_opening"],
        "60 mm in a jaw of 50 mm, 3000 kg"
    );
    request.plates = Some(0);
    assert!(stops(&request, &stacks).contains(&"no_plate".to_owned()));
}

#[test]
fn what_keeps_the_teeth_from_gripping_stops_but_tight_mill_scale_does_not() {
    use Surface as S;
    for bad in [
        S::Paint,
        S::PlasticFilm,
        S::Oil,
        S::Grease,
        S::Ice,
        S::LooseScale,
        S::Taper,
        S::BentEdge,
        S::BevelledEdge,
    ] {
        let mut request = request(1);
        request.surface = Some(vec![S::TightMillScale, bad]);
        assert_eq!(stops(&request, &model()), ["surface_not_gripped"], "{bad:?}");
    }
    let mut request = request(1);
    request.surface = Some(vec![S::TightMillScale]);
    assert_eq!(stops(&request, &model()), NO_STOP);
    request.surface = None;
    assert!(has_caution(
        &answer(&request, &model()),
        CautionCode::SurfaceNotGiven
    ));
}

#[test]
fn crane_hook_stack_training_and_every_lift_check_stop() {
    let mut hook = request(1);
    hook.on_crane_hook = Some(true);
    assert_eq!(stops(&hook, &model()), ["on_crane_hook"]);
    let mut stack = request(1);
    stack.from_under_stack = Some(true);
    assert_eq!(stops(&stack, &model()), ["from_under_stack"]);
    for (check, code) in [
        (EveryLiftCheck::Failed, "every_lift_check_failed"),
        (EveryLiftCheck::NotDone, "every_lift_check_not_done"),
    ] {
        let mut request = request(1);
        request.every_lift_check = check;
        assert_eq!(stops(&request, &model()), [code]);
    }
    let model = model();
    let by = |operator_trained| {
        check(
            &request(1),
            &[clamp(1, &model)],
            &LiftContext {
                operator_trained,
                ..LiftContext::default()
            },
        )
    };
    assert_eq!(codes(&by(Some(false))), ["operator_not_trained"]);
    assert_eq!(codes(&by(None)), NO_STOP);
    assert!(has_caution(&by(None), CautionCode::TrainingNotKnown));
}

#[test]
fn papers_that_disagree_count_at_their_lowest() {
    // Plate says 1500 kg and 15 to 40 mm, the model 3000 kg and 10 to 50 mm.
    let model = model();
    let mut doubtful = clamp(1, &model);
    doubtful.wll = kg("1500");
    doubtful.jaw_opening = Range {
        min: mm("15"),
        max: mm("40"),
    };
    doubtful.rating_in_doubt = true;
    let lift = |mass: &str, thickness: &str| {
        let mut request = request(1);
        request.plate = Plate::Weighed {
            mass: kg(mass),
            thickness: mm(thickness),
        };
        check(&request, &[doubtful.clone()], &trained())
    };
    assert_eq!(codes(&lift("1500", "20")), NO_STOP);
    assert!(has_caution(&lift("1500", "20"), CautionCode::RatingInDoubt));
    assert_eq!(
        codes(&lift("1500.0001", "45")),
        ["tension_over_wll", "thickness_outside_jaw_opening"]
    );
    // The minimum load goes by the highest claim: 20 % of 3000 kg.
    assert_eq!(codes(&lift("599", "20")), ["share_below_minimum"]);
}

#[test]
fn every_code_is_used_once_and_has_a_source() {
    let codes: BTreeSet<&str> = StopCode::ALL.iter().map(|stop| stop.code()).collect();
    assert_eq!(codes.len(), StopCode::ALL.len());
    assert!(StopCode::ALL.iter().all(|stop| !stop.source().cite.is_empty()));
    let cautions: BTreeSet<&str> = CautionCode::ALL.iter().map(|caution| caution.code()).collect();
    assert_eq!(cautions.len(), CautionCode::ALL.len());
    assert!(codes.is_disjoint(&cautions));
}
