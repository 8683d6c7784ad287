//! Models on the wire.

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
