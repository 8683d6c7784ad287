//! Competences on the wire.

use crate::reply::{Cells, Columns};
use clampward_domain::ids::{CompetenceId, PersonId};
use clampward_domain::words::CompetenceKind;
use clampward_store::people::CompetenceRecord;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

/// A competence.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct CompetenceView {
    /// Its id.
    pub id: CompetenceId,
    /// Whose.
    pub person_id: PersonId,
    /// What for.
    pub kind: CompetenceKind,
    /// First day.
    pub valid_from: Date,
    /// Last day; open-ended if null.
    #[schema(required = true)]
    pub valid_until: Option<Date>,
    /// Certificate or other evidence.
    #[schema(required = true)]
    pub evidence: Option<String>,
    /// Not valid from this day on, if it was withdrawn.
    #[schema(required = true)]
    pub revoked_from: Option<Date>,
    /// When it was recorded: a return to service signed before counts as if it were not there.
    pub recorded_at: Timestamp,
    /// By whom.
    pub recorded_by: PersonId,
}

impl From<CompetenceRecord> for CompetenceView {
    fn from(record: CompetenceRecord) -> Self {
        Self {
            id: record.id,
            person_id: record.person,
            kind: record.kind,
            valid_from: record.valid_from,
            valid_until: record.valid_until,
            evidence: record.evidence,
            revoked_from: record.revoked_from,
            recorded_at: record.recorded_at,
            recorded_by: record.recorded_by,
        }
    }
}

impl Columns for CompetenceView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "person_id",
        "kind",
        "valid_from",
        "valid_until",
        "evidence",
        "revoked_from",
        "recorded_at",
        "recorded_by",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .plain(self.person_id)
            .plain(self.kind)
            .plain(self.valid_from)
            .maybe(self.valid_until)
            .maybe_text(self.evidence.as_deref())
            .maybe(self.revoked_from)
            .plain(self.recorded_at)
            .plain(self.recorded_by);
    }
}
