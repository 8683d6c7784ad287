//! What about clamps in number, legs, hoist and operator stops a lift.
//!
//! Owns these rules and the tension that follows from them. What one clamp may bear is not decided here.

use super::answer::{Figure, Findings, StopReason};
use super::caution::CautionCode;
use super::request::{EveryLiftCheck, LiftCheckRequest};
use super::statics::{self, Balance, Shares};
use super::stop::StopCode;
use super::{ClampForLift, LiftContext, SHOWN_DIGITS};
use crate::exact::{Exact, exact, shown_down, shown_up, whole};
use crate::quantity::{Angle, AngleUnit};
use crate::words::LiftKind;
use rust_decimal::Decimal;
use std::collections::BTreeMap;

/// Flattest leg, degrees from horizontal; itself allowed.
const FLATTEST_DEGREES: Decimal = Decimal::from_parts(30, 0, 0, false, 0);
/// Below this angle, degrees from horizontal, a caution is given.
const CAUTION_DEGREES: Decimal = Decimal::from_parts(45, 0, 0, false, 0);
/// Straight up.
const VERTICAL_DEGREES: Decimal = Decimal::from_parts(90, 0, 0, false, 0);
/// Most legs that the statics cover.
const MOST_LEGS: u8 = 4;

/// What the legs carry, as far as it can be said.
pub(super) struct LegLoads {
    /// Shares before the angle.
    pub(super) shares: Option<Shares>,
    /// Tension of the most loaded leg, kilograms.
    pub(super) tension: Option<Exact>,
}

