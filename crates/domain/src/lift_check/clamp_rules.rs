//! What about one clamp stops a lift: fitness, kind of lift, lock, eye, load, jaw, hardness, temperature.
//!
//! Owns the comparison of the lift with one clamp's particulars. It must never look at another clamp.

use super::answer::{Figure, Findings, StopReason};
use super::caution::CautionCode;
use super::plate_rules::DEFAULT_HARDNESS_LIMIT_HB;
use super::request::LiftCheckRequest;
use super::rigging_rules::LegLoads;
use super::stop::StopCode;
use super::{ClampForLift, LiftContext, NotFit, SHOWN_DIGITS};
use crate::exact::{exact, shown_down, shown_up, whole};
use crate::quantity::{Angle, AngleUnit, Mass, Range, Temperature, TemperatureUnit};
use crate::source::{Certainty, Source};
use crate::words::{ClampKind, EyeKind, LiftKind, LockKind};
use rust_decimal::Decimal;
use std::borrow::Cow;

/// Minimum load in percent of WLL where the model states none: one maker's instructions (others 5 to 10 %).
pub const DEFAULT_MINIMUM_LOAD_PERCENT: u32 = 20;
/// Largest tilt across the body of a clamp with a single-pivot eye, degrees; itself allowed (DGUV 209-019).
pub const TILT_LIMIT_DEGREES: u32 = 10;
/// Coldest plate and air where the model states no range, °C (25 °F in round figures).
const COLDEST_CELSIUS: i64 = -4;
/// Hottest plate and air where the model states no range, °C (150 °F in round figures).
const HOTTEST_CELSIUS: i64 = 66;
/// Why three or four legs count as two.
const TWO_LEGS_CARRY_ALL: Source = Source::fixed(
    "US Navy rigging manual: under a stiff load two legs may carry all",
    Certainty::Text,
);

/// Judges one clamp.
pub(super) fn check(
    request: &LiftCheckRequest,
    clamp: &ClampForLift<'_>,
    context: &LiftContext,
    loads: &LegLoads,
    findings: &mut Findings,
) {
    check_fitness(clamp, findings);
    check_kind(request, clamp, findings);
    check_lock(request, clamp, findings);
    check_tilt(request, clamp, findings);
    check_load(request, clamp, loads, findings);
    check_jaw(request, clamp, findings);
    check_hardness(request, clamp, context, findings);
    check_temperature(request, clamp, findings);
}

fn check_fitness(clamp: &ClampForLift<'_>, findings: &mut Findings) {
    for NotFit { code, detail, source } in &clamp.not_fit {
        let mut reason = StopReason::new(StopCode::NotFit, detail.clone()).of(clamp.clamp_id);
        reason.code = code.clone();
        if let Some(source) = source {
            reason.source = source.clone();
        }
        findings.stop(reason);
    }
    if !clamp.fit && clamp.not_fit.is_empty() {
        findings.stop(StopReason::new(StopCode::NotFit, "This clamp is not fit for use.").of(clamp.clamp_id));
    }
    if clamp.rating_in_doubt {
        findings.caution(CautionCode::RatingInDoubt, Some(clamp.clamp_id));
    }
}

/// Whether a kind of clamp does a kind of lift.
const fn does(kind: ClampKind, lift: LiftKind) -> bool {
    match (kind, lift) {
        (
            ClampKind::Vertical | ClampKind::VerticalTurning90 | ClampKind::VerticalTurning180,
            LiftKind::Vertical,
        )
        | (ClampKind::VerticalTurning90 | ClampKind::VerticalTurning180, LiftKind::Turning90)
        | (ClampKind::VerticalTurning180, LiftKind::Turning180)
        | (ClampKind::Horizontal, LiftKind::Horizontal) => true,
        (ClampKind::Vertical, LiftKind::Turning90 | LiftKind::Turning180 | LiftKind::Horizontal)
        | (ClampKind::VerticalTurning90, LiftKind::Turning180 | LiftKind::Horizontal)
        | (ClampKind::VerticalTurning180, LiftKind::Horizontal)
        | (ClampKind::Horizontal, LiftKind::Vertical | LiftKind::Turning90 | LiftKind::Turning180) => false,
    }
}

