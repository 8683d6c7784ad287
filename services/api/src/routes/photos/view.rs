//! Photos on the wire.

use crate::reply::{Cells, Columns};
use clampward_domain::ids::{ClampId, EntryId, PersonId, YardId};
use clampward_store::photos::{CitedPhoto, Photo};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A photo that is there.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct PhotoView {
    /// SHA-256 of its bytes.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub sha256: String,
    /// What it was taken as.
    #[schema(examples("image/jpeg"))]
    pub media_type: String,
    /// Pixels from left to right, as stored.
    #[schema(examples(4032))]
    pub width: u32,
    /// Pixels from top to bottom, as stored.
    #[schema(examples(3024))]
    pub height: u32,
    /// Bytes.
    #[schema(examples(2_417_332), maximum = 9_007_199_254_740_991_u64)]
    pub bytes: u64,
    /// When it was whole.
    pub completed_at: Timestamp,
}

impl From<Photo> for PhotoView {
    fn from(photo: Photo) -> Self {
        Self {
            sha256: photo.digest.to_string(),
            media_type: photo.media_type,
            width: photo.width,
            height: photo.height,
            bytes: photo.bytes,
            completed_at: photo.completed_at,
        }
    }
}

/// Whether a photo is there.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PhotoState {
    /// Cited, and not there yet.
    Pending,
    /// There.
    Complete,
}

impl PhotoState {
    const fn code(self) -> &'static str {
        match self {
            Self::Pending => "pending",
            Self::Complete => "complete",
        }
    }
}

/// A photo that an entry cites. One that several entries cite is there once for each.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct CitedPhotoView {
    /// SHA-256 of its bytes.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub sha256: String,
    /// Whether it is there.
    pub state: PhotoState,
    /// The clamp.
    pub clamp_id: ClampId,
    /// The clamp's mark now.
    #[schema(required = true)]
    pub asset_mark: Option<String>,
    /// The yards that have the clamp now.
    pub yard_ids: Vec<YardId>,
    /// The entry.
    pub entry_id: EntryId,
    /// Who wrote the entry.
    pub cited_by: PersonId,
    /// When the entry was recorded: since then the photo is awaited.
    pub cited_at: Timestamp,
    /// When the photo was whole; null while it is awaited.
    #[schema(required = true)]
    pub completed_at: Option<Timestamp>,
}

impl From<CitedPhoto> for CitedPhotoView {
    fn from(cited: CitedPhoto) -> Self {
        Self {
            sha256: cited.digest.to_string(),
            state: match cited.completed_at {
                Some(_) => PhotoState::Complete,
                None => PhotoState::Pending,
            },
            clamp_id: cited.clamp_id,
            asset_mark: cited.asset_mark,
            yard_ids: cited.yards,
            entry_id: cited.entry_id,
            cited_by: cited.cited_by,
            cited_at: cited.cited_at,
            completed_at: cited.completed_at,
        }
    }
}

impl Columns for CitedPhotoView {
    const NAMES: &'static [&'static str] = &[
        "sha256",
        "state",
        "clamp_id",
        "asset_mark",
        "yard_ids",
        "entry_id",
        "cited_by",
        "cited_at",
        "completed_at",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(&self.sha256)
            .plain(self.state.code())
            .plain(self.clamp_id)
            .maybe_text(self.asset_mark.as_deref())
            .words(&self.yard_ids)
            .plain(self.entry_id)
            .plain(self.cited_by)
            .plain(self.cited_at)
            .maybe(self.completed_at);
    }
}