/// Judges the list of clamps as such.
pub(super) fn check_list(request: &LiftCheckRequest, clamps: &[&ClampForLift<'_>], findings: &mut Findings) {
    let mut times = BTreeMap::new();
    for clamp in &request.clamps {
        *times.entry(*clamp).or_insert(0usize) += 1;
    }
    for (clamp, times) in &times {
        if *times > 1 {
            findings.stop(
                StopReason::new(StopCode::ClampListedTwice, "This clamp is listed more than once.")
                    .of(*clamp)
                    .figures(Figure::count(*times), Figure::count(1)),
            );
        }
        if !clamps.iter().any(|known| known.clamp_id == *clamp) {
            findings.stop(StopReason::new(StopCode::ClampUnknown, "This clamp is not known.").of(*clamp));
        }
    }
    let (count, legs) = (request.clamps.len(), usize::from(request.legs));
    if count != legs {
        findings.stop(
            StopReason::new(
                StopCode::ClampsNotLegs,
                format!("{count} clamps for {legs} legs: one clamp per leg."),
            )
            .figures(Figure::count(count), Figure::count(legs)),
        );
    }
    if request.lift == LiftKind::Horizontal && (count < 2 || count % 2 == 1) {
        findings.stop(
            StopReason::new(
                StopCode::HorizontalNotInPairs,
                "Horizontal lifts need clamps in pairs.",
            )
            .figures(Figure::count(count), Figure::count(2)),
        );
    }
}

/// Judges legs, angle and balance, and says what the legs carry.
pub(super) fn check_legs(
    request: &LiftCheckRequest,
    load: Option<&Exact>,
    findings: &mut Findings,
) -> LegLoads {
    if request.legs == 0 || request.legs > MOST_LEGS {
        findings.stop(
            StopReason::new(
                StopCode::LegsOutOfRange,
                format!("{} legs: one to four.", request.legs),
            )
            .figures(
                Figure::count(usize::from(request.legs)),
                Figure::count(usize::from(MOST_LEGS)),
            ),
        );
    }
    check_angle(request, findings);
    let balance = check_balance(request, findings);
    let shares = load.and_then(|load| statics::shares(load, request.legs, &balance));
    let tension = shares
        .as_ref()
        .zip(statics::sine(request.angle_from_horizontal))
        .map(|(shares, sine)| &shares.heaviest / sine);
    LegLoads { shares, tension }
}

fn check_angle(request: &LiftCheckRequest, findings: &mut Findings) {
    let angle = request.angle_from_horizontal;
    let degrees = angle.degrees();
    let limit = |degrees| Angle::new(degrees, AngleUnit::Degree).map_or(angle.into(), Figure::from);
    if degrees > VERTICAL_DEGREES {
        findings.stop(
            StopReason::new(
                StopCode::AngleOutOfRange,
                "The angle is counted from horizontal: at most 90°.",
            )
            .figures(angle, limit(VERTICAL_DEGREES)),
        );
    } else if degrees < FLATTEST_DEGREES {
        findings.stop(
            StopReason::new(
                StopCode::AngleTooLow,
                format!("Legs at {angle} from horizontal: at least 30°."),
            )
            .figures(angle, limit(FLATTEST_DEGREES)),
        );
    } else if degrees < CAUTION_DEGREES {
        findings.caution(CautionCode::AngleBelow45, None);
    }
    if request.legs == 1 && degrees != VERTICAL_DEGREES {
        findings.stop(
            StopReason::new(
                StopCode::OneLegNotVertical,
                "One leg must hang straight: 90° from horizontal.",
            )
            .figures(angle, limit(VERTICAL_DEGREES)),
        );
    }
}

fn check_balance(request: &LiftCheckRequest, findings: &mut Findings) -> Balance {
    let balance = match (request.clamp_spacing, request.centre_of_gravity_offset) {
        (_, None) => {
            if request.legs > 1 {
                findings.caution(CautionCode::BalanceAssumed, None);
            }
            Balance::Midway
        }
        (None, Some(offset)) => {
            let detail = format!("The centre of gravity lies {offset} off: give the spacing of the clamps.");
            let mut reason = StopReason::new(StopCode::ClampSpacingMissing, detail);
            reason.value = Some(offset.into());
            findings.stop(reason);
            Balance::Midway
        }
        (Some(spacing), Some(offset)) => {
            let balance = statics::balance(spacing, offset);
            if balance == Balance::Outside {
                let detail = "The centre of gravity does not lie between the clamps: the plate would tip.";
                let half = exact(spacing.millimetres()) / whole(2);
                let half = Figure::new(shown_down(&half, SHOWN_DIGITS), "mm");
                let found = Figure::new(offset.millimetres().normalize(), "mm");
                findings.stop(StopReason::new(StopCode::CentreOfGravityOutside, detail).figures(found, half));
            }
            balance
        }
    };
    let off_centre = request
        .centre_of_gravity_offset
        .is_some_and(|offset| !offset.value().is_zero());
    if request.legs == 1 && off_centre {
        findings.caution(CautionCode::OffsetUnderOneLeg, None);
    }
    balance
}

/// Judges the hoist: plate, clamps and rigging within its capacity; equal passes.
pub(super) fn check_hoist(
    request: &LiftCheckRequest,
    load: Option<&Exact>,
    clamps: &[&ClampForLift<'_>],
    findings: &mut Findings,
) {
    if request.on_crane_hook == Some(true) {
        findings.stop(StopReason::new(
            StopCode::OnCraneHook,
            "Do not hang a clamp straight on the crane hook: use a sling or shackle between them.",
        ));
    }
    let Some(capacity) = request.hoist_capacity else {
        findings.caution(CautionCode::HoistCapacityNotGiven, None);
        return;
    };
    let Some(load) = load else { return };
    let mut total = load.clone();
    match request.rigging_mass {
        Some(rigging) => total += exact(rigging.kilograms()),
        None => findings.caution(CautionCode::RiggingMassNotGiven, None),
    }
    for clamp in clamps {
        match clamp.own_mass {
            Some(mass) => total += exact(mass.kilograms()),
            None => findings.caution(CautionCode::ClampMassNotKnown, Some(clamp.clamp_id)),
        }
    }
    if total > exact(capacity.kilograms()) {
        let total = Figure::new(shown_up(&total, SHOWN_DIGITS), "kg");
        let detail = format!(
            "Plate, clamps and rigging weigh {} kg; the hoist lifts {capacity}.",
            total.value
        );
        findings.stop(StopReason::new(StopCode::HoistOverloaded, detail).figures(total, capacity));
    }
}

/// Judges the operator's training and their own check of the clamps.
pub(super) fn check_operator(request: &LiftCheckRequest, context: &LiftContext, findings: &mut Findings) {
    match context.operator_trained {
        Some(true) => {}
        Some(false) => findings.stop(StopReason::new(
            StopCode::OperatorNotTrained,
            "The operator's training is not valid: a trained operator must lift.",
        )),
        None => findings.caution(CautionCode::TrainingNotKnown, None),
    }
    match request.every_lift_check {
        EveryLiftCheck::Passed => {}
        EveryLiftCheck::Failed => findings.stop(StopReason::new(
            StopCode::EveryLiftCheckFailed,
            "The check before the lift failed: tag the clamp out and bring it to the tool crib.",
        )),
        EveryLiftCheck::NotDone => findings.stop(StopReason::new(
            StopCode::EveryLiftCheckNotDone,
            "Check first: lock tried by hand, plate at the throat, teeth clean, eye free.",
        )),
    }
}
