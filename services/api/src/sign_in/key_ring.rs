//! The keys of access tokens over their life: published, then signing, then verifying what was signed, then gone.
//!
//! A key's state follows from the instant at which it begins to sign, which stands in its file's name, and from the keys
//! beside it; nothing else is kept. So any number of processes may share a folder, and whoever replaces a key needs
//! none of them to be stopped. The time is the caller's.

use super::keys::{ALGORITHM, KeyError, SigningKey};
use super::tokens::{ACCESS_TOKEN_SECONDS, LEEWAY_SECONDS, TYPE};
use crate::random;
use jiff::{SignedDuration, Timestamp};
use jsonwebtoken::Header;
use jsonwebtoken::jwk::JwkSet;
use std::ffi::OsStr;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};

/// How long a new key is published before it signs, if nothing else is asked for: whoever verifies tokens has read the
/// published keys again by then.
pub const PUBLISHED_HOURS: i64 = 24;
/// After so long a key should be replaced.
pub const REPLACE_AFTER_DAYS: i64 = 90;
/// How long a key verifies after the next one signs: the life of a token, and clocks that differ both ways.
pub const VERIFY_ONLY_SECONDS: i64 = ACCESS_TOKEN_SECONDS + 2 * LEEWAY_SECONDS;
/// How the instant is written in a file's name.
const INSTANT: &str = "%Y%m%dT%H%M%SZ";

/// A key and when it begins to sign.
pub struct DatedKey {
    /// It signs from then on, until the next one does.
    pub signs_from: Timestamp,
    key: SigningKey,
    header: Header,
    file: Option<PathBuf>,
}

impl DatedKey {
    fn new(key: SigningKey, signs_from: Timestamp, file: Option<PathBuf>) -> Arc<Self> {
        let header = Header {
            typ: Some(TYPE.to_owned()),
            kid: Some(key.name().to_owned()),
            ..Header::new(ALGORITHM)
        };
        Arc::new(Self {
            signs_from,
            key,
            header,
            file,
        })
    }
    /// The key.
    pub fn key(&self) -> &SigningKey {
        &self.key
    }
    /// The header of every token that it signs.
    pub(super) fn header(&self) -> &Header {
        &self.header
    }
}

/// What became of a replacement.
#[derive(Debug, serde::Serialize)]
pub struct Replacement {
    /// Name of the new key.
    pub kid: String,
    /// When it begins to sign.
    pub signs_from: Timestamp,
    /// Names of keys that were removed, since every token that they signed is over.
    pub removed: Vec<String>,
}

/// The keys as they are now. Shared by all workers of a process.
pub struct KeyRing {
    folder: Option<PathBuf>,
    keys: RwLock<Arc<Vec<Arc<DatedKey>>>>,
}

impl From<SigningKey> for Arc<KeyRing> {
    /// One key that signs for ever.
    fn from(key: SigningKey) -> Self {
        let only = DatedKey::new(key, Timestamp::MIN, None);
        Arc::new(KeyRing {
            folder: None,
            keys: RwLock::new(Arc::new(vec![only])),
        })
    }
}

impl KeyRing {
    /// The keys of a folder; or one key, where the path names a file ending in `.pem`. What is missing is made.
    pub fn open(path: &Path, now: Timestamp) -> Result<Arc<Self>, KeyError> {
        let is_file = path.extension() == Some(OsStr::new("pem")) && !path.is_dir();
        if is_file || path.is_file() {
            return Ok(SigningKey::load_or_create(path)?.into());
        }
        make_folder(path)?;
        let mut keys = read_folder(path)?;
        if keys.is_empty() {
            write_new(path, now)?;
            keys = read_folder(path)?;
        }
        Ok(Arc::new(Self {
            folder: Some(path.to_owned()),
            keys: RwLock::new(Arc::new(keys)),
        }))
    }
    /// Reads the folder again; whether anything changed. An empty folder changes nothing: a service without a key could
    /// only refuse everybody.
    pub fn reload(&self) -> Result<bool, KeyError> {
        let Some(folder) = &self.folder else {
            return Ok(false);
        };
        let read = read_folder(folder)?;
        if read.is_empty() {
            return Err(KeyError::Empty {
                path: folder.display().to_string(),
            });
        }
        let mut keys = self.keys.write().unwrap_or_else(PoisonError::into_inner);
        let names = |keys: &[Arc<DatedKey>]| -> Vec<(Timestamp, String)> {
            keys.iter()
                .map(|key| (key.signs_from, key.key.name().to_owned()))
                .collect()
        };
        let changed = names(&keys) != names(&read);
        if changed {
            *keys = Arc::new(read);
        }
        Ok(changed)
    }
    /// The key that signs.
    pub fn signing(&self, now: Timestamp) -> Option<Arc<DatedKey>> {
        let keys = self.keys();
        // Where somebody took the signing key away, the one that was to follow signs at once.
        signing(&keys, now).and_then(|index| keys.get(index)).cloned()
    }
    /// The key of this name, unless it is gone.
    pub fn verifying(&self, name: &str, now: Timestamp) -> Option<Arc<DatedKey>> {
        let keys = self.keys();
        alive(&keys, now).find(|key| key.key.name() == name).cloned()
    }
    /// The public halves of the keys that sign, will sign, or verify (RFC 7517, RFC 8037).
    pub fn published(&self, now: Timestamp) -> JwkSet {
        let keys = self.keys();
        JwkSet {
            keys: alive(&keys, now).map(|key| key.key.jwk().clone()).collect(),
        }
    }
    /// Since when the signing key signs, where that is known and longer than it should.
    pub fn is_overdue(&self, now: Timestamp) -> Option<Timestamp> {
        let since = self.signing(now)?.signs_from;
        if since == Timestamp::MIN {
            return None;
        }
        let limit = SignedDuration::from_hours(REPLACE_AFTER_DAYS * 24);
        (now.duration_since(since) > limit).then_some(since)
    }
    fn keys(&self) -> Arc<Vec<Arc<DatedKey>>> {
        Arc::clone(&self.keys.read().unwrap_or_else(PoisonError::into_inner))
    }
}

