//! Models on the wire.

use crate::reply::{Cells, Columns};
use crate::routes::versions::{answered, partial, with_reason};
use clampward_domain::ids::ModelId;
use clampward_domain::reference::Model;
use clampward_store::reference::ModelRecord;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::Schema;
use utoipa::{PartialSchema, ToSchema};

/// The newest recorded version of a model, which may start on a later day.
#[derive(Clone, Debug, Serialize)]
pub struct ModelView {
    id: ModelId,
    version: u32,
    starts_on: Option<Date>,
    starts_at: Timestamp,
    recorded_at: Timestamp,
    #[serde(flatten)]
    fields: Model,
}

impl From<ModelRecord> for ModelView {
    fn from(record: ModelRecord) -> Self {
        Self {
            id: record.id,
            version: record.version,
            starts_on: record.starts_on,
            starts_at: record.starts_at,
            recorded_at: record.recorded_at,
            fields: record.body,
        }
    }
}

impl PartialSchema for ModelView {
    fn schema() -> RefOr<Schema> {
        answered(Model::schema())
    }
}
impl ToSchema for ModelView {
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Model::schemas(schemas);
    }
}

/// What changes; what is left out stays, null takes away.
#[derive(Deserialize)]
#[serde(transparent)]
pub struct ModelChange(pub Value);

impl PartialSchema for ModelChange {
    fn schema() -> RefOr<Schema> {
        partial(Model::schema())
    }
}
impl ToSchema for ModelChange {
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Model::schemas(schemas);
    }
}

/// A new model, with a reason where it says what only a qualified person may say.
#[derive(Deserialize)]
#[serde(transparent)]
pub struct NewModel(pub Value);

impl PartialSchema for NewModel {
    fn schema() -> RefOr<Schema> {
        with_reason(Model::schema())
    }
}
impl ToSchema for NewModel {
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Model::schemas(schemas);
    }
}

impl Columns for ModelView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "version",
        "starts_on",
        "starts_at",
        "recorded_at",
        "maker",
        "model",
        "kind",
        "wll_value",
        "wll_unit",
        "jaw_opening_min_value",
        "jaw_opening_min_unit",
        "jaw_opening_max_value",
        "jaw_opening_max_unit",
        "minimum_load_percent",
        "hardness_limit_hb",
        "temperature_min_value",
        "temperature_min_unit",
        "temperature_max_value",
        "temperature_max_unit",
        "lock",
        "eye",
        "custom_design",
        "stack_lifting",
        "without_criteria",
        "wear_points",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        let model = &self.fields;
        let (jaw, temperature) = (&model.jaw_opening, model.temperature.as_ref());
        row.plain(self.id)
            .plain(self.version)
            .maybe(self.starts_on)
            .plain(self.starts_at)
            .plain(self.recorded_at)
            .text(&model.maker)
            .text(&model.model)
            .plain(model.kind)
            .quantity(Some((model.wll.value(), model.wll.unit().code())))
            .quantity(Some((jaw.min.value(), jaw.min.unit().code())))
            .quantity(Some((jaw.max.value(), jaw.max.unit().code())))
            .maybe(model.minimum_load_percent)
            .maybe(model.hardness_limit_hb)
            .quantity(temperature.map(|range| (range.min.value(), range.min.unit().code())))
            .quantity(temperature.map(|range| (range.max.value(), range.max.unit().code())))
            .maybe(model.lock)
            .maybe(model.eye)
            .plain(model.custom_design)
            .plain(model.stack_lifting)
            .words(&model.without_criteria)
            .words(model.wear_points.iter().map(|point| &point.criterion));
    }
}
