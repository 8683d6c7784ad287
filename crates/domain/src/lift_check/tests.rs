//! Lift checks against published figures. Each test starts from a lift that is clear, so that one change shows one stop.

mod balance;
mod legs;
mod limits;
mod masses;
mod properties;
mod real_cases;
mod stops;
mod wire;

use super::*;
use crate::ids::LiftCheckId;
use crate::quantity::{Angle, Temperature};
use crate::words::{ClampKind, EyeKind, LiftKind, LockKind};
use rust_decimal::Decimal;
use uuid::Uuid;

fn id(number: u128) -> ClampId {
    ClampId::new(Uuid::from_u128(number))
}
fn kg(text: &str) -> Mass {
    Mass::parse(text, "kg").unwrap()
}
fn mm(text: &str) -> Length {
    Length::parse(text, "mm").unwrap()
}
fn inches(text: &str) -> Length {
    Length::parse(text, "[in_i]").unwrap()
}
fn degrees(text: &str) -> Angle {
    Angle::parse(text, "deg").unwrap()
}
fn celsius(text: &str) -> Temperature {
    Temperature::parse(text, "Cel").unwrap()
}
fn decimal(text: &str) -> Decimal {
    text.parse().unwrap()
}

/// A model that turns through 180°, WLL 3000 kg, jaw 10 to 50 mm, everything stated.
fn model() -> Model {
    Model {
        maker: "Ostvik Klammer".to_owned(),
        model: "OK 3".to_owned(),
        kind: ClampKind::VerticalTurning180,
        wll: kg("3000"),
        jaw_opening: Range {
            min: mm("10"),
            max: mm("50"),
        },
        minimum_load_percent: None,
        hardness_limit_hb: None,
        temperature: None,
        inspection_intervals: None,
        lock: Some(LockKind::Spring),
        eye: Some(EyeKind::SinglePivot),
        custom_design: false,
        stack_lifting: false,
        without_criteria: Vec::new(),
        wear_points: Vec::new(),
        lift_ratings: Vec::new(),
    }
}

/// A fit clamp of that model.
fn clamp(number: u128, model: &Model) -> ClampForLift<'_> {
    ClampForLift {
        clamp_id: id(number),
        wll: model.wll,
        jaw_opening: model.jaw_opening,
        model,
        own_mass: Some(kg("20")),
        fit: true,
        not_fit: Vec::new(),
        rating_in_doubt: false,
    }
}

/// A plate of 2000 kg, 20 mm thick, straight up on this many legs.
fn request(legs: u8) -> LiftCheckRequest {
    LiftCheckRequest {
        id: LiftCheckId::new(Uuid::from_u128(99)),
        clamps: (1..=u128::from(legs)).map(id).collect(),
        plate: Plate::Weighed {
            mass: kg("2000"),
            thickness: mm("20"),
        },
        hardness_hb: Some(150),
        steel_grade: None,
        surface: Some(vec![Surface::Clean]),
        temperature: Some(celsius("20")),
        air_temperature: None,
        plates: None,
        from_under_stack: None,
        lift: LiftKind::Vertical,
        legs,
        angle_from_horizontal: degrees("90"),
        clamp_spacing: None,
        centre_of_gravity_offset: None,
        tilt: Some(degrees("0")),
        hoist_capacity: Some(kg("5000")),
        rigging_mass: Some(kg("50")),
        on_crane_hook: None,
        every_lift_check: EveryLiftCheck::Passed,
    }
}

fn trained() -> LiftContext {
    LiftContext {
        operator_trained: Some(true),
        grade_hardness_hb: None,
    }
}

/// The answer with as many clamps of `model` as the request lists.
fn answer(request: &LiftCheckRequest, model: &Model) -> LiftCheckAnswer {
    let clamps: Vec<_> = (1..=9).map(|number| clamp(number, model)).collect();
    check(request, &clamps, &trained())
}

/// The codes of all reasons, each once, in order of the alphabet.
fn codes(answer: &LiftCheckAnswer) -> Vec<&str> {
    let codes: BTreeSet<&str> = answer.reasons.iter().map(|reason| reason.code.as_ref()).collect();
    codes.into_iter().collect()
}

fn stops(request: &LiftCheckRequest, model: &Model) -> Vec<String> {
    codes(&answer(request, model))
        .into_iter()
        .map(str::to_owned)
        .collect()
}

fn has_caution(answer: &LiftCheckAnswer, code: CautionCode) -> bool {
    answer.cautions.iter().any(|caution| caution.code == code)
}

const NO_STOP: [&str; 0] = [];