fn check_kind(request: &LiftCheckRequest, clamp: &ClampForLift<'_>, findings: &mut Findings) {
    let (kind, lift) = (clamp.model.kind, request.lift);
    if !does(kind, lift) {
        let detail = format!("A clamp of kind {kind} does not do a lift of kind {lift}.");
        findings.stop(StopReason::new(StopCode::KindOfLift, detail).of(clamp.clamp_id));
    }
    let plates = request.plate_count();
    if plates > 1 && !clamp.model.stack_lifting {
        let detail = format!("{plates} plates at once: this clamp takes one.");
        findings.stop(
            StopReason::new(StopCode::MoreThanOnePlate, detail)
                .of(clamp.clamp_id)
                .figures(Figure::count(usize::from(plates)), Figure::count(1)),
        );
    }
}

fn check_lock(request: &LiftCheckRequest, clamp: &ClampForLift<'_>, findings: &mut Findings) {
    let needs_lock = match request.lift {
        LiftKind::Vertical | LiftKind::Turning90 | LiftKind::Turning180 => true,
        LiftKind::Horizontal => false,
    };
    match clamp.model.lock {
        Some(LockKind::None) if needs_lock => findings.stop(
            StopReason::new(
                StopCode::NoLock,
                "No vertical or turning lift with a clamp that has no lock.",
            )
            .of(clamp.clamp_id),
        ),
        None if needs_lock => findings.caution(CautionCode::LockNotKnown, Some(clamp.clamp_id)),
        Some(LockKind::Screw) => findings.caution(CautionCode::ScrewLock, Some(clamp.clamp_id)),
        Some(LockKind::None | LockKind::Spring) | None => {}
    }
}

/// An eye that nobody has described counts as a single pivot.
fn check_tilt(request: &LiftCheckRequest, clamp: &ClampForLift<'_>, findings: &mut Findings) {
    match clamp.model.eye {
        Some(EyeKind::Free) => return,
        Some(EyeKind::SinglePivot) | None => {}
    }
    let limit = Decimal::from(TILT_LIMIT_DEGREES);
    match request.tilt {
        None => findings.caution(CautionCode::TiltNotGiven, Some(clamp.clamp_id)),
        Some(tilt) if tilt.degrees() > limit => {
            let limit = Angle::new(limit, AngleUnit::Degree).map_or(tilt.into(), Figure::from);
            let detail = format!("The pull tilts {tilt} across the body; a single-pivot eye allows 10°.");
            findings.stop(
                StopReason::new(StopCode::TiltOverTenDegrees, detail)
                    .of(clamp.clamp_id)
                    .figures(tilt, limit),
            );
        }
        Some(_) => {}
    }
}

/// The lowest WLL that applies to the lift's kind and angle.
pub(super) fn wll_for(request: &LiftCheckRequest, clamp: &ClampForLift<'_>) -> Mass {
    ratings(request, clamp).fold(clamp.wll, Mass::min)
}

fn ratings(request: &LiftCheckRequest, clamp: &ClampForLift<'_>) -> impl Iterator<Item = Mass> {
    let (lift, angle) = (request.lift, request.angle_from_horizontal);
    clamp
        .model
        .lift_ratings
        .iter()
        .filter(move |rating| {
            rating.lift == lift && rating.angle_from_horizontal.is_none_or(|up_to| angle <= up_to)
        })
        .map(|rating| rating.wll)
}

fn check_load(
    request: &LiftCheckRequest,
    clamp: &ClampForLift<'_>,
    loads: &LegLoads,
    findings: &mut Findings,
) {
    if ratings(request, clamp).next().is_none() {
        findings.caution(CautionCode::NoRatingForLift, Some(clamp.clamp_id));
    }
    let wll = wll_for(request, clamp);
    if let Some(tension) = loads
        .tension
        .as_ref()
        .filter(|tension| **tension > exact(wll.kilograms()))
    {
        let found = Figure::new(shown_up(tension, SHOWN_DIGITS), "kg");
        let limit = Figure::new(wll.kilograms().normalize(), "kg");
        let detail = format!(
            "{} kg on this clamp; its WLL for this lift is {wll}.",
            found.value
        );
        let mut reason = StopReason::new(StopCode::TensionOverWll, detail)
            .of(clamp.clamp_id)
            .figures(found, limit);
        if request.legs > 2 {
            reason = reason.resting_on(TWO_LEGS_CARRY_ALL);
        }
        findings.stop(reason);
    }
    // The cam's grip goes with the clamp as built: the highest WLL that anybody claims sets the minimum load.
    let built_for = exact(clamp.wll.max(clamp.model.wll).kilograms());
    let percent = clamp
        .model
        .minimum_load_percent
        .map_or_else(|| whole(DEFAULT_MINIMUM_LOAD_PERCENT), exact);
    let minimum = built_for * percent / whole(100);
    if let Some(shares) = loads.shares.as_ref().filter(|shares| shares.lightest < minimum) {
        let found = Figure::new(shown_down(&shares.lightest, SHOWN_DIGITS), "kg");
        let limit = Figure::new(shown_up(&minimum, SHOWN_DIGITS), "kg");
        let detail = format!(
            "{} kg on this clamp; it needs at least {} kg to grip.",
            found.value, limit.value
        );
        findings.stop(
            StopReason::new(StopCode::ShareBelowMinimum, detail)
                .of(clamp.clamp_id)
                .figures(found, limit),
        );
    }
}

