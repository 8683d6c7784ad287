//! Reports as answers show them. Knows no store: whoever fills these has counted.

use clampward_domain::ids::{ModelId, YardId};
use clampward_domain::notice::DueClock;
use clampward_domain::quantity::Mass;
use clampward_domain::wll_band::WllBand;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What clamps are grouped by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Grouping {
    /// The yard that has the clamp.
    Yard,
    /// What its lock-outs are for; without a lock-out, why it is not fit.
    Reason,
    /// Its model.
    Model,
    /// The band of its WLL.
    WllBand,
}

impl Grouping {
    /// Every one, with its word.
    pub const ALL: [(&'static str, Self); 4] = [
        ("yard", Self::Yard),
        ("reason", Self::Reason),
        ("model", Self::Model),
        ("wll_band", Self::WllBand),
    ];
}

/// Numbers of clamps. Every clamp that is out counts in exactly one of them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct OutOfServiceCounts {
    /// Barred by a lock-out.
    pub tagged_out: u64,
    /// Out only because an inspection is overdue.
    pub overdue: u64,
    /// Not barred, awaiting the first inspection.
    pub awaiting_initial_inspection: u64,
    /// Not barred and not fit for another reason: idle too long, or special service without direction.
    pub not_fit: u64,
}

/// A yard by name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct YardName {
    /// Its id.
    pub id: YardId,
    /// Its code.
    pub code: String,
    /// Its name.
    pub name: String,
}

/// A model by name.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct ModelName {
    /// Its id.
    pub id: ModelId,
    /// Its maker.
    pub maker: String,
    /// Its name.
    pub model: String,
}

/// A band of working load limits. The upper bound belongs to the band.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct WllBandView {
    /// The band.
    pub band: WllBand,
    /// More than this; left out in the lowest band.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub above: Option<Mass>,
    /// Up to and including this; left out in the highest band.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub up_to: Option<Mass>,
}

/// One group. It bears the keys that were grouped by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OutOfServiceGroup {
    /// The yard.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub yard: Option<YardName>,
    /// A reason or criterion of lock-outs; in the other columns why clamps are not fit.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(examples("shackle_eye_worn"))]
    pub reason: Option<String>,
    /// The model.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<ModelName>,
    /// The band of the WLL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wll_band: Option<WllBandView>,
    /// The numbers.
    #[serde(flatten)]
    pub counts: OutOfServiceCounts,
}

/// Clamps that are out of service. Nothing in it changes while no number does, so that its ETag holds as long.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct OutOfServiceReport {
    /// The time asked about, as it was given; null for now.
    #[schema(required = true, examples("2026-03-01"))]
    pub as_of: Option<String>,
    /// What is grouped by, in order.
    pub group_by: Vec<Grouping>,
    /// The groups in which clamps are out, in the order of the keys; none if nothing is grouped by.
    pub items: Vec<OutOfServiceGroup>,
    /// Every clamp counted once, whatever is grouped by.
    pub total_clamps: OutOfServiceCounts,
    /// Whether the groups add up to the total: not where a clamp counts in several.
    pub items_add_up: bool,
    /// Clamps in your yards that wait to be computed again, because reference data changed under them: they are counted
    /// as they were before. Usually zero, and again so within seconds; 10000 stands for that many and more.
    pub reassessing: u64,
    /// How to read the numbers.
    pub note: String,
}

/// Clamps of a yard that fall due on a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct InspectionsDueGroup {
    /// The yard.
    pub yard: YardName,
    /// Which inspection.
    pub inspection: DueClock,
    /// The last day on which they are fit without it, in the yard.
    pub due_on: Date,
    /// Whether that day is over there.
    pub overdue: bool,
    /// How many clamps.
    pub clamps: u64,
    /// Those of them that a lock-out bars now: they are inspected before they are returned to service.
    pub barred: u64,
}

/// Inspections that fall due until a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct InspectionsDueReport {
    /// The last day that is counted.
    pub until: Date,
    /// By yard, kind of inspection and day.
    pub items: Vec<InspectionsDueGroup>,
    /// How to read the numbers.
    pub note: String,
}

/// Lock-outs of one reason and about one age in a yard.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct LockoutAgeGroup {
    /// The yard.
    pub yard: YardName,
    /// The criterion or reason.
    #[schema(examples("shackle_eye_worn"))]
    pub reason: String,
    /// They bar for more than so many days.
    pub over_days: u16,
    /// And for no more than so many; left out in the last band.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub up_to_days: Option<u16>,
    /// How many lock-outs.
    pub lockouts: u64,
    /// How many clamps they bar.
    pub clamps: u64,
    /// Since when the oldest of them bars.
    pub oldest: Timestamp,
}

/// Lock-outs that bar clamps now, by their age.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct LockoutAgeingReport {
    /// By yard, reason and age.
    pub items: Vec<LockoutAgeGroup>,
    /// Clamps that any lock-out bars, each once.
    pub total_clamps: u64,
    /// How to read the numbers.
    pub note: String,
}

/// Clamps of a model in a yard.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FleetGroup {
    /// The yard.
    pub yard: YardName,
    /// The model; null if it is not known.
    #[schema(required = true)]
    pub model: Option<ModelName>,
    /// Their numbers.
    #[serde(flatten)]
    pub counts: FleetCounts,
}

/// Numbers of clamps that are not retired.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, ToSchema)]
pub struct FleetCounts {
    /// All of them.
    pub clamps: u64,
    /// Those that are fit.
    pub fit: u64,
    /// Those that are not, by why.
    #[serde(flatten)]
    pub out: OutOfServiceCounts,
}

/// The fleet by yard and model.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct FleetReport {
    /// By yard and model.
    pub items: Vec<FleetGroup>,
    /// Every clamp once.
    pub total_clamps: FleetCounts,
    /// How to read the numbers.
    pub note: String,
}

/// What rejections are grouped by.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RejectionGrouping {
    /// The criterion that was not met.
    Criterion,
    /// The part of the clamp.
    Component,
    /// The model.
    Model,
    /// The maker.
    Maker,
    /// The yard that has the clamp now.
    Yard,
}

/// Rejections of one group. It bears the key that was grouped by.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct RejectionGroup {
    /// The criterion.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(examples("shackle_eye_worn"))]
    pub criterion: Option<String>,
    /// The component.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub component: Option<String>,
    /// The model.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub model: Option<ModelName>,
    /// The maker.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub maker: Option<String>,
    /// The yard.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub yard: Option<YardName>,
    /// Rejections: a clamp that was rejected twice counts twice.
    pub rejections: u64,
    /// Clamps that were rejected.
    pub clamps: u64,
    /// Share of all rejections that this group and those above it have, in percent with one decimal.
    #[schema(examples("62.5"))]
    pub cumulative_percent: String,
}

/// Rejections over a time, most first.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct RejectionsReport {
    /// First day.
    pub from: Date,
    /// Last day.
    pub until: Date,
    /// What is grouped by.
    pub group_by: RejectionGrouping,
    /// The groups, most rejections first.
    pub items: Vec<RejectionGroup>,
    /// Rejections, each once.
    pub total_rejections: u64,
    /// Clamps that were rejected, each once.
    pub total_clamps: u64,
    /// How to read the numbers.
    pub note: String,
}
