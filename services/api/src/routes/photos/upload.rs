//! `PATCH /v1/photos/{sha256}`.

use super::view::PhotoView;
use super::{Known, UPLOAD_LENGTH, UPLOAD_OFFSET, digest, known, say, whole};
use crate::extract::{Authorized, Octets, Path};
use crate::limits::PHOTO_BYTES;
use crate::permission::{Permission, UploadPhotos};
use crate::photos::Finished;
use crate::random;
use crate::reply::{Answer, Failure, ok};
use actix_web::http::header::{HeaderName, HeaderValue};
use actix_web::{HttpRequest, HttpResponse, ResponseError, patch};
use clampward_domain::photo::PhotoDigest;
use clampward_store::photos::{Added, MAX_OPEN_UPLOADS, Piece, Upload};
use clampward_wire::problem::{self, Problem};

/// Send a piece of a photo
///
/// Named by the SHA-256 of all its bytes. Send the pieces in order, each of at most `photo_piece_bytes` (`GET /v1/limits`),
/// with `Upload-Offset`, where it starts, and `Upload-Length`, the length of the whole. What was answered for is stored for
/// good: after a break ask with HEAD, and go on from there. Each account has an upload of its own, so that several may send
/// the same photo.
///
/// With the last piece the photo is looked at: that the bytes are those of its name, that it is a whole JPEG, PNG or WebP, and
/// not too large to be decoded. If that cannot be done at once (503), it is done later: HEAD says so, and an empty piece at the
/// end asks for it again. What is shown of a photo is a copy without anything but its pixels.
#[utoipa::path(
    operation_id = "upload_photo",
    tag = "Photos",
    params(("sha256" = String, Path, description = "SHA-256 of the photo's bytes, in lower-case hex.", pattern = "^[0-9a-f]{64}$"),
        ("Upload-Offset" = u64, Header, description = "Where the piece starts."),
        ("Upload-Length" = u64, Header, description = "Bytes of the whole: the same with each piece.")),
    request_body(content = Vec<u8>, content_type = "application/offset+octet-stream", description = "The piece."),
    extensions(("x-permission" = json!(UploadPhotos::NAME)), ("x-problems" = json!(["invalid-header", "upload-offset", "too-many-uploads",
        "photo-mismatch", "photo-unreadable", "photo-too-large"]))),
    responses(
        (status = 200, description = "The photo is there.", body = PhotoView),
        (status = 204, description = "The piece is stored; more is to come.", headers(
            ("Upload-Offset" = u64, description = "Bytes that have arrived: the next piece starts here."),
            ("Upload-Length" = u64, description = "Bytes of the whole."),
            ("Upload-Complete" = String, description = "`?0`."))))
)]
#[patch("/v1/photos/{sha256}")]
pub async fn send(
    call: Authorized<UploadPhotos>,
    sha256: Path<String>,
    request: HttpRequest,
    body: Octets,
) -> Answer {
    let digest = digest(&sha256.0)?;
    let starts_at = number(&request, UPLOAD_OFFSET)?;
    let length = number(&request, UPLOAD_LENGTH)?;
    if length > PHOTO_BYTES.value {
        let detail = format!("A photo has at most {} bytes.", PHOTO_BYTES.value);
        return Err(Failure::new(problem::PHOTO_TOO_LARGE, detail));
    }
    let upload = match known(&call, digest).await? {
        Known::Photo(photo) => {
            let upload = whole(&photo);
            return there(PhotoView::from(photo), upload);
        }
        Known::Upload(upload) => upload,
        Known::Nothing => Upload {
            length,
            received: 0,
            is_done: false,
        },
    };
    let bytes = u64::try_from(body.0.len()).unwrap_or(u64::MAX);
    let asks_again = upload.is_whole() && bytes == 0;
    if upload.length != length
        || upload.received != starts_at
        || starts_at.saturating_add(bytes) > length
        || (bytes == 0 && !asks_again)
    {
        return Ok(elsewhere(upload));
    }
    let uploader = call.person().uuid();
    if !asks_again {
        let piece = Piece {
            object: random::id(call.now())?,
            starts_at,
            bytes: u32::try_from(bytes).unwrap_or(u32::MAX),
        };
        let taken = call
            .photos()
            .take(call.store(), (digest, uploader), length, piece, body.0);
        match taken.await? {
            Added::Counts(upload) if upload.is_whole() => {}
            Added::Counts(upload) => {
                let mut answer = HttpResponse::NoContent().finish();
                say(answer.headers_mut(), upload);
                return Ok(answer);
            }
            Added::DoesNotFit(upload) => return Ok(elsewhere(upload)),
            Added::TooMany => {
                let detail = format!("{MAX_OPEN_UPLOADS} uploads of this account are unfinished.");
                return Err(Failure::new(problem::TOO_MANY_UPLOADS, detail));
            }
        }
    }
    looked_at(&call, digest).await
}

/// All bytes are there.
async fn looked_at(call: &Authorized<UploadPhotos>, digest: PhotoDigest) -> Answer {
    let uploader = call.person().uuid();
    let finished = call.photos().finish(call.store(), digest, uploader).await?;
    match finished {
        Finished::Photo(photo) => {
            let upload = whole(&photo);
            there(PhotoView::from(photo), upload)
        }
        Finished::Upload(upload) => Ok(elsewhere(upload)),
        Finished::Nothing => Ok(elsewhere(Upload {
            length: 0,
            received: 0,
            is_done: false,
        })),
    }
}

fn there(photo: PhotoView, upload: Upload) -> Answer {
    let mut answer = ok(&photo)?;
    say(answer.headers_mut(), upload);
    Ok(answer)
}

/// The piece does not fit: where the upload ends stands in the headers, and in the problem.
fn elsewhere(upload: Upload) -> HttpResponse {
    let detail = format!(
        "{} of {} bytes have arrived: send the piece that starts there.",
        upload.received, upload.length
    );
    let problem = Problem::new(problem::UPLOAD_OFFSET, detail)
        .with("offset", upload.received)
        .with("length", upload.length);
    let mut answer = Failure::from(problem).error_response();
    say(answer.headers_mut(), upload);
    answer
}

/// A header that is a number.
fn number(request: &HttpRequest, name: HeaderName) -> Result<u64, Failure> {
    let mut given = request.headers().get_all(&name);
    let only = match (given.next(), given.next()) {
        (Some(only), None) => Some(only),
        _ => None,
    };
    let digits = |value: &HeaderValue| {
        let text = value.to_str().ok()?;
        let plain = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
        plain.then(|| text.parse().ok()).flatten()
    };
    only.and_then(digits).ok_or_else(|| {
        let detail = format!("Send the header {name} once, as a number of bytes.");
        Failure::new(problem::INVALID_HEADER, detail)
    })
}
