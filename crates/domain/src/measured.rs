//! Measured criteria: wear against a limit, with the gauge's uncertainty as a guard band.
//!
//! Owns the decision for one reading: conforming, not shown to conform, worn, or not judged. Every comparison is of
//! exact decimals in millimetres; only [`Measurement::wear_percent`] is rounded, for people. It must never know
//! which criterion, model or rule set the limit comes from, nor what a verdict opens.

use crate::quantity::{Length, MAX_FRACTION_DIGITS};
use crate::source::{Certainty, Source};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};

/// Simple guarded acceptance: a part is accepted only if it conforms with the uncertainty against it.
pub const GUARDED_ACCEPTANCE: Source = Source::fixed("ISO 14253-1", Certainty::Secondary);
/// The width of the guard band: w = |TL − AL|, the tolerance limit less the acceptance limit; here w = U.
pub const GUARD_BAND: Source = Source::fixed("ILAC-G8", Certainty::Text);
/// Where the caliper's default uncertainty comes from: memory. A user can change it by giving the gauge's own.
pub const CALIPER_DEFAULT: Source = Source::fixed("caliper, U = 0.1 mm (from memory)", Certainty::Memory);
/// Readings that can only be a slip of the finger are not judged: this project's decision.
pub const SLIP: Source = Source::fixed("implausible readings are not judged", Certainty::Practice);

/// Growth of a part against its nominal size, in percent, up to which a reading is plausible without uncertainty.
const PLAUSIBLE_PERCENT: Decimal = Decimal::TWO;
/// Digits of a wear shown to people.
const SHOWN_DIGITS: u32 = 4;

/// Expanded uncertainty (k = 2) of a caliper, in millimetres, where nobody gave the gauge's: 0.1 mm, from memory.
pub const CALIPER_UNCERTAINTY_MM: Decimal = Decimal::from_parts(1, 0, 0, false, 1);

/// Which way a part wears.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum WearDirection {
    /// It gets smaller: eyes, pins, teeth.
    Shrinkage,
    /// It gets larger: holes, throats.
    Growth,
}

/// One reading and what it is held against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// Size when new.
    pub nominal: Length,
    /// Wear in percent of nominal at which the part is rejected.
    pub limit_percent: Decimal,
    /// Which way it wears.
    pub direction: WearDirection,
    /// What the gauge read.
    pub measured: Length,
    /// Expanded uncertainty (k = 2) of the gauge; [`CALIPER_UNCERTAINTY_MM`] if not given.
    pub uncertainty: Option<Length>,
}

/// Why a reading is not judged; its criterion stays incomplete.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum NotJudged {
    /// The nominal size is zero.
    NominalNotPositive,
    /// The limit is not above 0 % and below 100 %, or has more than four digits after the point.
    LimitOutOfRange,
    /// Better than a new part by more than 2 % and the uncertainty: a slip of the finger.
    BetterThanNew,
    /// Better than the last reading by more than 2 U although the part was not renewed: a slip of the finger.
    BetterThanLast,
}

/// What a reading comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case", tag = "verdict", content = "why")]
pub enum MeasuredVerdict {
    /// Within the limit with the uncertainty against it.
    Conforming,
    /// The uncertainty reaches the limit: out of service, because nobody has shown that it conforms.
    NotShownToConform,
    /// At or beyond the limit.
    Worn,
    /// Not judged.
    NotJudged(NotJudged),
}

impl MeasuredVerdict {
    /// Whether the part is rejected: worn, or not shown to conform.
    pub const fn rejects(self) -> bool {
        match self {
            Self::Worn | Self::NotShownToConform => true,
            Self::Conforming | Self::NotJudged(_) => false,
        }
    }
}

/// A judged reading, with the numbers that an answer shows.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Measurement {
    /// Wear in percent of nominal, rounded up to four digits, for people and trends; never compared with the limit.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub wear_percent: Decimal,
    /// The size in millimetres at which the part is rejected, exact.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub limit: Decimal,
    /// The expanded uncertainty applied, in millimetres.
    #[cfg_attr(feature = "openapi", schema(value_type = String))]
    pub uncertainty: Decimal,
    /// The verdict.
    #[serde(flatten)]
    pub verdict: MeasuredVerdict,
}

