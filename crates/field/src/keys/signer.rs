//! People's signing keys on this device: sealed, opened for one entry, destroyed after too many wrong codes.

use super::secret::possession;
use super::{DeviceSecret, KeyProblem, check_code, decode, encode, public_key, sign};
use crate::clock::Moment;
use crate::database::Database;
use crate::failure::{Done, Failure};
use crate::journal::{count, whole};
use argon2::{Algorithm, Argon2, Params, Version};
use aws_lc_rs::aead::{Aad, CHACHA20_POLY1305, LessSafeKey, Nonce, UnboundKey};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_domain::entry::{Signature, ToBeSigned};
use clampward_domain::ids::{DeviceId, PersonId};
use clampward_wire::sync::device::SigningKey;
use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, Row, params};
use serde::Serialize;
use uuid::Uuid;

/// Wrong codes in a row after which the sealed key is destroyed.
pub const FAILURES_AT_MOST: u32 = 10;
/// Longest wait between attempts.
const LONGEST_WAIT_SECONDS: u64 = 900;
/// Argon2id with 19 MiB and two passes: the least that OWASP's Password Storage Cheat Sheet advises (from memory). The
/// device's secret carries the weight; this slows down whoever has both.
const MEMORY_KIB: u32 = 19 * 1024;
const PASSES: u32 = 2;

/// A person who signed in on this device.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Signer {
    /// Who.
    pub person_id: PersonId,
    /// How they sign in.
    pub email: String,
    /// Their name.
    pub name: String,
    /// Their key on this device.
    pub key_id: Uuid,
    /// Until when entries may be signed with it.
    pub expires_at: Timestamp,
    /// Wrong codes in a row.
    pub failed: u32,
}

/// Randomness for a new key.
#[derive(Clone, Copy)]
pub struct Randomness {
    /// Seed of the key.
    pub seed: [u8; 32],
    /// Salt of the code.
    pub salt: [u8; 16],
    /// Nonce of the seal.
    pub nonce: [u8; 12],
}

/// A key that was made and is not sealed yet.
pub struct NewSigner {
    random: Randomness,
}

/// A key that was opened for the entry at hand.
pub struct OpenKey {
    /// Whose.
    pub person_id: PersonId,
    key_id: Uuid,
    seed: [u8; 32],
}

impl NewSigner {
    /// A key of these random bytes.
    pub const fn new(random: Randomness) -> Self {
        Self { random }
    }
    /// Its public half.
    pub fn public_key(&self) -> Result<String, KeyProblem> {
        public_key(&self.random.seed)
    }
    /// Proof that whoever has it made it for this device and person.
    pub fn possession(&self, device: DeviceId, person: PersonId) -> Result<String, KeyProblem> {
        sign(&self.random.seed, possession(device, person).as_bytes())
    }
}

impl OpenKey {
    /// Signs an entry.
    pub fn sign(&self, entry: &ToBeSigned<'_>) -> Done<Signature> {
        Ok(Signature {
            key_id: self.key_id,
            value: sign(&self.seed, &entry.bytes()?)?,
        })
    }
}

/// From here on the service may have ended a person's key: it is about to be asked for another one, and the answer may
/// be lost. Until one is sealed nobody signs with what may be worth nothing, and is told that they signed. Answers whether
/// it was in doubt already.
pub fn doubt(connection: &Connection, person: PersonId) -> Done<bool> {
    let before: Option<bool> = connection
        .query_row(
            "select in_doubt from signer where person_id = ?1",
            params![person.to_string()],
            |row| row.get(0),
        )
        .optional()?;
    set_doubt(connection, person, true)?;
    Ok(before.unwrap_or(false))
}

/// The service refused to make another key: the one before is what it was, unless it was in doubt before that.
pub fn trust(connection: &Connection, person: PersonId) -> Done {
    set_doubt(connection, person, false)
}

fn set_doubt(connection: &Connection, person: PersonId, in_doubt: bool) -> Done {
    connection.execute(
        "update signer set in_doubt = ?2 where person_id = ?1",
        params![person.to_string(), in_doubt],
    )?;
    Ok(())
}

