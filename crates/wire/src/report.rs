//! Reports as answers show them. Knows no store: whoever fills these has counted.

use clampward_domain::ids::{ModelId, YardId};
use clampward_domain::quantity::Mass;
use clampward_domain::wll_band::WllBand;
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