/// Makes the next key, which is published at once and signs later, and removes keys whose tokens are all over. Refused
/// while a key waits to sign already.
pub fn replace_key(
    folder: &Path,
    now: Timestamp,
    signs_after: SignedDuration,
) -> Result<Replacement, KeyError> {
    make_folder(folder)?;
    let keys = read_folder(folder)?;
    if let Some(waiting) = keys.iter().find(|key| key.signs_from > now) {
        return Err(KeyError::Waiting {
            kid: waiting.key.name().to_owned(),
            signs_from: waiting.signs_from,
        });
    }
    // After the one before it, in whole seconds as names say them: of two with one instant, chance would decide.
    let last = keys.last().map_or(Timestamp::MIN, |key| key.signs_from);
    let after_last = last.checked_add(SignedDuration::from_secs(1)).unwrap_or(last);
    let signs_from = now
        .checked_add(signs_after)
        .unwrap_or(Timestamp::MAX)
        .max(after_last);
    let kid = write_new(folder, signs_from)?;
    let mut removed = Vec::new();
    for gone in gone(&keys, now) {
        if let Some(file) = &gone.file {
            std::fs::remove_file(file).map_err(|cause| failed(file, cause))?;
            removed.push(gone.key.name().to_owned());
        }
    }
    Ok(Replacement {
        kid,
        signs_from,
        removed,
    })
}

/// Which key signs: the last one that has begun to; before any has, the first.
fn signing(keys: &[Arc<DatedKey>], now: Timestamp) -> Option<usize> {
    let begun = keys.iter().take_while(|key| key.signs_from <= now).count();
    (!keys.is_empty()).then(|| begun.saturating_sub(1))
}

fn gone(keys: &[Arc<DatedKey>], now: Timestamp) -> impl Iterator<Item = &Arc<DatedKey>> {
    let next_signs_from = keys.iter().skip(1).map(|next| next.signs_from);
    keys.iter()
        .zip(next_signs_from)
        .filter(move |(_, next)| now.duration_since(*next).as_secs() >= VERIFY_ONLY_SECONDS)
        .map(|(key, _)| key)
}

fn alive(keys: &[Arc<DatedKey>], now: Timestamp) -> impl Iterator<Item = &Arc<DatedKey>> {
    keys.iter().skip(gone(keys, now).count())
}

fn failed(path: &Path, cause: std::io::Error) -> KeyError {
    KeyError::File {
        path: path.display().to_string(),
        cause,
    }
}

fn make_folder(path: &Path) -> Result<(), KeyError> {
    use std::os::unix::fs::DirBuilderExt;
    std::fs::DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(path)
        .map_err(|cause| failed(path, cause))
}

/// The keys in the order in which they sign.
fn read_folder(folder: &Path) -> Result<Vec<Arc<DatedKey>>, KeyError> {
    let entries = std::fs::read_dir(folder).map_err(|cause| failed(folder, cause))?;
    let mut keys = Vec::new();
    for entry in entries {
        let path = entry.map_err(|cause| failed(folder, cause))?.path();
        if path.extension() != Some(OsStr::new("pem")) {
            continue;
        }
        let key = SigningKey::load(&path)?;
        keys.push(DatedKey::new(key, signs_from(&path), Some(path)));
    }
    keys.sort_by(|one, other| (one.signs_from, one.key.name()).cmp(&(other.signs_from, other.key.name())));
    Ok(keys)
}

/// The instant in a file's name; a file of another name signs since ever.
fn signs_from(path: &Path) -> Timestamp {
    path.file_stem()
        .and_then(OsStr::to_str)
        .and_then(|name| name.split('-').next())
        .and_then(|instant| instant.parse().ok())
        .unwrap_or(Timestamp::MIN)
}

/// Writes a new key under a name that nobody reads and gives it its own when it is whole.
fn write_new(folder: &Path, signs_from: Timestamp) -> Result<String, KeyError> {
    let key = SigningKey::generate()?;
    let instant = signs_from.strftime(INSTANT);
    let path = folder.join(format!("{instant}-{}.pem", key.name()));
    let draft = folder.join(format!("{:032x}.draft", u128::from_be_bytes(random::bytes()?)));
    key.write(&draft).map_err(|cause| failed(&draft, cause))?;
    std::fs::rename(&draft, &path).map_err(|cause| failed(&path, cause))?;
    Ok(key.name().to_owned())
}

#[cfg(test)]
mod tests;