/// The key that a code and this device make.
fn sealing_key(secret: &DeviceSecret, code: &str, salt: &[u8; 16]) -> Result<LessSafeKey, KeyProblem> {
    let parameters = Params::new(MEMORY_KIB, PASSES, 1, Some(32)).map_err(|_| KeyProblem::Refused)?;
    let argon2 = Argon2::new_with_secret(secret.pepper(), Algorithm::Argon2id, Version::V0x13, parameters)
        .map_err(|_| KeyProblem::Refused)?;
    let mut key = [0; 32];
    argon2
        .hash_password_into(code.as_bytes(), salt, &mut key)
        .map_err(|_| KeyProblem::Refused)?;
    let key = UnboundKey::new(&CHACHA20_POLY1305, &key).map_err(|_| KeyProblem::Refused)?;
    Ok(LessSafeKey::new(key))
}

/// What a seal belongs to: nobody can put one in another's place.
fn belongs_to(device: DeviceId, person: PersonId, key_id: Uuid) -> Aad<Vec<u8>> {
    Aad::from(format!("clampward-field-seal-v1\n{device}\n{person}\n{key_id}").into_bytes())
}

/// Seals a new key under a person's code and keeps it; an older one of the same person goes.
pub fn seal(
    database: &mut Database,
    secret: &DeviceSecret,
    new: &NewSigner,
    key: &SigningKey,
    email: &str,
    name: &str,
    code: &str,
) -> Done {
    check_code(code)?;
    let mut sealed = new.random.seed.to_vec();
    sealing_key(secret, code, &new.random.salt)?
        .seal_in_place_append_tag(
            Nonce::assume_unique_for_key(new.random.nonce),
            belongs_to(key.device_id, key.person_id, key.id),
            &mut sealed,
        )
        .map_err(|_| KeyProblem::Refused)?;
    database.write(|connection| {
        connection.execute(
            "insert or replace into signer (person_id, email, name, key_id, expires_at, salt, nonce, sealed, failed)
             values (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, 0)",
            params![
                key.person_id.to_string(),
                email,
                name,
                key.id.to_string(),
                key.expires_at.to_string(),
                encode(&new.random.salt),
                encode(&new.random.nonce),
                encode(&sealed),
            ],
        )?;
        Ok(())
    })
}

const COLUMNS: &str = "person_id, email, name, key_id, expires_at, failed, salt, nonce, sealed, waits_boot, waits_until_ms, in_doubt";

struct SignerRow {
    texts: [String; 5],
    failed: u32,
    salt: String,
    nonce: String,
    sealed: String,
    waits_boot: Option<String>,
    waits_until_ms: Option<i64>,
    in_doubt: bool,
}

fn raw(row: &Row<'_>) -> rusqlite::Result<SignerRow> {
    Ok(SignerRow {
        texts: [row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?],
        failed: row.get(5)?,
        salt: row.get(6)?,
        nonce: row.get(7)?,
        sealed: row.get(8)?,
        waits_boot: row.get(9)?,
        waits_until_ms: row.get(10)?,
        in_doubt: row.get(11)?,
    })
}

fn read(row: &SignerRow) -> Done<Signer> {
    let [person, email, name, key, expires] = &row.texts;
    Ok(Signer {
        person_id: person
            .parse()
            .map_err(|error| Failure::unreadable("id of a person", error))?,
        email: email.clone(),
        name: name.clone(),
        key_id: key
            .parse()
            .map_err(|error| Failure::unreadable("id of a signing key", error))?,
        expires_at: expires
            .parse()
            .map_err(|error| Failure::unreadable("end of a signing key", error))?,
        failed: row.failed,
    })
}

/// Everybody who signed in on this device.
pub fn signers(connection: &Connection) -> Done<Vec<Signer>> {
    let mut statement = connection.prepare(&format!("select {COLUMNS} from signer order by email"))?;
    let rows = statement.query_map([], raw)?;
    rows.map(|row| read(&row?)).collect()
}

/// The person with an e-mail address; the only one, if none is named.
pub fn signer(connection: &Connection, email: Option<&str>) -> Done<Signer> {
    let all = signers(connection)?;
    match (email, all.as_slice()) {
        (Some(email), all) => all
            .iter()
            .find(|signer| signer.email.eq_ignore_ascii_case(email))
            .cloned()
            .ok_or_else(|| KeyProblem::Unknown(email.to_owned()).into()),
        (None, [one]) => Ok(one.clone()),
        (None, []) => Err(Failure::refused(
            "nobody has signed in on this device: run `clampward-field sign-in <email>` while it has a network",
        )),
        (None, _) => Err(Failure::refused(
            "several people have signed in on this device: say who you are with `--as <email>`",
        )),
    }
}