/// All plates of the lift lie in the jaw together.
fn check_jaw(request: &LiftCheckRequest, clamp: &ClampForLift<'_>, findings: &mut Findings) {
    let one = request.plate.thickness();
    let thickness = exact(one.millimetres()) * whole(u32::from(request.plate_count()));
    let Range { min, max } = clamp.jaw_opening;
    let too_thick = thickness > exact(max.millimetres());
    let too_thin = thickness < exact(min.millimetres()) || thickness == whole(0);
    if too_thick || too_thin {
        let found = if request.plate_count() == 1 {
            Figure::from(one)
        } else {
            Figure::new(shown_up(&thickness, SHOWN_DIGITS), "mm")
        };
        let detail = format!(
            "The jaw takes {min} to {max}; the plate is {} {}.",
            found.value, found.unit
        );
        let limit = if too_thick { max } else { min };
        findings.stop(
            StopReason::new(StopCode::ThicknessOutsideJawOpening, detail)
                .of(clamp.clamp_id)
                .figures(found, limit),
        );
    }
}

/// The harder of what was measured and what the steel grade may be counts.
fn check_hardness(
    request: &LiftCheckRequest,
    clamp: &ClampForLift<'_>,
    context: &LiftContext,
    findings: &mut Findings,
) {
    let (limit, code) = match clamp.model.hardness_limit_hb {
        Some(limit) => (limit, StopCode::HardnessOverLimit),
        None => (DEFAULT_HARDNESS_LIMIT_HB, StopCode::HardnessOverDefault),
    };
    let hardness = request.hardness_hb.max(context.grade_hardness_hb);
    match (hardness, clamp.model.hardness_limit_hb) {
        (Some(hardness), _) if hardness > limit => {
            let detail = format!("The plate has {hardness} HB; this clamp grips up to {limit} HB.");
            findings.stop(
                StopReason::new(code, detail)
                    .of(clamp.clamp_id)
                    .figures(Figure::hardness(hardness), Figure::hardness(limit)),
            );
        }
        (Some(_), _) => {}
        (None, Some(_)) => {
            let detail = format!("The plate's hardness is not known; this clamp grips up to {limit} HB.");
            let mut reason = StopReason::new(StopCode::HardnessUnknown, detail).of(clamp.clamp_id);
            reason.limit = Some(Figure::hardness(limit));
            findings.stop(reason);
        }
        (None, None) => findings.caution(CautionCode::HardnessNotKnown, Some(clamp.clamp_id)),
    }
}

fn check_temperature(request: &LiftCheckRequest, clamp: &ClampForLift<'_>, findings: &mut Findings) {
    let default = |degrees: i64| Temperature::new(Decimal::from(degrees), TemperatureUnit::Celsius);
    let range = match (
        clamp.model.temperature,
        default(COLDEST_CELSIUS),
        default(HOTTEST_CELSIUS),
    ) {
        (Some(range), _, _) => range,
        (None, Ok(min), Ok(max)) => Range { min, max },
        (None, Err(_), _) | (None, _, Err(_)) => return,
    };
    let places = [("plate", request.temperature), ("air", request.air_temperature)];
    for (what, temperature) in places
        .into_iter()
        .filter_map(|(what, given)| Some((what, given?)))
    {
        if !range.contains(&temperature) {
            let Range { min, max } = range;
            let detail: Cow<'static, str> =
                format!("The {what} has {temperature}; this clamp is for {min} to {max}.").into();
            let limit = if temperature > max { max } else { min };
            findings.stop(
                StopReason::new(StopCode::TemperatureOutOfRange, detail)
                    .of(clamp.clamp_id)
                    .figures(temperature, limit),
            );
        }
    }
}
