//! Photos as rows: which there are, how far each upload is, which entries cite which. Knows no bytes and no object store;
//! who may see a photo is answered here, because it follows from the clamps that cite it.

mod cited;
mod uploads;

pub(crate) use cited::{Citation, cite, missing, pending};
pub use cited::{CitedPhoto, PhotoFilter, PhotoKey};
pub use uploads::{Added, Piece, Upload};

use crate::{Store, StoreError};
use clampward_domain::ids::YardId;
use clampward_domain::photo::PhotoDigest;
use clampward_domain::reference::YardScope;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use uuid::Uuid;

/// Uploads of one uploader that may be unfinished at once.
pub const MAX_OPEN_UPLOADS: i64 = 200;

/// What became of the bytes as they were taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Original {
    /// Kept until it is known which yards cite the photo.
    Undecided,
    /// Kept.
    Kept,
    /// Not kept: there is the copy for viewing only.
    Gone,
}

impl Original {
    const fn code(self) -> &'static str {
        match self {
            Self::Undecided => "undecided",
            Self::Kept => "kept",
            Self::Gone => "gone",
        }
    }
    fn from_code(code: &str) -> Option<Self> {
        [Self::Undecided, Self::Kept, Self::Gone]
            .into_iter()
            .find(|original| original.code() == code)
    }
}

/// A photo that is there and was looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Photo {
    /// Its name.
    pub digest: PhotoDigest,
    /// What it was taken as.
    pub media_type: String,
    /// Pixels from left to right, as stored.
    pub width: u32,
    /// Pixels from top to bottom, as stored.
    pub height: u32,
    /// Bytes as it was taken.
    pub bytes: u64,
    /// What became of these bytes.
    pub original: Original,
    /// When it was whole.
    pub completed_at: Timestamp,
}

#[derive(sqlx::FromRow)]
struct PhotoRow {
    media_type: String,
    width: i32,
    height: i32,
    bytes: i64,
    original: String,
    completed_at: jiff_sqlx::Timestamp,
}

impl PhotoRow {
    fn photo(self, digest: PhotoDigest) -> Result<Photo, StoreError> {
        let original = Original::from_code(&self.original).ok_or_else(|| StoreError::Inconsistent {
            table: "photo",
            column: "original",
            id: Uuid::nil(),
            detail: format!("{:?} of {digest} is no word of this column", self.original),
        })?;
        Ok(Photo {
            digest,
            media_type: self.media_type,
            width: self.width.unsigned_abs(),
            height: self.height.unsigned_abs(),
            bytes: self.bytes.unsigned_abs(),
            original,
            completed_at: self.completed_at.to_jiff(),
        })
    }
}

/// What somebody with these yards sees of a photo.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeenPhoto {
    /// Whether an entry of a clamp that they see cites it.
    pub is_cited: bool,
    /// Whether one of these shows it: to cite a photo that one was never shown shows nothing.
    pub is_shown: bool,
    /// The photo, whether they see such an entry or not.
    pub photo: Option<Photo>,
}

impl Store {
    /// A photo, if it is there.
    pub async fn photo(&self, digest: PhotoDigest) -> Result<Option<Photo>, StoreError> {
        let row: Option<PhotoRow> = sqlx::query_as(
            "-- photos.read
             select media_type, width, height, bytes, original, completed_at from photo where sha256 = $1",
        )
        .bind(digest.bytes().as_slice())
        .fetch_optional(&self.inner.door)
        .await?;
        row.map(|row| row.photo(digest)).transpose()
    }

    /// A photo, and whether somebody with these yards sees an entry that cites it.
    pub async fn photo_seen_in(
        &self,
        digest: PhotoDigest,
        yards: &YardScope,
    ) -> Result<SeenPhoto, StoreError> {
        let mut tx = self.read(yards).await?;
        let (is_cited, is_shown): (bool, bool) = sqlx::query_as(
            "-- photos.is_cited
             select exists (select from photo_citation where sha256 = $1),
                    exists (select from photo_citation where sha256 = $1 and vouched)",
        )
        .bind(digest.bytes().as_slice())
        .fetch_one(&mut *tx)
        .await?;
        tx.finish().await?;
        let photo = self.photo(digest).await?;
        Ok(SeenPhoto {
            is_cited,
            is_shown,
            photo,
        })
    }

