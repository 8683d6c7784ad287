//! What holds for every lift.

use super::*;
use crate::quantity::{AngleUnit, LengthUnit, MassUnit};
use proptest::prelude::*;

/// One thing that stops a lift, whatever else is asked.
#[derive(Clone, Copy, Debug)]
enum Trouble {
    Hook,
    UnderStack,
    NotDone,
    Failed,
    Oil,
    Cold,
    Flat,
    Tilted,
    Twice,
    TooThick,
    Hard,
    NoMass,
}

fn troubles() -> impl Strategy<Value = Trouble> {
    prop::sample::select(vec![
        Trouble::Hook,
        Trouble::UnderStack,
        Trouble::NotDone,
        Trouble::Failed,
        Trouble::Oil,
        Trouble::Cold,
        Trouble::Flat,
        Trouble::Tilted,
        Trouble::Twice,
        Trouble::TooThick,
        Trouble::Hard,
        Trouble::NoMass,
    ])
}

fn add(trouble: Trouble, request: &mut LiftCheckRequest) {
    match trouble {
        Trouble::Hook => request.on_crane_hook = Some(true),
        Trouble::UnderStack => request.from_under_stack = Some(true),
        Trouble::NotDone => request.every_lift_check = EveryLiftCheck::NotDone,
        Trouble::Failed => request.every_lift_check = EveryLiftCheck::Failed,
        Trouble::Oil => request.surface.get_or_insert_default().push(Surface::Oil),
        Trouble::Cold => request.air_temperature = Some(celsius("-30")),
        Trouble::Flat => request.angle_from_horizontal = degrees("20"),
        Trouble::Tilted => request.tilt = Some(degrees("15")),
        Trouble::Twice => request.clamps.extend(request.clamps.first().copied()),
        Trouble::TooThick => {
            request.plate = Plate::Weighed {
                mass: kg("2000"),
                thickness: mm("80"),
            }
        }
        Trouble::Hard => request.hardness_hb = Some(500),
        Trouble::NoMass => request.plate = Plate::MassUnknown { thickness: mm("20") },
    }
}

/// Lifts of which some are clear and some are not.
fn lifts() -> impl Strategy<Value = LiftCheckRequest> {
    let hundredths = |range: std::ops::Range<i64>| range.prop_map(|value| Decimal::new(value, 2));
    (
        (
            1u8..5,
            hundredths(10_000..1_200_000),
            hundredths(500..6_000),
            hundredths(2_500..9_100),
        ),
        (
            prop::option::of(hundredths(50_000..400_000)),
            prop::option::of(hundredths(0..60_000)),
        ),
        (
            prop::option::of(100u16..350),
            prop::sample::select(LiftKind::ALL.to_vec()),
            any::<bool>(),
        ),
    )
        .prop_map(
            |((legs, mass, thickness, angle), (spacing, offset), (hardness, lift, straight))| {
                let length = |value| Length::new(value, LengthUnit::Millimetre).unwrap();
                let mut request = request(legs);
                request.plate = Plate::Weighed {
                    mass: Mass::new(mass, MassUnit::Kilogram).unwrap(),
                    thickness: length(thickness),
                };
                if !straight {
                    request.angle_from_horizontal = Angle::new(angle, AngleUnit::Degree).unwrap();
                    request.lift = lift;
                }
                request.clamp_spacing = spacing.map(length);
                request.centre_of_gravity_offset = spacing.and(offset).map(length);
                request.hardness_hb = hardness;
                request.hoist_capacity = None;
                request
            },
        )
}

/// The same lift with a plate heavier by so many kilograms.
fn heavier(request: &LiftCheckRequest, more: u32) -> LiftCheckRequest {
    let Plate::Weighed { mass, thickness } = request.plate else {
        return request.clone();
    };
    let mass = Mass::new(mass.kilograms() + Decimal::from(more), MassUnit::Kilogram).unwrap();
    LiftCheckRequest {
        plate: Plate::Weighed { mass, thickness },
        ..request.clone()
    }
}

fn stopped_by(answer: &LiftCheckAnswer, code: StopCode) -> bool {
    answer.reasons.iter().any(|reason| reason.code == code.code())
}

#[test]
fn the_lifts_tried_here_are_partly_clear_and_partly_stopped() {
    use proptest::strategy::ValueTree;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let clear = (0..500)
        .filter(|_| {
            let request = lifts().new_tree(&mut runner).unwrap().current();
            answer(&request, &model()).decision == Decision::Clear
        })
        .count();
    assert!((20..480).contains(&clear), "{clear} of 500 are clear");
}

proptest! {
    #[test]
    fn one_more_stop_never_turns_stop_into_clear(
        request in lifts(), first in prop::option::of(troubles()), second in troubles(),
    ) {
        let mut request = request;
        if let Some(first) = first {
            add(first, &mut request);
        }
        add(second, &mut request);
        prop_assert_eq!(answer(&request, &model()).decision, Decision::Stop, "{:?} and {:?}", first, second);
    }

    #[test]
    fn a_heavier_plate_never_loses_a_tension_stop_nor_a_lighter_one_a_minimum_stop(
        request in lifts(), more in 1u32..5_000,
    ) {
        let (light, heavy) = (answer(&request, &model()), answer(&heavier(&request, more), &model()));
        if stopped_by(&light, StopCode::TensionOverWll) {
            prop_assert!(stopped_by(&heavy, StopCode::TensionOverWll));
        }
        if stopped_by(&heavy, StopCode::ShareBelowMinimum) {
            prop_assert!(stopped_by(&light, StopCode::ShareBelowMinimum));
        }
    }

    #[test]
    fn the_order_of_clamps_never_matters(request in lifts(), unfit in prop::option::of(1u128..5)) {
        let model = model();
        let mut clamps: Vec<_> = (1..=4).map(|number| clamp(number, &model)).collect();
        for clamp in &mut clamps {
            clamp.fit = unfit.map(id) != Some(clamp.clamp_id);
        }
        let asked = check(&request, &clamps, &trained());
        let mut turned = request.clone();
        turned.clamps.reverse();
        clamps.rotate_left(1);
        prop_assert_eq!(check(&turned, &clamps, &trained()), asked);
    }

    #[test]
    fn clear_is_said_only_without_a_reason_and_never_over_the_wll_or_below_30_degrees(request in lifts()) {
        let answer = answer(&request, &model());
        prop_assert_eq!(answer.decision == Decision::Clear, answer.reasons.is_empty());
        if answer.decision == Decision::Clear {
            prop_assert!(answer.tension_per_clamp.unwrap() <= model().wll);
            prop_assert!(request.angle_from_horizontal >= degrees("30"));
        }
    }
}
