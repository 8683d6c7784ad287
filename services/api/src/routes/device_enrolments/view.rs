//! Enrolments on the wire: the code itself is shown once, where it is made.

use crate::reply::{Cells, Columns};
use clampward_domain::ids::{DeviceId, PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_store::people::EnrolmentRecord;
use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// What is known of an enrolment code: not the code.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct EnrolmentView {
    /// Its id.
    pub id: Uuid,
    /// Name that the device will have.
    #[schema(examples("Tablet 3, plate store"))]
    pub name: String,
    /// Yards that it will have, as far as you see them.
    pub yards: Vec<YardId>,
    /// Since when.
    pub created_at: Timestamp,
    /// By whom.
    pub created_by: PersonId,
    /// Valid until.
    pub expires_at: Timestamp,
    /// Withdrawn since; null while it is not.
    #[schema(required = true)]
    pub withdrawn_at: Option<Timestamp>,
    /// The device that it enrolled; null while it did not.
    #[schema(required = true)]
    pub device_id: Option<DeviceId>,
}

impl EnrolmentView {
    /// As somebody sees it who sees these yards.
    pub fn seen(record: EnrolmentRecord, scope: &YardScope) -> Self {
        Self {
            id: record.id,
            name: record.name,
            yards: record
                .yards
                .into_iter()
                .filter(|yard| scope.covers(*yard))
                .collect(),
            created_at: record.created_at,
            created_by: record.created_by,
            expires_at: record.expires_at,
            withdrawn_at: record.withdrawn_at,
            device_id: record.device,
        }
    }
}

impl Columns for EnrolmentView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "name",
        "yards",
        "created_at",
        "created_by",
        "expires_at",
        "withdrawn_at",
        "device_id",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .text(&self.name)
            .words(&self.yards)
            .plain(self.created_at)
            .plain(self.created_by)
            .plain(self.expires_at)
            .maybe(self.withdrawn_at)
            .maybe(self.device_id);
    }
}

/// A code that was just made.
#[derive(Serialize, ToSchema)]
pub struct NewEnrolmentAnswer {
    /// What is known of it from now on.
    #[serde(flatten)]
    pub enrolment: EnrolmentView,
    /// The code: it is shown here only.
    #[schema(examples("K7Q2M-9FHTX-3WVDA-8NPRC-5JZEG"))]
    pub code: String,
}
