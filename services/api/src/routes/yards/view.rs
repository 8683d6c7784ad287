//! Yards on the wire.

use crate::reply::{Cells, Columns};
use crate::routes::versions::{answered, partial};
use clampward_domain::ids::YardId;
use clampward_domain::reference::Yard;
use clampward_store::reference::YardRecord;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::Schema;
use utoipa::{PartialSchema, ToSchema};

/// The newest recorded version of a yard, which may start on a later day.
#[derive(Clone, Debug, Serialize)]
pub struct YardView {
    id: YardId,
    version: u32,
    starts_on: Option<Date>,
    starts_at: Timestamp,
    recorded_at: Timestamp,
    #[serde(flatten)]
    fields: Yard,
}

impl From<YardRecord> for YardView {
    fn from(record: YardRecord) -> Self {
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

impl PartialSchema for YardView {
    fn schema() -> RefOr<Schema> {
        answered(Yard::schema())
    }
}
impl ToSchema for YardView {
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Yard::schemas(schemas);
    }
}

/// What changes; what is left out stays, null takes away.
#[derive(Deserialize)]
#[serde(transparent)]
pub struct YardChange(pub Value);

impl PartialSchema for YardChange {
    fn schema() -> RefOr<Schema> {
        partial(Yard::schema())
    }
}
impl ToSchema for YardChange {
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Yard::schemas(schemas);
    }
}

impl Columns for YardView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "version",
        "starts_on",
        "starts_at",
        "recorded_at",
        "code",
        "name",
        "time_zone",
        "rule_set",
        "proof_test_policy",
        "independent_reinspection",
        "knowledge_limit",
        "records_use",
        "abnormal_conditions",
        "keep_photo_originals",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        let yard = &self.fields;
        row.plain(self.id)
            .plain(self.version)
            .maybe(self.starts_on)
            .plain(self.starts_at)
            .plain(self.recorded_at)
            .text(&yard.code)
            .text(&yard.name)
            .plain(yard.time_zone.name())
            .plain(yard.rule_set)
            .plain(yard.proof_test_policy)
            .plain(yard.independent_reinspection)
            .plain(yard.knowledge_limit)
            .plain(yard.records_use)
            .words(&yard.abnormal_conditions)
            .plain(yard.keep_photo_originals);
    }
}
