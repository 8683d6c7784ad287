//! The rejection criteria: what a person who inspects a clamp is asked, in the order in which they handle it.
//!
//! The catalogue is the data file `data/criteria.json`; its order is part of it. Every question is put so that *yes*
//! means "in order" and *no* means "reject". This module never knows what was found: findings, measurements and
//! limits are judged elsewhere.

use crate::measured::WearDirection;
use crate::reference::Model;
use crate::source::Source;
use crate::words::{Component, InspectionKind, JudgedBy, LockoutReason, Remedy, words};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::LazyLock;

words! {
    /// How far an inspection goes. Each scope includes the ones before it.
    Scope {
        /// The outside, by eye and by hand.
        Frequent = "frequent",
        /// With gauges and papers as well.
        Periodic = "periodic",
        /// Taken apart.
        Dismantled = "dismantled",
        /// Taken apart and tested for cracks. No inspection demands a finding of this scope: the inspection itself
        /// says whether the test was made, or why not.
        CrackTest = "crack_test",
    }
    /// What may have caused a finding.
    Cause {
        /// Long use.
        Wear = "wear",
        /// A load over the WLL.
        Overload = "overload",
        /// A shock load.
        ShockLoad = "shock_load",
        /// A pull from the side.
        SideLoad = "side_load",
        /// Dropped or thrown.
        RoughHandling = "rough_handling",
        /// Dragged over plates or ground.
        Dragging = "dragging",
        /// Plate harder than the teeth stand.
        HardPlate = "hard_plate",
        /// Plate thicker or thinner than the jaw opening.
        WrongThickness = "wrong_thickness",
        /// Too little load to bite.
        TooLightLoad = "too_light_load",
        /// Heat.
        Heat = "heat",
        /// Corrosion.
        Corrosion = "corrosion",
        /// Dirt, or too little lubrication.
        Neglect = "neglect",
        /// Repaired or altered by somebody who should not have.
        UnauthorisedWork = "unauthorised_work",
    }
}

/// One rejection criterion.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Criterion {
    /// Its stable code, for example `shackle_eye_worn`.
    pub code: String,
    /// The part it looks at.
    pub component: Component,
    /// What the inspector is asked; *yes* means in order.
    pub question: String,
    /// How it is judged.
    pub judged_by: JudgedBy,
    /// The narrowest scope in which it must be answered.
    pub scope: Scope,
    /// What can clear it; any one of them. `none` stands alone: scrap.
    pub remedies: Vec<Remedy>,
    /// Whether the part carries the load.
    pub load_bearing: bool,
    /// Which way the measured size changes; left out where nothing is measured.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured: Option<WearDirection>,
    /// Set where a rejection is a suspicion about what happened to the clamp, not a defect of a part: the reason for
    /// a lock-out that means the same. No part can be renewed for it; an exceptional inspection clears it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub suspicion: Option<LockoutReason>,
    /// What may have caused it.
    pub hints: Vec<Cause>,
    /// Where it comes from.
    pub sources: Vec<Source>,
}

static CATALOGUE: LazyLock<Vec<Criterion>> = LazyLock::new(|| parsed(include_str!("../data/criteria.json")));

static BY_CODE: LazyLock<BTreeMap<&'static str, &'static Criterion>> = LazyLock::new(|| {
    criteria()
        .iter()
        .map(|criterion| (criterion.code.as_str(), criterion))
        .collect()
});

#[expect(
    clippy::expect_used,
    reason = "the file is compiled in; a test reads it, so it cannot fail later"
)]
fn parsed(file: &str) -> Vec<Criterion> {
    serde_json::from_str(file).expect("the embedded catalogue is well-formed")
}

/// The whole catalogue, in the order in which a person handles the clamp.
pub fn criteria() -> &'static [Criterion] {
    &CATALOGUE
}

/// The criterion with this code.
pub fn criterion(code: &str) -> Option<&'static Criterion> {
    BY_CODE.get(code).copied()
}

/// Whether a part of the clamp carries the load.
pub fn is_load_bearing(component: Component) -> bool {
    criteria()
        .iter()
        .any(|criterion| criterion.component == component && criterion.load_bearing)
}

impl Scope {
    /// How far an inspection of this kind goes at least, whatever the rule set. The rule set may ask for more:
    /// see [`crate::rule_set::RuleSet::scope`].
    pub const fn at_least(kind: InspectionKind) -> Self {
        match kind {
            InspectionKind::PreLift | InspectionKind::PostLift | InspectionKind::Frequent => Self::Frequent,
            InspectionKind::Initial
            | InspectionKind::Periodic
            | InspectionKind::AfterRepair
            | InspectionKind::Exceptional => Self::Periodic,
        }
    }

    /// Whether a criterion of scope `asked` may be answered although this scope does not demand it: one step further.
    const fn offers(self, asked: Self) -> bool {
        matches!(
            (self, asked),
            (Self::Frequent, Self::Periodic)
                | (Self::Periodic, Self::Dismantled)
                | (Self::Dismantled, Self::CrackTest)
        )
    }
}

impl Criterion {
    /// Whether an inspection of this scope must answer it.
    pub fn is_mandatory_in(&self, scope: Scope) -> bool {
        self.scope <= scope
    }
}

/// What an inspection of this scope asks, in the catalogue's order, each with whether it must be answered. The
/// model's version switches off the criteria about parts that its design does not have.
///
/// Criteria one scope further are offered without being demanded (our practice): an inspector with a caliper at hand may
/// use it in a frequent inspection.
pub fn asked<'a>(
    scope: Scope,
    model: Option<&'a Model>,
) -> impl Iterator<Item = (&'static Criterion, bool)> + 'a {
    criteria()
        .iter()
        .filter(move |criterion| criterion.is_mandatory_in(scope) || scope.offers(criterion.scope))
        .filter(move |criterion| model.is_none_or(|model| !is_switched_off(model, criterion)))
        .map(move |criterion| (criterion, criterion.is_mandatory_in(scope)))
}

/// Whether a model's design has no such part.
pub fn is_switched_off(model: &Model, criterion: &Criterion) -> bool {
    model.without_criteria.contains(&criterion.code)
}

#[cfg(test)]
mod tests;
