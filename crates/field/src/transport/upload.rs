//! Photos over HTTP, piece by piece.

use super::http::{Http, Piece, Reply};
use crate::failure::Done;
use crate::photos::{PhotoTransport, Told};
use clampward_domain::photo::PhotoDigest;

fn told(reply: Reply) -> Told {
    let (status, offset, is_complete) = (reply.status(), reply.upload_offset(), reply.upload_is_complete());
    let detail = if reply.is_success() {
        String::new()
    } else {
        reply.refused().detail
    };
    Told {
        status,
        offset,
        is_complete,
        detail,
    }
}

impl PhotoTransport for Http<'_> {
    fn offset(&mut self, photo: PhotoDigest) -> Done<Option<Told>> {
        Ok(self.head_as_device(&format!("/v1/photos/{photo}"))?.map(told))
    }

    fn piece(&mut self, photo: PhotoDigest, starts_at: u64, length: u64, bytes: &[u8]) -> Done<Option<Told>> {
        let piece = Piece {
            starts_at,
            length,
            bytes,
        };
        Ok(self
            .patch_as_device(&format!("/v1/photos/{photo}"), &piece)?
            .map(told))
    }
}
