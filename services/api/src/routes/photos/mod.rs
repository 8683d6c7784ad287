//! Photos: sent in pieces by whoever records, seen by whoever sees a clamp that cites them.

pub mod list;
pub mod offset;
pub mod read;
pub mod upload;
pub mod view;

use crate::extract::{Authorized, refused};
use crate::permission::Permission;
use crate::reply::Failure;
use actix_web::http::header::{HeaderMap, HeaderName, HeaderValue};
use clampward_domain::photo::PhotoDigest;
use clampward_store::photos::{Photo, Upload};
use clampward_wire::problem::FieldError;

/// Where an upload ends.
const UPLOAD_OFFSET: HeaderName = HeaderName::from_static("upload-offset");
/// How long the whole is.
const UPLOAD_LENGTH: HeaderName = HeaderName::from_static("upload-length");
/// Whether the photo is there: a boolean of RFC 9651.
const UPLOAD_COMPLETE: HeaderName = HeaderName::from_static("upload-complete");

/// The photo that the address names.
fn digest(text: &str) -> Result<PhotoDigest, Failure> {
    text.parse()
        .map_err(|error: clampward_domain::photo::NotADigest| {
            refused(FieldError::new("/sha256", "not-sha256", error.to_string()))
        })
}

/// Says how far an upload is.
fn say(headers: &mut HeaderMap, upload: Upload) {
    headers.insert(UPLOAD_OFFSET, HeaderValue::from(upload.received));
    headers.insert(UPLOAD_LENGTH, HeaderValue::from(upload.length));
    let complete = if upload.is_done { "?1" } else { "?0" };
    headers.insert(UPLOAD_COMPLETE, HeaderValue::from_static(complete));
}

/// What the caller has of a photo: the photo, if they may know that it is there; else how far their upload is.
enum Known {
    Photo(Photo),
    Upload(Upload),
    Nothing,
}

async fn known<P: Permission>(call: &Authorized<P>, digest: PhotoDigest) -> Result<Known, Failure> {
    let seen = call.store().photo_seen_in(digest, call.yards()).await?;
    let upload = call.store().photo_upload(digest, call.person().uuid()).await?;
    Ok(match (seen.photo, upload) {
        (Some(photo), upload) if seen.is_shown || upload.is_some_and(|upload| upload.is_done) => {
            Known::Photo(photo)
        }
        (_, Some(upload)) => Known::Upload(upload),
        (_, None) => Known::Nothing,
    })
}

/// A photo as an upload that is done.
fn whole(photo: &Photo) -> Upload {
    Upload {
        length: photo.bytes,
        received: photo.bytes,
        is_done: true,
    }
}
