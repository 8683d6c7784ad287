//! What about the plate itself stops a lift, whatever the clamp: mass, number, stack, surface.
//!
//! Owns these rules. Thickness, hardness and temperature are held against each clamp, not here.

use super::answer::{Figure, Findings, StopReason};
use super::caution::CautionCode;
use super::request::{LiftCheckRequest, Plate};
use super::stop::StopCode;
use crate::exact::Exact;
use std::collections::BTreeSet;

/// Hardest plate, Brinell, where the model has no limit. From memory: a model's own limit replaces it.
pub const DEFAULT_HARDNESS_LIMIT_HB: u16 = 300;

/// Judges the plate.
pub(super) fn check(request: &LiftCheckRequest, load: Option<&Exact>, findings: &mut Findings) {
    if request.plate_count() == 0 {
        findings.stop(
            StopReason::new(StopCode::NoPlate, "There is no plate to lift.")
                .figures(Figure::count(0), Figure::count(1)),
        );
    } else if load.is_none() {
        findings.stop(StopReason::new(
            StopCode::MassUnknown,
            "The plate's mass is not known: give its length, width and thickness, or its mass.",
        ));
    }
    match request.plate {
        Plate::Dimensions { .. } => findings.caution(CautionCode::NominalMass, None),
        Plate::Weighed { .. } | Plate::MassUnknown { .. } => {}
    }
    if request.from_under_stack == Some(true) {
        findings.stop(StopReason::new(
            StopCode::FromUnderStack,
            "Do not pull a plate from under a stack.",
        ));
    }
    match request.surface.as_deref() {
        None | Some([]) => findings.caution(CautionCode::SurfaceNotGiven, None),
        Some(surfaces) => {
            let each_once: BTreeSet<_> = surfaces.iter().collect();
            for trouble in each_once.into_iter().filter_map(|surface| surface.trouble()) {
                findings.stop(StopReason::new(
                    StopCode::SurfaceNotGripped,
                    format!("The teeth do not grip through {trouble}: clear the bite or lift otherwise."),
                ));
            }
        }
    }
    if request.temperature.is_none() {
        findings.caution(CautionCode::TemperatureNotGiven, None);
    }
}
