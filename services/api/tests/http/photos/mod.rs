//! Photos: what is sent arrives whole or not at all, what is shown is a copy of pixels, and nobody sees another yard's.

mod files;
mod refused;
mod seen;
mod sent;

pub use files::photo_of;

use crate::support::Reply;
use crate::trade::fleet::{Fleet, Person};
use clampward_domain::canonical;

/// Longest piece.
const PIECE: usize = 1 << 20;

/// The name of a photo.
fn name(bytes: &[u8]) -> String {
    clampward_domain::photo::PhotoDigest::new(canonical::sha256(&[bytes])).to_string()
}

impl Fleet {
    /// Sends one piece.
    async fn piece(&self, by: &Person, photo: &str, starts_at: usize, length: usize, bytes: &[u8]) -> Reply {
        self.app
            .call("PATCH", &format!("/v1/photos/{photo}"))
            .token(&self.token(by))
            .header("Content-Type", "application/offset+octet-stream")
            .header("Upload-Offset", &starts_at.to_string())
            .header("Upload-Length", &length.to_string())
            .raw(bytes.to_vec())
            .send()
            .await
    }
    /// Sends a file under a name in pieces of a length; what the last of them is answered.
    async fn send_as(&self, by: &Person, photo: &str, bytes: &[u8], piece: usize) -> Reply {
        let mut last = None;
        for (index, part) in bytes.chunks(piece).enumerate() {
            let reply = self.piece(by, photo, index * piece, bytes.len(), part).await;
            let is_last = (index + 1) * piece >= bytes.len();
            if reply.status != 204 || is_last {
                return reply;
            }
            last = Some(reply);
        }
        last.expect("a file that is not empty")
    }
    /// Sends a photo; answers its name.
    pub async fn sent_photo(&self, by: &Person, bytes: &[u8]) -> String {
        let photo = name(bytes);
        self.send_as(by, &photo, bytes, PIECE).await.succeeded(200);
        photo
    }
    /// How far somebody's upload is: offset, and whether the photo is there.
    async fn offset(&self, by: &Person, photo: &str) -> (u16, Option<String>, Option<String>) {
        let reply = self
            .app
            .call("HEAD", &format!("/v1/photos/{photo}"))
            .token(&self.token(by))
            .send()
            .await;
        let header = |name: &str| reply.header(name).map(str::to_owned);
        (reply.status, header("upload-offset"), header("upload-complete"))
    }
    async fn photo(&self, by: &Person, photo: &str) -> Reply {
        self.get(by, &format!("/v1/photos/{photo}")).await
    }
    /// The files below where photos are kept.
    fn files(&self, below: &str) -> Vec<String> {
        let mut found = Vec::new();
        let mut folders = vec![self.app.folder.path().join("photos").join(below)];
        while let Some(folder) = folders.pop() {
            for entry in std::fs::read_dir(&folder).into_iter().flatten() {
                let entry = entry.expect("an entry");
                if entry.file_type().expect("a type").is_dir() {
                    folders.push(entry.path());
                } else {
                    found.push(entry.file_name().to_string_lossy().into_owned());
                }
            }
        }
        found
    }
}

/// Offset and completeness as they are answered.
fn so_far(offset: usize, complete: bool) -> (u16, Option<String>, Option<String>) {
    let complete = if complete { "?1" } else { "?0" };
    (200, Some(offset.to_string()), Some(complete.to_owned()))
}
/// Nothing has arrived.
fn nothing() -> (u16, Option<String>, Option<String>) {
    (404, Some("0".to_owned()), None)
}
