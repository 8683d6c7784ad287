//! From a piece to a photo: storing what arrives, and looking at it when all of it is there.

use super::check::{self, Checked, Refused};
use super::format::Format;
use super::place::{Object, Photos};
use actix_web::web::Bytes;
use clampward_domain::ids::YardId;
use clampward_domain::photo::PhotoDigest;
use clampward_store::photos::{Added, Original, Photo, Piece, Upload};
use clampward_store::{Store, StoreError};
use jiff::Timestamp;
use std::time::Duration;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::timeout;
use uuid::Uuid;

/// How long whoever sent the last piece waits for a place to have the photo looked at.
const PATIENCE: Duration = Duration::from_secs(4);

/// So often a look may be cut off; a photo at which it was cut off again is refused. Once is a service that was stopped.
const MOST_LOOKS: u32 = 2;

/// Why a photo could not be stored or read.
#[derive(Debug, thiserror::Error)]
pub enum PhotoError {
    /// The database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The object store.
    #[error("the place where photos are kept does not answer")]
    Objects(#[from] object_store::Error),
    /// What arrived is no photo that may be kept; the upload starts anew.
    #[error(transparent)]
    Refused(#[from] Refused),
    /// Too many photos are being looked at; the bytes are kept, and looked at later.
    #[error("too many photos are being looked at")]
    Busy,
}

/// What became of an upload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Finished {
    /// The photo is there.
    Photo(Photo),
    /// Pieces are missing: so far is it.
    Upload(Upload),
    /// There is no such upload.
    Nothing,
}

impl Photos {
    /// Stores a piece, then lets it count. A piece that does not count leaves nothing behind.
    pub async fn take(
        &self,
        store: &Store,
        (digest, uploader): (PhotoDigest, Uuid),
        length: u64,
        piece: Piece,
        bytes: Bytes,
    ) -> Result<Added, PhotoError> {
        if piece.starts_at == 0
            && bytes.len() >= Format::TELLING.min(usize::try_from(length).unwrap_or(0))
            && Format::of(&bytes).is_none()
        {
            return Err(Refused::OtherKind.into());
        }
        let object = Object::Piece(digest, uploader, piece.starts_at, piece.object);
        self.put(&object, bytes).await?;
        let added = store.add_photo_piece(digest, uploader, length, piece).await;
        if !matches!(added, Ok(Added::Counts(_)) | Err(_)) {
            self.delete(&object).await?;
        }
        // Whether an error came before or after the commit is not known: the sweep finds what is nobody's.
        Ok(added?)
    }

    /// Looks at an upload of which all is there, and makes a photo of it. May be repeated, and done twice at once.
    pub async fn finish(
        &self,
        store: &Store,
        digest: PhotoDigest,
        uploader: Uuid,
    ) -> Result<Finished, PhotoError> {
        let Some(upload) = store.photo_upload(digest, uploader).await? else {
            return Ok(Finished::Nothing);
        };
        if upload.is_done {
            return Ok(store
                .photo(digest)
                .await?
                .map_or(Finished::Nothing, Finished::Photo));
        }
        if !upload.is_whole() {
            return Ok(Finished::Upload(upload));
        }
        let place = timeout(PATIENCE, self.checks.clone().acquire_owned());
        let Ok(Ok(place)) = place.await else {
            return Err(PhotoError::Busy);
        };
        let pieces = store.photo_pieces(digest, uploader).await?;
        let Some(bytes) = self.gather(digest, uploader, &pieces, upload.length).await? else {
            return self.lost(store, digest, uploader).await;
        };
        let bytes = Bytes::from(bytes);
        let looking = look(store.clone(), digest, uploader, bytes.clone(), place);
        // Nothing is known of the photo where the task itself came to no end: it is looked at later.
        let Ok(checked) = tokio::spawn(looking).await else {
            return Err(PhotoError::Busy);
        };
        match checked? {
            Ok(checked) => {
                let photo = self.keep(store, digest, uploader, checked, bytes).await?;
                self.clear(digest, uploader, &pieces).await;
                Ok(Finished::Photo(photo))
            }
            Err(refused) => self.refuse(store, digest, uploader, &pieces, refused).await,
        }
    }

    /// Throws away what is no photo: the upload starts anew.
    async fn refuse(
        &self,
        store: &Store,
        digest: PhotoDigest,
        uploader: Uuid,
        pieces: &[Piece],
        refused: Refused,
    ) -> Result<Finished, PhotoError> {
        store.restart_photo_upload(digest, uploader).await?;
        self.clear(digest, uploader, pieces).await;
        tracing::info!(
            event = "photo_refused",
            code = refused.word(),
            "a photo is refused"
        );
        Err(refused.into())
    }

    /// Stores what is kept of a photo, then marks it.
    async fn keep(
        &self,
        store: &Store,
        digest: PhotoDigest,
        uploader: Uuid,
        checked: Checked,
        bytes: Bytes,
    ) -> Result<Photo, PhotoError> {
        let yards = store.yards_citing(digest).await?;
        let original = original_for(store, &yards).await?;
        let mut photo = Photo {
            digest,
            media_type: checked.format.media_type().to_owned(),
            width: checked.width,
            height: checked.height,
            bytes: u64::try_from(bytes.len()).unwrap_or(u64::MAX),
            original,
            completed_at: store.now(),
        };
        self.put(&Object::View(digest), checked.copy).await?;
        if original != Original::Gone {
            self.put(&Object::Original(digest), bytes).await?;
        }
        photo.original = store.complete_photo(uploader, &photo).await?;
        if photo.original == Original::Gone && original != Original::Gone {
            // Somebody else's upload of it was first, and its yards do not keep originals.
            self.delete(&Object::Original(digest)).await?;
        }
        Ok(photo)
    }

