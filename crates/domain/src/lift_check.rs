//! Before a lift: may these clamps lift this plate so?
//!
//! Owns the answer `clear` or `stop` with every reason. Whether a clamp is fit is asked beforehand and handed in; this
//! module reads no clock and no history, so that an answer given offline is the one given online. Exact values are
//! compared, never rounded ones; what is shown is rounded away from comfort.
//!
//! The answer is for one lift only. The software records and reminds: the employer's competent person, the maker's
//! instructions and local law decide.

mod answer;
mod caution;
mod clamp_rules;
mod load;
mod plate_rules;
mod request;
mod rigging_rules;
mod statics;
mod stop;

pub use answer::{Caution, Decision, Figure, LiftCheckAnswer, StopReason};
pub use caution::CautionCode;
pub use clamp_rules::{DEFAULT_MINIMUM_LOAD_PERCENT, TILT_LIMIT_DEGREES};
pub use load::CARBON_STEEL_KG_PER_M3;
pub use plate_rules::DEFAULT_HARDNESS_LIMIT_HB;
pub use request::{
    EveryLiftCheck, LiftCheckRequest, MAX_CLAMPS, MAX_GRADE_CHARACTERS, MAX_SURFACES, Plate, Surface,
};
pub use stop::StopCode;

use crate::exact::{Exact, exact, shown_up, whole};
use crate::ids::ClampId;
use crate::quantity::{Length, Mass, MassUnit, Range};
use crate::reference::Model;
use crate::source::Source;
use answer::Findings;
use std::borrow::Cow;
use std::collections::BTreeSet;

/// Digits after the point of masses shown.
const SHOWN_DIGITS: u32 = 4;
/// Digits after the point of percentages shown.
const SHOWN_PERCENT_DIGITS: u32 = 2;

/// Why a clamp is not fit, as its standing says.
#[derive(Clone, Debug, PartialEq)]
pub struct NotFit {
    /// Stable code, for example `tagged_out`.
    pub code: Cow<'static, str>,
    /// For the person at the plate.
    pub detail: String,
    /// On what it rests, if it is known.
    pub source: Option<Source>,
}

/// A clamp as a lift check sees it.
#[derive(Clone, Debug, PartialEq)]
pub struct ClampForLift<'a> {
    /// The clamp.
    pub clamp_id: ClampId,
    /// The lowest WLL that plate, certificate, model or registration claim.
    pub wll: Mass,
    /// The narrowest jaw opening that they claim.
    pub jaw_opening: Range<Length>,
    /// Its model.
    pub model: &'a Model,
    /// Its own mass, where known.
    pub own_mass: Option<Mass>,
    /// Whether it is fit now.
    pub fit: bool,
    /// Why not; each stops the lift, whatever `fit` says.
    pub not_fit: Vec<NotFit>,
    /// Whether its papers disagree on WLL or jaw opening.
    pub rating_in_doubt: bool,
}

/// What the caller knows beside the question.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LiftContext {
    /// Whether the operator's training is valid today; `None`: not known here.
    pub operator_trained: Option<bool>,
    /// The highest hardness that the yard's list gives the stated steel grade; `None`: no grade, or not listed.
    pub grade_hardness_hb: Option<u16>,
}

/// Answers a lift check. `clamps` are those of the request, in any order; one that is missing stops the lift.
pub fn check(
    request: &LiftCheckRequest,
    clamps: &[ClampForLift<'_>],
    context: &LiftContext,
) -> LiftCheckAnswer {
    let mut findings = Findings::default();
    let listed: BTreeSet<ClampId> = request.clamps.iter().copied().collect();
    let clamps: Vec<&ClampForLift<'_>> = listed
        .iter()
        .filter_map(|listed| clamps.iter().find(|clamp| clamp.clamp_id == *listed))
        .collect();

    rigging_rules::check_list(request, &clamps, &mut findings);
    let load = load::of(request);
    plate_rules::check(request, load.as_ref(), &mut findings);
    let tension = rigging_rules::check_legs(request, load.as_ref(), &mut findings);
    for clamp in &clamps {
        clamp_rules::check(request, clamp, context, &tension, &mut findings);
    }
    rigging_rules::check_hoist(request, load.as_ref(), &clamps, &mut findings);
    rigging_rules::check_operator(request, context, &mut findings);
    for code in CautionCode::USUAL {
        findings.caution(code, None);
    }

    let lowest_wll = clamps
        .iter()
        .map(|clamp| clamp_rules::wll_for(request, clamp))
        .min();
    let utilisation = tension
        .tension
        .as_ref()
        .zip(lowest_wll)
        .and_then(|(tension, wll)| {
            let wll = exact(wll.kilograms());
            let percent = (wll != whole(0)).then(|| tension / wll * whole(100))?;
            Some(Figure::new(shown_up(&percent, SHOWN_PERCENT_DIGITS), "%"))
        });
    LiftCheckAnswer {
        decision: findings.decision(),
        reasons: findings.reasons,
        tension_per_clamp: tension.tension.as_ref().and_then(kilograms_shown),
        plate_mass: load.as_ref().and_then(kilograms_shown),
        utilisation,
        cautions: findings.cautions,
    }
}

/// A mass as it is shown: kilograms, rounded up.
fn kilograms_shown(mass: &Exact) -> Option<Mass> {
    Mass::new(shown_up(mass, SHOWN_DIGITS), MassUnit::Kilogram).ok()
}

#[cfg(test)]
mod tests;