    /// The yards whose entries cite a photo.
    pub async fn yards_citing(&self, digest: PhotoDigest) -> Result<Vec<YardId>, StoreError> {
        let yards: Vec<Uuid> = sqlx::query_scalar(
            "-- photos.yards_citing
             select distinct unnest(yards) from photo_citation where sha256 = $1",
        )
        .bind(digest.bytes().as_slice())
        .fetch_all(&self.inner.door)
        .await?;
        Ok(yards.into_iter().map(YardId::new).collect())
    }

    /// Marks a photo as being there and its upload as done, and answers what then holds of the original: where another
    /// upload of the same photo was first, an original that either of them kept stays kept. The upload's pieces do not
    /// count any more.
    pub async fn complete_photo(&self, uploader: Uuid, photo: &Photo) -> Result<Original, StoreError> {
        self.run_tx("photos.complete", async |tx| {
            let now = tx.now().to_sqlx();
            let original: String = sqlx::query_scalar(
                "-- photos.complete
                 insert into photo as p (sha256, media_type, width, height, bytes, original, completed_at)
                 values ($1, $2, $3, $4, $5, $6, $7)
                 on conflict (sha256) do update
                   set original = case when excluded.original = 'kept' then 'kept' else p.original end
                 returning original",
            )
            .bind(photo.digest.bytes().as_slice())
            .bind(&photo.media_type)
            .bind(photo.width.cast_signed())
            .bind(photo.height.cast_signed())
            .bind(photo.bytes.cast_signed())
            .bind(photo.original.code())
            .bind(photo.completed_at.to_sqlx())
            .fetch_one(&mut **tx)
            .await?;
            sqlx::query(
                "-- photos.upload_done
                 update photo_upload set done_at = coalesce(done_at, $3), touched_at = $3
                  where sha256 = $1 and uploader = $2",
            )
            .bind(photo.digest.bytes().as_slice())
            .bind(uploader)
            .bind(now)
            .execute(&mut **tx)
            .await?;
            uploads::forget_pieces(tx, photo.digest, uploader).await?;
            sqlx::query(
                "-- photos.arrived
                 update photo_citation set vouched = true, pending = false
                  where sha256 = $1 and pending and (vouched or $2 = any(senders))",
            )
            .bind(photo.digest.bytes().as_slice())
            .bind(uploader)
            .execute(&mut **tx)
            .await?;
            Ok::<_, StoreError>(Original::from_code(&original).unwrap_or(Original::Undecided))
        })
        .await
    }

    /// Photos that entries cite by now, and of which it is not decided whether the original stays.
    pub async fn undecided_photos(&self, limit: u32) -> Result<Vec<PhotoDigest>, StoreError> {
        let digests: Vec<Vec<u8>> = sqlx::query_scalar(
            "-- photos.undecided
             select sha256 from photo as p where original = 'undecided'
                and exists (select from photo_citation as c where c.sha256 = p.sha256)
              order by sha256 limit $1",
        )
        .bind(i64::from(limit))
        .fetch_all(&self.inner.door)
        .await?;
        digests.into_iter().map(read_digest).collect()
    }

    /// Says what became of an original that was undecided.
    pub async fn decide_original(&self, digest: PhotoDigest, original: Original) -> Result<(), StoreError> {
        sqlx::query(
            "-- photos.decide
             update photo set original = $2 where sha256 = $1 and original = 'undecided'",
        )
        .bind(digest.bytes().as_slice())
        .bind(original.code())
        .execute(&self.inner.door)
        .await?;
        Ok(())
    }
}

fn read_digest(bytes: Vec<u8>) -> Result<PhotoDigest, StoreError> {
    PhotoDigest::try_from(bytes).map_err(|error| StoreError::Inconsistent {
        table: "photo",
        column: "sha256",
        id: Uuid::nil(),
        detail: error.to_string(),
    })
}
