//! `HEAD /v1/photos/{sha256}`.

use super::{Known, UPLOAD_OFFSET, digest, known, say, whole};
use crate::extract::{Authorized, Path};
use crate::permission::{Permission, UploadPhotos};
use crate::reply::{Answer, Failure};
use actix_web::http::header::HeaderValue;
use actix_web::{HttpResponse, ResponseError, head};

/// Ask how far an upload is
///
/// Before the first piece, after a break, and after a last piece whose answer was lost. With `Upload-Complete: ?1` the photo
/// is there, and nothing is to be sent; 404 means: begin at 0. A photo that somebody else sent counts as not there until you
/// see an entry that cites it.
#[utoipa::path(
    operation_id = "photo_offset",
    tag = "Photos",
    params(("sha256" = String, Path, description = "SHA-256 of the photo's bytes, in lower-case hex.", pattern = "^[0-9a-f]{64}$")),
    extensions(("x-permission" = json!(UploadPhotos::NAME)), ("x-problems" = json!(["not-found"]))),
    responses((status = 200, description = "So far is it.", headers(
        ("Upload-Offset" = u64, description = "Bytes that have arrived: the next piece starts here."),
        ("Upload-Length" = u64, description = "Bytes of the whole."),
        ("Upload-Complete" = String, description = "`?1` if the photo is there, else `?0`."))))
)]
#[head("/v1/photos/{sha256}")]
pub async fn offset(call: Authorized<UploadPhotos>, sha256: Path<String>) -> Answer {
    let digest = digest(&sha256.0)?;
    let upload = match known(&call, digest).await? {
        Known::Photo(photo) => whole(&photo),
        Known::Upload(upload) => upload,
        Known::Nothing => {
            let mut answer = Failure::not_found("photo").error_response();
            answer.headers_mut().insert(UPLOAD_OFFSET, HeaderValue::from(0));
            return Ok(answer);
        }
    };
    let mut answer = HttpResponse::Ok().finish();
    say(answer.headers_mut(), upload);
    Ok(answer)
}