/// The uncertainty applied to a reading, in millimetres: the gauge's, or the caliper default.
pub fn uncertainty_mm(given: Option<Length>) -> Decimal {
    given.map_or(CALIPER_UNCERTAINTY_MM, |given| given.millimetres())
}

/// Judges one reading.
///
/// With the expanded uncertainty U (ISO 14253-1, ILAC-G8): a shrinking part conforms only if
/// measured ≥ limit + U and measured > limit; below limit − U it is worn; between it is not shown to conform.
/// Reaching the limit rejects, also with U = 0. Growth is the mirror image.
pub fn measure(reading: &Reading) -> Measurement {
    let nominal = reading.nominal.millimetres();
    let measured = reading.measured.millimetres();
    let u = uncertainty_mm(reading.uncertainty);
    let percent = reading.limit_percent.normalize();
    let signed_percent = match reading.direction {
        WearDirection::Shrinkage => -percent,
        WearDirection::Growth => percent,
    };
    let in_range = percent > Decimal::ZERO
        && percent < Decimal::ONE_HUNDRED
        && usize::try_from(percent.scale()).is_ok_and(|scale| scale <= MAX_FRACTION_DIGITS);
    if nominal.is_zero() || !in_range {
        let why = if nominal.is_zero() {
            NotJudged::NominalNotPositive
        } else {
            NotJudged::LimitOutOfRange
        };
        let verdict = MeasuredVerdict::NotJudged(why);
        return Measurement {
            wear_percent: Decimal::ZERO,
            limit: nominal,
            uncertainty: u,
            verdict,
        };
    }
    // At most 17 significant digits times 7: exact within the decimal's 28. Dividing by 100 only moves the point.
    let limit = (nominal * (Decimal::ONE_HUNDRED + signed_percent) / Decimal::ONE_HUNDRED).normalize();
    // Both counted so that more is better: how far inside the limit, and how much has been worn off.
    let (margin, worn) = match reading.direction {
        WearDirection::Shrinkage => (measured - limit, nominal - measured),
        WearDirection::Growth => (limit - measured, measured - nominal),
    };
    let wear_percent = (worn * Decimal::ONE_HUNDRED / nominal)
        .round_dp_with_strategy(SHOWN_DIGITS, RoundingStrategy::ToPositiveInfinity)
        .normalize();
    let verdict = if -worn > nominal * PLAUSIBLE_PERCENT / Decimal::ONE_HUNDRED + u {
        MeasuredVerdict::NotJudged(NotJudged::BetterThanNew)
    } else if margin >= u && margin > Decimal::ZERO {
        MeasuredVerdict::Conforming
    } else if margin < -u || u.is_zero() {
        MeasuredVerdict::Worn
    } else {
        MeasuredVerdict::NotShownToConform
    };
    Measurement {
        wear_percent,
        limit,
        uncertainty: u,
        verdict,
    }
}

/// Judges a reading of a part that has not been renewed since `last` was read: better than `last` by more than 2 U
/// is not judged, unless the reading rejects, which always counts.
pub fn measure_after(reading: &Reading, last: Option<Length>) -> Measurement {
    let mut measurement = measure(reading);
    let slip = last.is_some_and(|last| better_than_last(reading, last));
    if slip && measurement.verdict == MeasuredVerdict::Conforming {
        measurement.verdict = MeasuredVerdict::NotJudged(NotJudged::BetterThanLast);
    }
    measurement
}

/// Whether a reading is better than the last one of the same, unrenewed part by more than 2 U.
pub fn better_than_last(reading: &Reading, last: Length) -> bool {
    let (now, last) = (reading.measured.millimetres(), last.millimetres());
    let better_by = match reading.direction {
        WearDirection::Shrinkage => now - last,
        WearDirection::Growth => last - now,
    };
    better_by > Decimal::TWO * uncertainty_mm(reading.uncertainty)
}

#[cfg(test)]
mod tests;