/// How long to wait after so many wrong codes in a row.
fn wait_seconds(failed: u32) -> u64 {
    match failed.checked_sub(1) {
        None => 0,
        Some(doublings) => (1_u64 << doublings.min(20)).min(LONGEST_WAIT_SECONDS),
    }
}

/// Counts an attempt, if one may be made now. Two that are made at once are counted one after the other.
fn attempt(connection: &Connection, person: PersonId, now: &Moment) -> Done<Result<SignerRow, KeyProblem>> {
    let row = connection
        .query_row(
            &format!("select {COLUMNS} from signer where person_id = ?1"),
            params![person.to_string()],
            raw,
        )
        .optional()?;
    let Some(mut row) = row else {
        return Ok(Err(KeyProblem::SignInAgain));
    };
    if row.sealed.is_empty() || row.in_doubt || row.failed >= FAILURES_AT_MOST {
        return Ok(Err(KeyProblem::SignInAgain));
    }
    let boot = now.boot.to_string();
    if row.failed > 0 && row.waits_boot.as_deref() != Some(boot.as_str()) {
        // The device was restarted: the wait begins again.
        let seconds = wait_seconds(row.failed);
        wait(connection, person, now, seconds)?;
        return Ok(Err(KeyProblem::TooSoon { seconds }));
    }
    let until = row.waits_until_ms.map_or(0, count);
    if row.failed > 0 && now.monotonic_ms < until {
        let seconds = (until - now.monotonic_ms).div_ceil(1000);
        return Ok(Err(KeyProblem::TooSoon { seconds }));
    }
    row.failed = row.failed.saturating_add(1);
    connection.execute(
        "update signer set failed = ?2 where person_id = ?1",
        params![person.to_string(), row.failed],
    )?;
    wait(connection, person, now, wait_seconds(row.failed))?;
    Ok(Ok(row))
}

/// Opens a person's key with their code. The attempt is on the disk before the code is tried.
pub fn open(
    database: &mut Database,
    secret: &DeviceSecret,
    device: DeviceId,
    person: PersonId,
    code: &str,
    now: &Moment,
) -> Done<OpenKey> {
    let row = database.write(|connection| attempt(connection, person, now))??;
    let signer = read(&row)?;
    let failed = row.failed;
    let mut sealed = URL_SAFE_NO_PAD
        .decode(&row.sealed)
        .map_err(|error| Failure::unreadable("a sealed key", error))?;
    let opened = sealing_key(secret, code, &decode(&row.salt)?)?
        .open_in_place(
            Nonce::assume_unique_for_key(decode(&row.nonce)?),
            belongs_to(device, person, signer.key_id),
            &mut sealed,
        )
        .ok()
        .and_then(|seed| <[u8; 32]>::try_from(&*seed).ok());
    match opened {
        Some(seed) => {
            database.write(|connection| {
                connection.execute(
                    "update signer set failed = 0, waits_boot = null, waits_until_ms = null where person_id = ?1",
                    params![person.to_string()],
                )?;
                Ok(())
            })?;
            Ok(OpenKey {
                person_id: person,
                key_id: signer.key_id,
                seed,
            })
        }
        None if failed >= FAILURES_AT_MOST => {
            database.write(|connection| {
                connection.execute(
                    "update signer set sealed = '' where person_id = ?1",
                    params![person.to_string()],
                )?;
                Ok(())
            })?;
            Err(KeyProblem::SignInAgain.into())
        }
        None => Err(KeyProblem::WrongCode {
            left: FAILURES_AT_MOST.saturating_sub(failed),
        }
        .into()),
    }
}

fn wait(connection: &Connection, person: PersonId, now: &Moment, seconds: u64) -> Done {
    let until = now.monotonic_ms.saturating_add(seconds.saturating_mul(1000));
    connection.execute(
        "update signer set waits_boot = ?2, waits_until_ms = ?3 where person_id = ?1",
        params![person.to_string(), now.boot.to_string(), whole(until)?],
    )?;
    Ok(())
}
