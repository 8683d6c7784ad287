//! How far uploads are: the offset that counts stands here, whatever objects lie about.

use super::{MAX_OPEN_UPLOADS, read_digest};
use crate::{Store, StoreError, Tx};
use clampward_domain::photo::PhotoDigest;
use jiff::Timestamp;
use jiff_sqlx::ToSqlx;
use uuid::Uuid;

/// One uploader's upload of one photo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Upload {
    /// Bytes of the whole, as told with the first piece.
    pub length: u64,
    /// Bytes that have arrived.
    pub received: u64,
    /// Whether the photo was whole and was looked at.
    pub is_done: bool,
}

impl Upload {
    /// Whether all bytes are there and nobody has looked at them yet.
    pub fn is_whole(&self) -> bool {
        !self.is_done && self.received == self.length
    }
}

/// A piece of an upload.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece {
    /// Name of the object that has it.
    pub object: Uuid,
    /// Where it starts.
    pub starts_at: u64,
    /// Its length.
    pub bytes: u32,
}

/// What became of a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Added {
    /// It counts; so far is the upload now.
    Counts(Upload),
    /// It does not fit: the upload is as it says.
    DoesNotFit(Upload),
    /// The uploader has too many unfinished uploads.
    TooMany,
}

impl Store {
    /// An uploader's upload of a photo.
    pub async fn photo_upload(
        &self,
        digest: PhotoDigest,
        uploader: Uuid,
    ) -> Result<Option<Upload>, StoreError> {
        let row: Option<(i64, i64, bool)> = sqlx::query_as(
            "-- photos.upload
             select length, received, done_at is not null from photo_upload where sha256 = $1 and uploader = $2",
        )
        .bind(digest.bytes().as_slice())
        .bind(uploader)
        .fetch_optional(&self.inner.door)
        .await?;
        Ok(row.map(upload))
    }

    /// Lets a piece count that was stored: only where it starts at the end of what has arrived.
    pub async fn add_photo_piece(
        &self,
        digest: PhotoDigest,
        uploader: Uuid,
        length: u64,
        piece: Piece,
    ) -> Result<Added, StoreError> {
        self.run_tx("photos.add_piece", async |tx| {
            add_piece(tx, digest, uploader, length.cast_signed(), piece).await
        })
        .await
    }

    /// The pieces of an upload, in order.
    pub async fn photo_pieces(&self, digest: PhotoDigest, uploader: Uuid) -> Result<Vec<Piece>, StoreError> {
        let rows: Vec<(i64, i32, Uuid)> = sqlx::query_as(
            "-- photos.pieces
             select starts_at, bytes, object from photo_piece where sha256 = $1 and uploader = $2 order by starts_at",
        )
        .bind(digest.bytes().as_slice())
        .bind(uploader)
        .fetch_all(&self.inner.door)
        .await?;
        Ok(rows.into_iter().map(piece).collect())
    }

    /// Lets an upload start anew: what arrived is not what it was said to be, or is lost.
    pub async fn restart_photo_upload(&self, digest: PhotoDigest, uploader: Uuid) -> Result<(), StoreError> {
        self.run_tx("photos.restart", async |tx| {
            sqlx::query(
                "-- photos.restart
                 delete from photo_upload where sha256 = $1 and uploader = $2 and done_at is null",
            )
            .bind(digest.bytes().as_slice())
            .bind(uploader)
            .execute(&mut **tx)
            .await?;
            Ok::<_, StoreError>(())
        })
        .await
    }

    /// Uploads of which every byte is there since before this instant, and at which nobody has looked yet: whoever should
    /// have was stopped.
    pub async fn whole_photo_uploads(
        &self,
        before: Timestamp,
        limit: u32,
    ) -> Result<Vec<(PhotoDigest, Uuid)>, StoreError> {
        let rows: Vec<(Vec<u8>, Uuid)> = sqlx::query_as(
            "-- photos.whole_uploads
             select sha256, uploader from photo_upload
              where done_at is null and received = length and touched_at < $1 order by touched_at limit $2",
        )
        .bind(before.to_sqlx())
        .bind(i64::from(limit))
        .fetch_all(&self.inner.door)
        .await?;
        rows.into_iter()
            .map(|(digest, uploader)| Ok((read_digest(digest)?, uploader)))
            .collect()
    }

    /// Notes that somebody begins to look at an upload, and answers how often that was begun before without coming to an
    /// end.
    pub async fn begin_photo_look(&self, digest: PhotoDigest, uploader: Uuid) -> Result<u32, StoreError> {
        let looks: Option<i32> = sqlx::query_scalar(
            "-- photos.begin_look
             update photo_upload set looks = least(looks, 1000) + 1
              where sha256 = $1 and uploader = $2 and done_at is null returning looks",
        )
        .bind(digest.bytes().as_slice())
        .bind(uploader)
        .fetch_optional(&self.inner.door)
        .await?;
        Ok(looks.map_or(0, |looks| looks.unsigned_abs().saturating_sub(1)))
    }

    /// Notes that a look came to its end, whatever it found.
    pub async fn end_photo_look(&self, digest: PhotoDigest, uploader: Uuid) -> Result<(), StoreError> {
        sqlx::query(
            "-- photos.end_look\nupdate photo_upload set looks = 0 where sha256 = $1 and uploader = $2",
        )
        .bind(digest.bytes().as_slice())
        .bind(uploader)
        .execute(&self.inner.door)
        .await?;
        Ok(())
    }

