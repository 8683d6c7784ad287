//! Wear of one measured point over time: readings, fitted line, and the day on which the limit is expected.
//!
//! The line is fitted to the readings since the part was last renewed, against lifts where they were recorded, else
//! against days. The *expected limit date* is the day on which the one-sided 95 % prediction bound reaches the limit
//! (the bound is never below a rising line, so this is the earlier of the two). With fewer than three readings, or
//! readings that do not rise, there is none, and the trend says why.
//!
//! A trend informs; it rejects nothing and clears nothing. Input is plain data: this module knows neither entries
//! nor the fold. Numbers leave it as decimal text.

mod of_clamp;
mod trend;

pub use trend::wear_trend;

pub use of_clamp::trends;

use crate::calendar::Zone;
use crate::ids::EntryId;
use crate::quantity::Length;
use jiff::Timestamp;
use jiff::civil::Date;
use rust_decimal::Decimal;
use serde::Serialize;

/// Fewest readings since the last renewal from which a limit date is computed.
pub const MIN_READINGS: usize = 3;
/// Probability of the one-sided prediction bound.
pub const BOUND_PROBABILITY: f64 = 0.95;
/// A limit further ahead than this is no forecast (about 50 years).
pub const HORIZON_DAYS: i64 = 18_262;

/// What wear and its limit are told in, by UCUM code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum WearUnit {
    /// Percent of the nominal size.
    #[serde(rename = "%")]
    PercentOfNominal,
    /// Millimetres lost (or grown, for holes and throat).
    #[serde(rename = "mm")]
    Millimetres,
}

impl WearUnit {
    /// The unit in words, for an axis.
    pub const fn text(self) -> &'static str {
        match self {
            Self::PercentOfNominal => "% of nominal",
            Self::Millimetres => "mm",
        }
    }
    /// The sign behind a number.
    pub const fn sign(self) -> &'static str {
        match self {
            Self::PercentOfNominal => "%",
            Self::Millimetres => "mm",
        }
    }
}

/// What the line is fitted against.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum WearAxis {
    /// Lifts of the clamp since it was registered.
    Lifts,
    /// Civil days since the first reading of the part now fitted.
    Days,
}

/// One reading, as the caller knows it.
#[derive(Clone, Debug)]
pub struct WearReading {
    /// The inspection it comes from.
    pub entry_id: Option<EntryId>,
    /// When it was taken.
    pub taken_at: Timestamp,
    /// What the gauge showed.
    pub measured: Option<Length>,
    /// Wear in the unit of the history; positive is worse, for holes and throat too.
    pub wear: Decimal,
    /// Lifts of the clamp from its registration to this reading, where they are recorded. Not set back at a renewal.
    pub lifts: Option<u64>,
}

/// Everything known about one wear point at one place of a clamp.
#[derive(Clone, Copy, Debug)]
pub struct WearHistory<'a> {
    /// The measured criterion.
    pub criterion: &'a str,
    /// Which of several alike (left, right …).
    pub place: Option<&'a str>,
    /// Unit of wear and limit.
    pub unit: WearUnit,
    /// Wear at which the part is rejected.
    pub limit: Decimal,
    /// Readings, in any order.
    pub readings: &'a [WearReading],
    /// Instants at which the part was renewed, in any order.
    pub renewed_at: &'a [Timestamp],
    /// The yard's zone, in which days are counted.
    pub zone: &'a Zone,
}

/// Wear of one point over time.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct WearTrend {
    /// The measured criterion.
    pub criterion: String,
    /// Which of several alike.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
    /// Unit of every wear and of the limit.
    pub unit: WearUnit,
    /// That unit in words.
    pub unit_text: &'static str,
    /// Wear at which the part is rejected.
    pub limit: String,
    /// What the line is fitted against: the meaning of every `x`.
    pub against: WearAxis,
    /// Day 0 of an axis in days.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub day_zero: Option<Date>,
    /// Every reading, oldest first; those of parts since renewed too.
    pub points: Vec<TrendPoint>,
    /// Renewals between the readings, oldest first.
    pub renewals: Vec<Renewal>,
    /// The fitted line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub fit: Option<TrendFit>,
    /// Line and prediction band, from the first fitted reading to the limit or a little beyond the last reading.
    pub curve: Vec<CurvePoint>,
    /// Whether the last reading itself has reached the limit.
    pub last_reading_at_limit: bool,
    /// Whether the last reading, or the bound on its day, has reached the limit already.
    pub limit_reached: bool,
    /// The expected limit date. The day of the last reading where the bound has reached the limit by then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected_limit_on: Option<Date>,
    /// The same on the axis.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected_limit_x: Option<String>,
    /// Why there is no expected limit date.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub no_forecast: Option<NoForecast>,
    /// The result in one sentence.
    pub summary: String,
}

/// One reading of a trend.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct TrendPoint {
    /// The inspection it comes from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub entry_id: Option<EntryId>,
    /// When it was taken.
    pub taken_at: Timestamp,
    /// The civil day of that instant in the yard.
    pub taken_on: Date,
    /// Place on the axis; left out for a reading of an earlier part without a lift count on an axis in lifts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub x: Option<String>,
    /// What the gauge showed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub measured: Option<Length>,
    /// Wear, in the trend's unit.
    pub wear: String,
    /// Lifts of the clamp by then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lifts: Option<u64>,
    /// Which part was measured: 0 the one that the clamp came with, one more after each renewal.
    pub part: u32,
    /// Whether the part is the one now fitted, so that the line rests on this reading.
    pub current: bool,
}

/// A renewal of the part: the trend starts anew.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Renewal {
    /// The civil day in the yard.
    pub renewed_on: Date,
    /// Place on an axis in days.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub x: Option<String>,
}

/// The fitted line wear = intercept + slope · x.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct TrendFit {
    /// Wear per lift or per day.
    pub slope: String,
    /// Standard error of the slope.
    pub slope_standard_error: String,
    /// Wear at x = 0.
    pub intercept: String,
    /// Standard deviation of the residuals (n − 2 in the denominator).
    pub residual_sd: String,
    /// Share of the scatter that the line explains; left out where all readings are alike.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub r_squared: Option<String>,
    /// Number of readings fitted.
    pub n: u32,
}

/// Line and band at one place of the axis.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct CurvePoint {
    /// Place on the axis.
    pub x: String,
    /// The fitted line.
    pub line: String,
    /// One-sided 95 % prediction bound from below; with `upper` a 90 % band.
    pub lower: String,
    /// One-sided 95 % prediction bound from above: this one is compared with the limit.
    pub upper: String,
}

/// Why no limit date is expected.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct NoForecast {
    /// Stable code.
    pub code: NoForecastCode,
    /// In words.
    pub detail: String,
}

/// Codes of [`NoForecast`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum NoForecastCode {
    /// Fewer than three readings since the part was renewed.
    TooFewReadings,
    /// All of them on one day.
    OneDay,
    /// The readings do not rise.
    NotRising,
    /// The limit is further ahead than about 50 years.
    BeyondHorizon,
}

#[cfg(test)]
mod tests;
