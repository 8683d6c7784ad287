//! Photos on the device: on the disk by the SHA-256 of their bytes before an entry cites them, sent in pieces once the entries
//! are, forgotten when the service has them and no entry of the journal cites them any more.
//!
//! An entry never waits for its photos, nor is it lost with them. What was answered for is never sent again: after a break the
//! service is asked how far it is. Knows no socket.

use crate::clock::Clock;
use crate::core::LOST_AT_MOST;
use crate::database::Database;
use crate::failure::{Done, Failure};
use crate::journal::{self, count, whole};
use clampward_domain::canonical::sha256;
use clampward_domain::entry::Body;
use clampward_domain::photo::PhotoDigest;
use rusqlite::{Connection, params};
use serde::Serialize;
use std::collections::BTreeSet;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// Largest photo that the service takes.
pub const MAX_BYTES: u64 = 20 << 20;
/// What is sent at once: a break costs no more than this.
pub const PIECE_BYTES: u64 = 256 << 10;
/// First wait after a loss; doubled each time.
const FIRST_WAIT_MS: u64 = 500;
/// The folder of the bytes, in the device's.
const FOLDER: &str = "photos";

/// What the service says of an upload.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    /// HTTP status.
    pub status: u16,
    /// So many bytes have arrived.
    pub offset: Option<u64>,
    /// The photo is there.
    pub is_complete: bool,
    /// In words, where it was not done.
    pub detail: String,
}

/// Carries pieces to the service. Nothing: it was lost.
pub trait PhotoTransport {
    /// How far is the upload?
    fn offset(&mut self, photo: PhotoDigest) -> Done<Option<Told>>;
    /// A piece that starts there, of so many bytes in all.
    fn piece(&mut self, photo: PhotoDigest, starts_at: u64, length: u64, bytes: &[u8]) -> Done<Option<Told>>;
}

/// What a run came to.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct PhotoReport {
    /// Photos that the service has now.
    pub sent: u64,
    /// Photos that are still to be sent.
    pub waiting: u64,
    /// Photos that it does not take, each with the reason.
    pub refused: Vec<String>,
    /// What stood in the way.
    pub trouble: Option<String>,
}

impl PhotoReport {
    /// Of a run that did not reach the service.
    pub fn of(connection: &Connection) -> Done<Self> {
        Ok(Self {
            waiting: waiting(connection)?,
            ..Self::default()
        })
    }
    /// Whether everything was done.
    pub fn is_complete(&self) -> bool {
        self.waiting == 0 && self.refused.is_empty() && self.trouble.is_none()
    }
}

/// A photo that is to be sent.
struct Waiting {
    photo: PhotoDigest,
    length: u64,
}

/// Keeps a photo: its bytes are on the disk when this returns, and an entry may cite it.
pub fn keep(database: &mut Database, device: &Path, file: &Path) -> Done<PhotoDigest> {
    let length = std::fs::metadata(file).map_err(failed(file))?.len();
    if length > MAX_BYTES {
        return Err(Failure::refused(format!(
            "{}: a photo has at most {} MiB",
            file.display(),
            MAX_BYTES >> 20
        )));
    }
    let bytes = std::fs::read(file).map_err(failed(file))?;
    if !is_photo(&bytes) {
        return Err(Failure::refused(format!(
            "{} is no JPEG, PNG or WebP: the service takes no other photos",
            file.display()
        )));
    }
    let photo = PhotoDigest::new(sha256(&[bytes.as_slice()]));
    let folder = device.join(FOLDER);
    std::fs::create_dir_all(&folder).map_err(failed(&folder))?;
    let path = path(device, photo);
    if !path.exists() {
        let new = path.with_extension("new");
        let mut out = File::create(&new).map_err(failed(&new))?;
        out.write_all(&bytes).map_err(failed(&new))?;
        out.sync_all().map_err(failed(&new))?;
        std::fs::rename(&new, &path).map_err(failed(&path))?;
        for folder in [folder.as_path(), device] {
            File::open(folder)
                .and_then(|folder| folder.sync_all())
                .map_err(failed(folder))?;
        }
    }
    database.write(|connection| {
        connection.execute(
            "insert into photo (sha256, length, state) values (?1, ?2, 'waiting') on conflict (sha256) do nothing",
            params![photo.to_string(), whole(u64::try_from(bytes.len()).unwrap_or(u64::MAX))?],
        )?;
        Ok(())
    })?;
    Ok(photo)
}

fn failed(path: &Path) -> impl FnOnce(std::io::Error) -> Failure {
    let path = path.display().to_string();
    move |cause| Failure::File { path, cause }
}

/// By its first bytes.
fn is_photo(bytes: &[u8]) -> bool {
    bytes.starts_with(&[0xff, 0xd8, 0xff])
        || bytes.starts_with(b"\x89PNG\r\n\x1a\n")
        || (bytes.starts_with(b"RIFF") && bytes.get(8..12) == Some(b"WEBP"))
}

fn path(device: &Path, photo: PhotoDigest) -> PathBuf {
    device.join(FOLDER).join(photo.to_string())
}

/// How many are still to be sent.
pub fn waiting(connection: &Connection) -> Done<u64> {
    let number: i64 = connection
        .prepare_cached("select count(*) from photo where state = 'waiting'")?
        .query_row([], |row| row.get(0))?;
    Ok(count(number))
}

