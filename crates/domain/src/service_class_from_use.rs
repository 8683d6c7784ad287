//! Service class from recorded use: a proposal with its numbers, never a decision.
//!
//! ASME B30.20, 20-1: loads below 65 % of the WLL are normal service, above it heavy, and either under abnormal
//! conditions severe. Owns the arithmetic. It reads no clock: the caller picks the entries of the last 90 days.

use crate::exact::{Exact, exact, shown_up, whole};
use crate::quantity::Mass;
use crate::source::{Certainty, Source};
use crate::words::{AbnormalCondition, ServiceClass};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// Days of use that count, up to the day asked.
pub const DAYS: u32 = 90;
/// Fewest lifts from which a class is proposed: this project's decision.
pub const FEWEST_LIFTS: u64 = 30;
/// Loads below this percentage of the WLL are normal service; exactly 65.0 % is not.
pub const NORMAL_BELOW_PERCENT: u32 = 65;
/// The class boundary by the heaviest load, "uniform loads".
pub const BY_HEAVIEST: Source = Source::fixed(
    "ASME B30.20-1999/2003, 20-1: uniform loads below 65 %",
    Certainty::Text,
);
/// The class boundary by the mean load, from memory for clamps.
pub const BY_MEAN: Source = Source::fixed(
    "mean load below 65 % (from memory, for clamps)",
    Certainty::Memory,
);

/// Digits of percentages shown.
const SHOWN_DIGITS: u32 = 2;

/// One recorded period of use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UsedPeriod {
    /// Number of lifts.
    pub lifts: u32,
    /// Heaviest load; `None`: not known.
    pub heaviest_load: Option<Mass>,
    /// Mean load; `None`: not known, the heaviest stands in for it.
    pub mean_load: Option<Mass>,
    /// Conditions that make service severe.
    pub abnormal_conditions: Vec<AbnormalCondition>,
}

/// A proposed class and the numbers that it rests on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Proposal {
    /// The class proposed; never the current one.
    pub class: ServiceClass,
    /// Whether it is milder than the current one (leaving special counts so): only the safety role accepts it.
    pub milder: bool,
    /// What the heaviest load gives.
    pub by_heaviest: ServiceClass,
    /// What the mean load gives.
    pub by_mean: ServiceClass,
    /// Lifts counted.
    pub lifts: u64,
    /// Heaviest load in percent of WLL, rounded up to two digits for display; left out if no load is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>))]
    pub heaviest_percent: Option<Decimal>,
    /// Mean load of the lifts of known load in percent of WLL, rounded up to two digits for display.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<String>))]
    pub mean_percent: Option<Decimal>,
    /// Abnormal conditions met.
    pub abnormal_conditions: Vec<AbnormalCondition>,
}

/// Proposes a class from the periods of the last [`DAYS`] days, if it differs from the current one.
///
/// Below [`FEWEST_LIFTS`] lifts nothing is proposed. A harder class is proposed if either reading gives it; a milder
/// one only if both do and the heaviest load of every lift is known.
pub fn propose(
    periods: impl IntoIterator<Item = UsedPeriod>,
    wll: Mass,
    current: ServiceClass,
) -> Option<Proposal> {
    let made = UseMade::of(periods);
    let wll = exact(wll.kilograms());
    if made.lifts < FEWEST_LIFTS || wll == whole(0) {
        return None;
    }
    let severe = !made.abnormal.is_empty();
    let percent = |load: Exact| load * whole(100) / &wll;
    let mean_load =
        (made.lifts_of_known_load != whole(0)).then(|| &made.sum_of_loads / &made.lifts_of_known_load);
    let heaviest = made.heaviest.map(percent);
    let mean = mean_load.map(percent);
    if heaviest.is_none() && !severe {
        return None;
    }
    let by_heaviest = class(heaviest.as_ref(), severe);
    let by_mean = class(mean.as_ref(), severe);
    let class = by_heaviest.max(by_mean);
    let milder = current == ServiceClass::Special || class < current;
    let proposed = class != current && (!milder || made.every_heaviest_known);
    proposed.then(|| Proposal {
        class,
        milder,
        by_heaviest,
        by_mean,
        lifts: made.lifts,
        heaviest_percent: heaviest.map(|percent| shown_up(&percent, SHOWN_DIGITS)),
        mean_percent: mean.map(|percent| shown_up(&percent, SHOWN_DIGITS)),
        abnormal_conditions: made.abnormal.into_iter().collect(),
    })
}

/// The class of a load in percent of WLL. An unknown load is no reason for a harder class.
fn class(percent: Option<&Exact>, severe: bool) -> ServiceClass {
    match (severe, percent) {
        (true, _) => ServiceClass::Severe,
        (false, Some(percent)) if *percent >= whole(NORMAL_BELOW_PERCENT) => ServiceClass::Heavy,
        (false, _) => ServiceClass::Normal,
    }
}

/// What the periods come to.
struct UseMade {
    lifts: u64,
    lifts_of_known_load: Exact,
    sum_of_loads: Exact,
    heaviest: Option<Exact>,
    every_heaviest_known: bool,
    abnormal: BTreeSet<AbnormalCondition>,
}

impl UseMade {
    fn of(periods: impl IntoIterator<Item = UsedPeriod>) -> Self {
        let mut made = Self {
            lifts: 0,
            lifts_of_known_load: whole(0),
            sum_of_loads: whole(0),
            heaviest: None,
            every_heaviest_known: true,
            abnormal: BTreeSet::new(),
        };
        for period in periods.into_iter().filter(|period| period.lifts > 0) {
            made.add(period);
        }
        made
    }

    fn add(&mut self, period: UsedPeriod) {
        let lifts = whole(period.lifts);
        self.lifts = self.lifts.saturating_add(u64::from(period.lifts));
        self.abnormal.extend(period.abnormal_conditions);
        self.every_heaviest_known &= period.heaviest_load.is_some();
        let kilograms = |load: Mass| exact(load.kilograms());
        if let Some(mean) = period.mean_load.or(period.heaviest_load).map(kilograms) {
            self.sum_of_loads += mean * &lifts;
            self.lifts_of_known_load += lifts;
        }
        // The heaviest load is at least the mean one, also where somebody left it out or mixed the two up.
        let heaviest = period.heaviest_load.max(period.mean_load).map(kilograms);
        self.heaviest = self.heaviest.take().max(heaviest);
    }
}

#[cfg(test)]
mod tests;
