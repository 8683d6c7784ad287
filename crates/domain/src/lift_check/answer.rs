//! The answer to a lift check: `clear` or `stop`, every reason with its number, limit and source, and the cautions.
//!
//! Owns shapes and wording of figures. It decides nothing but this: `clear` only if there is no reason.

use super::caution::CautionCode;
use super::stop::StopCode;
use crate::ids::ClampId;
use crate::quantity::{Angle, Length, Mass, Temperature};
use crate::source::Source;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// May they lift?
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    /// Nothing known stands against this lift, and this lift only.
    Clear,
    /// Do not lift.
    Stop,
}

/// A number as an exact decimal text and its unit, as it is shown.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Figure {
    /// Plain decimal.
    pub value: String,
    /// UCUM unit, `HB` for Brinell hardness, `1` for a count.
    pub unit: Cow<'static, str>,
}

impl Figure {
    /// A figure of a value and a fixed unit.
    pub(super) fn new(value: Decimal, unit: &'static str) -> Self {
        Self {
            value: value.to_string(),
            unit: Cow::Borrowed(unit),
        }
    }
    /// A count.
    pub(super) fn count(value: usize) -> Self {
        Self {
            value: value.to_string(),
            unit: Cow::Borrowed("1"),
        }
    }
    /// A hardness.
    pub(super) fn hardness(value: u16) -> Self {
        Self {
            value: value.to_string(),
            unit: Cow::Borrowed("HB"),
        }
    }
}

macro_rules! figures {
    ($($quantity:ident),+) => {$(
        impl From<$quantity> for Figure {
            fn from(quantity: $quantity) -> Self { Self::new(quantity.value(), quantity.unit().code()) }
        }
    )+};
}
figures!(Length, Mass, Angle, Temperature);

/// One reason to stop.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct StopReason {
    /// Stable code: of the stop, or why a clamp is not fit.
    pub code: Cow<'static, str>,
    /// For the person at the plate.
    pub detail: String,
    /// The clamp that it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clamp_id: Option<ClampId>,
    /// What was found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Figure>,
    /// What is allowed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub limit: Option<Figure>,
    /// On what it rests.
    pub source: Source,
}

impl StopReason {
    pub(super) fn new(code: StopCode, detail: impl Into<String>) -> Self {
        Self {
            code: Cow::Borrowed(code.code()),
            detail: detail.into(),
            clamp_id: None,
            value: None,
            limit: None,
            source: code.source(),
        }
    }
    pub(super) fn of(mut self, clamp: ClampId) -> Self {
        self.clamp_id = Some(clamp);
        self
    }
    pub(super) fn figures(mut self, value: impl Into<Figure>, limit: impl Into<Figure>) -> Self {
        self.value = Some(value.into());
        self.limit = Some(limit.into());
        self
    }
    pub(super) fn resting_on(mut self, source: Source) -> Self {
        self.source = source;
        self
    }
}

/// Something to mind; never a reason to stop.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Caution {
    /// Stable code.
    pub code: CautionCode,
    /// For the person at the plate.
    pub detail: Cow<'static, str>,
    /// The clamp that it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clamp_id: Option<ClampId>,
    /// On what it rests.
    pub source: Source,
}

/// The answer, for this lift only. The operator and the employer's competent person decide.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LiftCheckAnswer {
    /// `clear` only if there is no reason.
    pub decision: Decision,
    /// Every reason to stop, not only the first.
    pub reasons: Vec<StopReason>,
    /// Tension that the most loaded leg may have, as a mass in kilograms, rounded up for display.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Figure>))]
    pub tension_per_clamp: Option<Mass>,
    /// Mass of all plates lifted, in kilograms, rounded up for display.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Figure>))]
    pub plate_mass: Option<Mass>,
    /// Tension in percent of the lowest WLL, rounded up for display.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub utilisation: Option<Figure>,
    /// What to mind.
    pub cautions: Vec<Caution>,
}

/// What the rules have found so far.
#[derive(Debug, Default)]
pub(super) struct Findings {
    pub(super) reasons: Vec<StopReason>,
    pub(super) cautions: Vec<Caution>,
}

impl Findings {
    pub(super) fn stop(&mut self, reason: StopReason) {
        self.reasons.push(reason);
    }
    pub(super) fn caution(&mut self, code: CautionCode, clamp_id: Option<ClampId>) {
        let detail = Cow::Borrowed(code.detail());
        self.cautions.push(Caution {
            code,
            detail,
            clamp_id,
            source: code.source(),
        });
    }
    pub(super) const fn decision(&self) -> Decision {
        if self.reasons.is_empty() {
            Decision::Clear
        } else {
            Decision::Stop
        }
    }
}
