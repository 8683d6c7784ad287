//! What was left undone: photos that nobody looked at, originals that nobody decided on, pieces that are nobody's.

use super::finish::{Finished, PhotoError};
use super::place::Photos;
use crate::in_runtime::InRuntime;
use crate::limits::PHOTO_UPLOAD_KEPT;
use actix_web::rt;
use actix_web::rt::task::JoinHandle;
use clampward_store::Store;
use jiff::SignedDuration;
use std::sync::Arc;
use std::time::Duration;

/// Pause between two looks.
const PAUSE: Duration = Duration::from_secs(60);
/// Whoever sent the last piece looks at the photo themselves; longer ago, they were stopped.
const STOPPED_AFTER: SignedDuration = SignedDuration::from_secs(60);
/// A piece that is nobody's may be one that is about to count.
const NOBODYS_AFTER: SignedDuration = SignedDuration::from_hours(24);
/// How much is done in one look.
const AT_ONCE: u32 = 50;
/// How many pieces are looked at in one look.
const PIECES_AT_ONCE: usize = 1000;

/// Begins to look again and again, until the process stops.
pub fn begin(store: Store, photos: Arc<Photos>) -> JoinHandle<()> {
    rt::spawn(InRuntime::new(run(store, photos)))
}

async fn run(store: Store, photos: Arc<Photos>) {
    loop {
        if let Err(error) = once(&store, &photos).await {
            tracing::warn!(error = %crate::reply::chain(&error), "sweeping up photos failed; it is tried again");
        }
        tokio::time::sleep(PAUSE).await;
    }
}

/// One look.
pub async fn once(store: &Store, photos: &Photos) -> Result<(), PhotoError> {
    let now = store.now();
    let before = |age| now.checked_sub(age).unwrap_or(now);
    for (digest, uploader) in store.whole_photo_uploads(before(STOPPED_AFTER), AT_ONCE).await? {
        match photos.finish(store, digest, uploader).await {
            Ok(Finished::Photo(_)) => {
                tracing::info!(
                    event = "photo_finished_later",
                    "a photo whose looking at was cut off is there"
                )
            }
            Ok(Finished::Upload(_) | Finished::Nothing) | Err(PhotoError::Refused(_)) => {}
            Err(error) => {
                tracing::warn!(error = %crate::reply::chain(&error), "a photo could not be looked at; it is tried again");
                store.touch_photo_upload(digest, uploader).await?;
            }
        }
    }
    store.settle_photo_citations().await?;
    for digest in store.undecided_photos(AT_ONCE).await? {
        photos.decide(store, digest).await?;
    }
    let forgotten = store
        .forget_photo_uploads(before(SignedDuration::from_hours(i64::from(
            PHOTO_UPLOAD_KEPT.number(),
        ))))
        .await?;
    if forgotten > 0 {
        tracing::info!(uploads = forgotten, "unfinished uploads of photos are forgotten");
    }
    nobodys(store, photos, before(NOBODYS_AFTER)).await
}

/// Takes pieces away that no upload has.
async fn nobodys(store: &Store, photos: &Photos, before: jiff::Timestamp) -> Result<(), PhotoError> {
    let lying = photos.lying_since(before, PIECES_AT_ONCE).await?;
    let objects: Vec<_> = lying.iter().filter_map(|piece| piece.object).collect();
    let unknown = store.unknown_photo_objects(&objects).await?;
    for piece in lying {
        if piece.object.is_none_or(|object| unknown.contains(&object)) {
            photos.delete_lying(&piece).await?;
        }
    }
    Ok(())
}
