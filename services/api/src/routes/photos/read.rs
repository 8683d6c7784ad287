//! `GET /v1/photos/{sha256}`.

use super::digest;
use crate::extract::{Authorized, Path, Query};
use crate::permission::{Permission, ReadClamps, ReadPhotoOriginals};
use crate::reply::{Answer, Failure, resource_of};
use actix_web::http::header::{CACHE_CONTROL, CONTENT_DISPOSITION, HeaderValue};
use actix_web::{HttpRequest, get};
use clampward_domain::photo::PhotoDigest;
use clampward_store::photos::{Original, Photo};
use clampward_wire::problem;
use serde::Deserialize;
use utoipa::IntoParams;

/// The copy's media type.
const JPEG: &str = "image/jpeg";
/// Whoever loses sight of a clamp loses sight of its photos.
const ASK_FIRST: HeaderValue = HeaderValue::from_static("private, no-cache");

/// Which form of the photo.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// The photo as it was taken, with position and time in it, where the yard keeps originals. Needs the permission
    /// `read_photo_originals`.
    original: Option<bool>,
}

/// See a photo
///
/// A copy for viewing: a JPEG, the right way up, at most `photo_view_edge_pixels` long, without position, time or anything else that
/// was in the file. Whoever sees a clamp of an entry that cites the photo may see it, if whoever handed that entry in has sent
/// the photo or was shown it; until then it is awaited. The name is the digest of the original, not of the copy. An original is answered as a file to be kept, never as something for a page to show.
#[utoipa::path(
    operation_id = "read_photo",
    tag = "Photos",
    params(("sha256" = String, Path, description = "SHA-256 of the photo's bytes, in lower-case hex.", pattern = "^[0-9a-f]{64}$"), Asked),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-problems" = json!(["not-found", "photo-pending", "original-not-kept"]))),
    responses(
        (status = 200, description = "The photo.", content(
            (Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "image/webp"),
        ), headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have it already."))
)]
#[get("/v1/photos/{sha256}")]
pub async fn read(
    call: Authorized<ReadClamps>,
    sha256: Path<String>,
    asked: Query<Asked>,
    request: HttpRequest,
) -> Answer {
    let digest = digest(&sha256.0)?;
    let original = asked.0.original.unwrap_or(false);
    if original {
        call.also::<ReadPhotoOriginals>()?;
    }
    let seen = call.store().photo_seen_in(digest, call.yards()).await?;
    if !seen.is_cited {
        return Err(Failure::not_found("photo"));
    }
    let Some(photo) = seen.photo.filter(|_| seen.is_shown) else {
        let detail = "It is cited, and whoever took it has not sent it yet.";
        return Err(Failure::new(problem::PHOTO_PENDING, detail));
    };
    let mut answer = if original {
        as_taken(&call, &photo, &request).await?
    } else {
        let bytes = call.photos().view(digest).await?;
        let bytes = bytes.ok_or_else(|| lost(digest))?;
        resource_of(&request, JPEG, bytes)?
    };
    answer.headers_mut().insert(CACHE_CONTROL, ASK_FIRST);
    Ok(answer)
}

/// The bytes as they were taken.
async fn as_taken(call: &Authorized<ReadClamps>, photo: &Photo, request: &HttpRequest) -> Answer {
    if photo.original != Original::Kept {
        let detail = "The yards whose entries cite it keep no originals.";
        return Err(Failure::new(problem::ORIGINAL_NOT_KEPT, detail));
    }
    let bytes = call.photos().original(photo.digest).await?;
    let bytes = bytes.ok_or_else(|| lost(photo.digest))?;
    tracing::info!(event = "photo_original_read", by = %call.person(), "a photo was read as it was taken");
    let mut answer = resource_of(request, &photo.media_type, bytes)?;
    let file = photo.media_type.rsplit('/').next().unwrap_or_default();
    let name = format!("attachment; filename=\"{}.{file}\"", photo.digest);
    if let Ok(value) = HeaderValue::from_str(&name) {
        answer.headers_mut().insert(CONTENT_DISPOSITION, value);
    }
    Ok(answer)
}

/// The database says that it is there, and it is not.
fn lost(digest: PhotoDigest) -> Failure {
    Failure::internal(&Lost(digest))
}

#[derive(Debug, thiserror::Error)]
#[error("photo {0} is marked as being there, and its bytes are gone")]
struct Lost(PhotoDigest);