fn list(connection: &Connection) -> Done<Vec<Waiting>> {
    let mut statement = connection
        .prepare_cached("select sha256, length from photo where state = 'waiting' order by rowid")?;
    let rows = statement.query_map([], |row| Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?)))?;
    rows.map(|row| {
        let (name, length) = row?;
        Ok(Waiting {
            photo: read(&name)?,
            length: count(length),
        })
    })
    .collect()
}

fn read(name: &str) -> Done<PhotoDigest> {
    name.parse()
        .map_err(|error| Failure::unreadable("name of a photo", error))
}

fn settle(database: &mut Database, photo: PhotoDigest, state: &str) -> Done {
    database.write(|connection| {
        connection.execute(
            "update photo set state = ?2 where sha256 = ?1",
            params![photo.to_string(), state],
        )?;
        Ok(())
    })
}

/// What became of one.
enum Came {
    Sent,
    Refused(String),
    Left(String),
}

/// Sends what is to be sent, one after the other, and forgets what nobody needs any more.
pub fn send(
    database: &mut Database,
    device: &Path,
    transport: &mut dyn PhotoTransport,
    clock: &dyn Clock,
    show: &mut dyn FnMut(u64, u64),
) -> Done<PhotoReport> {
    let mut report = PhotoReport::default();
    for waiting in list(database.connection())? {
        match one(device, &waiting, transport, clock, show)? {
            Came::Sent => {
                settle(database, waiting.photo, "sent")?;
                report.sent += 1;
            }
            Came::Refused(detail) => {
                settle(database, waiting.photo, "refused")?;
                report.refused.push(detail);
            }
            Came::Left(detail) => {
                report.trouble = Some(detail);
                break;
            }
        }
    }
    forget(database, device)?;
    report.waiting = waiting(database.connection())?;
    Ok(report)
}

fn one(
    device: &Path,
    waiting: &Waiting,
    transport: &mut dyn PhotoTransport,
    clock: &dyn Clock,
    show: &mut dyn FnMut(u64, u64),
) -> Done<Came> {
    let Ok(mut file) = File::open(path(device, waiting.photo)) else {
        return Ok(Came::Refused(format!(
            "the photo {} is not on this device any more",
            waiting.photo
        )));
    };
    let mut lost = 0;
    let mut furthest = 0;
    // Where the next piece starts; nothing: not known since the last break.
    let mut next = None;
    loop {
        let told = match next {
            None => transport.offset(waiting.photo)?,
            Some(offset) => {
                show(offset, waiting.length);
                let bytes = piece(&mut file, offset)?;
                transport.piece(waiting.photo, offset, waiting.length, &bytes)?
            }
        };
        let asked = next.take();
        let Some(told) = told else {
            lost += 1;
            if lost >= LOST_AT_MOST {
                return Ok(Came::Left("the service could not be reached".to_owned()));
            }
            clock.wait(FIRST_WAIT_MS << (lost - 1));
            continue;
        };
        if told.is_complete {
            return Ok(Came::Sent);
        }
        match (told.status, told.offset) {
            // A piece counted, or the service says where it is.
            (200..=299 | 409, Some(offset)) => {
                // Where nothing moves, something else than a break stands in the way.
                if offset > furthest {
                    furthest = offset;
                    lost = 0;
                } else if asked.is_some() {
                    lost += 1;
                    if lost >= LOST_AT_MOST {
                        return Ok(Came::Left(told.detail));
                    }
                }
                next = Some(offset.min(waiting.length));
            }
            (404, _) if asked.is_none() => next = Some(0),
            (413 | 415 | 422, _) => return Ok(Came::Refused(told.detail)),
            _ => return Ok(Came::Left(told.detail)),
        }
    }
}

/// The bytes that start there; none at the end, by which the service is asked to look again.
fn piece(file: &mut File, offset: u64) -> Done<Vec<u8>> {
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(offset))
        .and_then(|_| file.take(PIECE_BYTES).read_to_end(&mut bytes))
        .map_err(|cause| Failure::File {
            path: "a photo".to_owned(),
            cause,
        })?;
    Ok(bytes)
}

/// Drops what the service has, or does not take, once no entry of the journal cites it.
fn forget(database: &mut Database, device: &Path) -> Done {
    let cited: BTreeSet<PhotoDigest> = journal::all(database.connection())?
        .iter()
        .filter_map(|kept| kept.entry())
        .filter_map(|entry| Body::from_json(entry.kind, entry.body).ok())
        .flat_map(|body| body.photos())
        .collect();
    let settled: Vec<String> = {
        let mut statement = database
            .connection()
            .prepare("select sha256 from photo where state <> 'waiting'")?;
        let rows = statement.query_map([], |row| row.get(0))?;
        rows.collect::<Result<_, _>>()?
    };
    for name in settled {
        let photo = read(&name)?;
        if cited.contains(&photo) {
            continue;
        }
        database.write(|connection| {
            connection.execute("delete from photo where sha256 = ?1", params![name])?;
            Ok(())
        })?;
        // A file that is left over takes up room and does no other harm.
        let _ = std::fs::remove_file(path(device, photo));
    }
    Ok(())
}