    /// Says that an upload was looked at without a result, so that it is not the first again.
    pub async fn touch_photo_upload(&self, digest: PhotoDigest, uploader: Uuid) -> Result<(), StoreError> {
        sqlx::query(
            "-- photos.touch
             update photo_upload set touched_at = $3 where sha256 = $1 and uploader = $2 and done_at is null",
        )
        .bind(digest.bytes().as_slice())
        .bind(uploader)
        .bind(self.now().to_sqlx())
        .execute(&self.inner.door)
        .await?;
        Ok(())
    }

    /// Forgets unfinished uploads that nobody touched since an instant; answers how many.
    pub async fn forget_photo_uploads(&self, before: Timestamp) -> Result<u64, StoreError> {
        let gone = sqlx::query(
            "-- photos.forget_uploads
             delete from photo_upload where done_at is null and touched_at < $1",
        )
        .bind(before.to_sqlx())
        .execute(&self.inner.door)
        .await?;
        Ok(gone.rows_affected())
    }

    /// Which of these objects no piece has.
    pub async fn unknown_photo_objects(&self, objects: &[Uuid]) -> Result<Vec<Uuid>, StoreError> {
        let unknown: Vec<Uuid> = sqlx::query_scalar(
            "-- photos.unknown_objects
             select o.object from unnest($1::uuid[]) as o(object)
              where not exists (select from photo_piece as p where p.object = o.object)",
        )
        .bind(objects)
        .fetch_all(&self.inner.door)
        .await?;
        Ok(unknown)
    }
}

async fn add_piece(
    tx: &mut Tx,
    digest: PhotoDigest,
    uploader: Uuid,
    length: i64,
    piece: Piece,
) -> Result<Added, StoreError> {
    let now = tx.now().to_sqlx();
    let opened = sqlx::query(
        "-- photos.open_upload
         insert into photo_upload (sha256, uploader, length, touched_at) values ($1, $2, $3, $4) on conflict do nothing",
    )
    .bind(digest.bytes().as_slice())
    .bind(uploader)
    .bind(length)
    .bind(now)
    .execute(&mut **tx)
    .await?;
    if opened.rows_affected() > 0 {
        let open: i64 = sqlx::query_scalar(
            "-- photos.open_uploads
             select count(*) from photo_upload where uploader = $1 and done_at is null",
        )
        .bind(uploader)
        .fetch_one(&mut **tx)
        .await?;
        if open > MAX_OPEN_UPLOADS {
            sqlx::query(
                "-- photos.close_upload\ndelete from photo_upload where sha256 = $1 and uploader = $2",
            )
            .bind(digest.bytes().as_slice())
            .bind(uploader)
            .execute(&mut **tx)
            .await?;
            return Ok(Added::TooMany);
        }
    }
    let counts: Option<(i64, i64, bool)> = sqlx::query_as(
        "-- photos.count_piece
         update photo_upload set received = received + $5, touched_at = $6
          where sha256 = $1 and uploader = $2 and length = $3 and received = $4 and received + $5 <= length
            and done_at is null
         returning length, received, false",
    )
    .bind(digest.bytes().as_slice())
    .bind(uploader)
    .bind(length)
    .bind(piece.starts_at.cast_signed())
    .bind(i64::from(piece.bytes))
    .bind(now)
    .fetch_optional(&mut **tx)
    .await?;
    let Some(counts) = counts else {
        let there: (i64, i64, bool) = sqlx::query_as(
            "-- photos.upload_as_it_is
             select length, received, done_at is not null from photo_upload where sha256 = $1 and uploader = $2",
        )
        .bind(digest.bytes().as_slice())
        .bind(uploader)
        .fetch_one(&mut **tx)
        .await?;
        return Ok(Added::DoesNotFit(upload(there)));
    };
    sqlx::query(
        "-- photos.keep_piece
         insert into photo_piece (sha256, uploader, starts_at, bytes, object) values ($1, $2, $3, $4, $5)",
    )
    .bind(digest.bytes().as_slice())
    .bind(uploader)
    .bind(piece.starts_at.cast_signed())
    .bind(piece.bytes.cast_signed())
    .bind(piece.object)
    .execute(&mut **tx)
    .await?;
    Ok(Added::Counts(upload(counts)))
}

/// Forgets an upload's pieces: the photo is there.
pub(super) async fn forget_pieces(
    tx: &mut Tx,
    digest: PhotoDigest,
    uploader: Uuid,
) -> Result<(), StoreError> {
    sqlx::query("-- photos.forget_pieces\ndelete from photo_piece where sha256 = $1 and uploader = $2")
        .bind(digest.bytes().as_slice())
        .bind(uploader)
        .execute(&mut **tx)
        .await?;
    Ok(())
}

fn upload((length, received, is_done): (i64, i64, bool)) -> Upload {
    Upload {
        length: length.unsigned_abs(),
        received: received.unsigned_abs(),
        is_done,
    }
}

fn piece((starts_at, bytes, object): (i64, i32, Uuid)) -> Piece {
    Piece {
        object,
        starts_at: starts_at.unsigned_abs(),
        bytes: bytes.unsigned_abs(),
    }
}
