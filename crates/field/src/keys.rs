//! Keys on the device: its own, and those by which people sign, sealed under their short code.
//!
//! A short code alone opens nothing: the key that it makes also rests on a secret of this device, which lies in a file
//! of its own, so that a copy of the database is worth nothing elsewhere. An attempt is counted before the code is
//! tried; each failure doubles the wait, and the tenth destroys the sealed key. Random bytes are handed in.

mod secret;
mod signer;

pub use secret::{DeviceSecret, SECRET_BYTES};
pub use signer::{
    FAILURES_AT_MOST, NewSigner, OpenKey, Randomness, Signer, doubt, open, seal, signer, signers, trust,
};

use aws_lc_rs::signature::{Ed25519KeyPair, KeyPair};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;

/// Shortest code.
pub const CODE_DIGITS: usize = 6;
/// Longest code.
const MOST_DIGITS: usize = 12;

/// What can be wrong with keys and codes.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum KeyProblem {
    /// Not a code that somebody would have to guess.
    #[error("a short code has 6 to 12 digits that are neither all the same nor counted up or down")]
    WeakCode,
    /// Too soon after a wrong code.
    #[error("wait {seconds} s before the next attempt")]
    TooSoon {
        /// Seconds.
        seconds: u64,
    },
    /// The code is wrong.
    #[error("the short code is wrong; {left} attempts are left")]
    WrongCode {
        /// How many.
        left: u32,
    },
    /// No key is left to open.
    #[error("sign in on this device again with e-mail and password: `clampward-field sign-in`")]
    SignInAgain,
    /// Nobody by that name has signed in here.
    #[error("{0} has not signed in on this device: run `clampward-field sign-in {0}` while it has a network")]
    Unknown(String),
    /// The secret of this device is missing or another one.
    #[error(
        "the secret of this device is missing or damaged: `clampward-field export` what is unsent, then enrol a new device in a new folder"
    )]
    NoSecret,
    /// The cryptographic library refused.
    #[error("the cryptographic library refused")]
    Refused,
}

/// Whether a code may be chosen.
pub fn check_code(code: &str) -> Result<(), KeyProblem> {
    let digits = code.as_bytes();
    let length = CODE_DIGITS..=MOST_DIGITS;
    if !length.contains(&digits.len()) || !digits.iter().all(u8::is_ascii_digit) {
        return Err(KeyProblem::WeakCode);
    }
    let steps: Vec<i16> = digits
        .iter()
        .zip(digits.iter().skip(1))
        .map(|(one, next)| (i16::from(*next) - i16::from(*one)).rem_euclid(10))
        .collect();
    let runs = [0, 1, 9]
        .iter()
        .any(|step| steps.iter().all(|other| other == step));
    if runs { Err(KeyProblem::WeakCode) } else { Ok(()) }
}

/// An Ed25519 key made from its seed.
fn pair(seed: &[u8; 32]) -> Result<Ed25519KeyPair, KeyProblem> {
    Ed25519KeyPair::from_seed_unchecked(seed).map_err(|_| KeyProblem::Refused)
}

/// The public half of a seed's key: base64url without padding.
pub(crate) fn public_key(seed: &[u8; 32]) -> Result<String, KeyProblem> {
    Ok(encode(pair(seed)?.public_key().as_ref()))
}

/// Signs with a seed's key: base64url without padding.
pub(crate) fn sign(seed: &[u8; 32], bytes: &[u8]) -> Result<String, KeyProblem> {
    Ok(encode(pair(seed)?.sign(bytes).as_ref()))
}

/// base64url without padding.
pub(crate) fn encode(bytes: &[u8]) -> String {
    URL_SAFE_NO_PAD.encode(bytes)
}

/// Bytes of a length out of base64url.
pub(crate) fn decode<const N: usize>(text: &str) -> Result<[u8; N], KeyProblem> {
    URL_SAFE_NO_PAD
        .decode(text)
        .ok()
        .and_then(|bytes| bytes.try_into().ok())
        .ok_or(KeyProblem::NoSecret)
}

#[cfg(test)]
mod tests;