    /// The bytes of an upload; none if a piece is not as it should be.
    async fn gather(
        &self,
        digest: PhotoDigest,
        uploader: Uuid,
        pieces: &[Piece],
        length: u64,
    ) -> Result<Option<Vec<u8>>, PhotoError> {
        let length = usize::try_from(length).unwrap_or(usize::MAX);
        let mut bytes = Vec::new();
        for piece in pieces {
            let object = Object::Piece(digest, uploader, piece.starts_at, piece.object);
            let found = self.get(&object).await?.unwrap_or_default();
            let fits = u64::try_from(bytes.len()).is_ok_and(|end| end == piece.starts_at)
                && u32::try_from(found.len()).is_ok_and(|length| length == piece.bytes);
            if !fits {
                return Ok(None);
            }
            bytes.extend_from_slice(&found);
        }
        Ok(Some(bytes).filter(|bytes| bytes.len() == length))
    }

    /// Pieces are missing: another request made a photo of them meanwhile, or they are lost and are to be sent again.
    async fn lost(&self, store: &Store, digest: PhotoDigest, uploader: Uuid) -> Result<Finished, PhotoError> {
        match store.photo_upload(digest, uploader).await? {
            Some(upload) if upload.is_whole() => {
                tracing::error!(
                    event = "photo_pieces_lost",
                    "pieces of a photo are lost; it is to be sent again"
                );
                store.restart_photo_upload(digest, uploader).await?;
                Ok(Finished::Nothing)
            }
            Some(upload) if upload.is_done => Ok(store
                .photo(digest)
                .await?
                .map_or(Finished::Nothing, Finished::Photo)),
            Some(upload) => Ok(Finished::Upload(upload)),
            None => Ok(Finished::Nothing),
        }
    }

    /// Takes pieces away that do not count any more; what stays is found by the sweep.
    async fn clear(&self, digest: PhotoDigest, uploader: Uuid, pieces: &[Piece]) {
        for piece in pieces {
            let object = Object::Piece(digest, uploader, piece.starts_at, piece.object);
            if let Err(error) = self.delete(&object).await {
                tracing::warn!(error = %crate::reply::chain(&error), "a piece of a photo stays until it is swept up");
            }
        }
    }

    /// Decides what becomes of an original, now that somebody cites the photo. Taken away before it is marked.
    pub(super) async fn decide(&self, store: &Store, digest: PhotoDigest) -> Result<(), PhotoError> {
        let yards = store.yards_citing(digest).await?;
        let original = original_for(store, &yards).await?;
        if original == Original::Gone {
            self.delete(&Object::Original(digest)).await?;
        }
        Ok(store.decide_original(digest, original).await?)
    }

    /// The copy for viewing.
    pub async fn view(&self, digest: PhotoDigest) -> Result<Option<Vec<u8>>, PhotoError> {
        Ok(self.get(&Object::View(digest)).await?)
    }

    /// The bytes as they were taken.
    pub async fn original(&self, digest: PhotoDigest) -> Result<Option<Vec<u8>>, PhotoError> {
        Ok(self.get(&Object::Original(digest)).await?)
    }
}

/// Looks at a photo, and notes that somebody does. A task of its own: whoever asked may give up meanwhile, and a look that
/// goes on without them must not stay noted as one that the process did not survive.
async fn look(
    store: Store,
    digest: PhotoDigest,
    uploader: Uuid,
    bytes: Bytes,
    place: OwnedSemaphorePermit,
) -> Result<Result<Checked, Refused>, StoreError> {
    // Noted before: if the process does not survive it, the next one knows.
    if store.begin_photo_look(digest, uploader).await? >= MOST_LOOKS {
        return Ok(Err(Refused::NeverFinished));
    }
    let looking = tokio::task::spawn_blocking(move || {
        let checked = check::check(&bytes, digest);
        drop(place);
        checked
    });
    // A decoder that panics has found something that it cannot read.
    let checked = looking
        .await
        .unwrap_or_else(|_| Err(Refused::Damaged("it cannot be read".to_owned())));
    store.end_photo_look(digest, uploader).await?;
    Ok(checked)
}

/// What becomes of an original that entries of these yards cite.
async fn original_for(store: &Store, yards: &[YardId]) -> Result<Original, StoreError> {
    if yards.is_empty() {
        return Ok(Original::Undecided);
    }
    let (reference, now): (_, Timestamp) = (store.reference().await?, store.now());
    let keeps = |yard: &YardId| {
        let versions = reference.yards.get(yard);
        let version = versions.and_then(|versions| versions.at(now));
        version.is_some_and(|version| version.value.keep_photo_originals)
    };
    Ok(if yards.iter().any(keeps) {
        Original::Kept
    } else {
        Original::Gone
    })
}
