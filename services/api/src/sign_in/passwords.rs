//! Passwords: argon2id behind a bounded number of places.
//!
//! Hashing is made to be slow, so the number of hashes at once is bounded and a short queue stands before it; whoever
//! finds the queue full is told to come back. An unknown account costs the same hash as a known one.

use super::familiar::Familiar;
use super::queue::{FairQueue, Full, Guest, Origin, Place};
use super::turns::{Crowded, Turn, Turns};
use crate::random;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Algorithm, Argon2, Params, Version};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use clampward_store::people::AccountKey;
use std::sync::Arc;
use unicode_normalization::UnicodeNormalization;

/// Memory of one hash (OWASP Password Storage Cheat Sheet: 19 MiB, 2 passes, 1 lane).
const MEMORY_KIB: u32 = 19_456;
/// Passes of one hash.
const PASSES: u32 = 2;
/// Lanes of one hash.
const LANES: u32 = 1;
/// Why nothing was hashed.
#[derive(Debug, thiserror::Error)]
pub enum HashError {
    /// Every place is taken and the queue is full.
    #[error("too many passwords are being checked at once")]
    TooBusy,
    /// Others are signing in to the same account.
    #[error(transparent)]
    Crowded(#[from] Crowded),
    /// The hash function or the thread it runs on failed.
    #[error("hashing failed: {0}")]
    Failed(String),
}

impl From<Full> for HashError {
    fn from(Full: Full) -> Self {
        Self::TooBusy
    }
}

/// Hashes and verifies passwords.
pub struct Hasher {
    queue: Arc<FairQueue>,
    turns: Arc<Turns>,
    familiar: Familiar,
    dummy: String,
}

impl Hasher {
    /// A hasher with so many places.
    pub fn new(places: usize) -> Result<Self, HashError> {
        let nobody = random::bytes::<32>().map_err(|error| HashError::Failed(error.to_string()))?;
        Ok(Self {
            queue: FairQueue::new(places),
            turns: Arc::default(),
            familiar: Familiar::default(),
            dummy: hash_now(&URL_SAFE_NO_PAD.encode(nobody))?,
        })
    }
    /// One's turn at an account: one password of an account is checked at a time.
    pub async fn turn(&self, account: AccountKey) -> Result<Turn, HashError> {
        Ok(self.turns.wait(account).await?)
    }
    /// Who wants to sign in to an account.
    pub fn guest(&self, account: AccountKey, origin: Origin) -> Guest {
        Guest {
            origin,
            familiar: self.familiar.knows(account, origin),
        }
    }
    /// Somebody signed in to an account: the next time they are familiar.
    pub fn remember(&self, account: AccountKey, origin: Origin) {
        self.familiar.remember(account, origin);
    }
    /// Whether there would be no place.
    pub fn look(&self, guest: Guest) -> Result<(), HashError> {
        Ok(self.queue.look(guest)?)
    }
    /// A place to hash in.
    pub async fn place(&self, guest: Guest) -> Result<Place, HashError> {
        Ok(self.queue.enter(guest).await?)
    }
    /// The hash of a password in PHC form.
    pub async fn hash(&self, place: Place, password: String) -> Result<String, HashError> {
        in_place(place, move || hash_now(&password)).await?
    }
    /// Whether a password is the one of a hash. Without a hash (an unknown account) the answer is no, after the same
    /// work.
    pub async fn verify(
        &self,
        place: Place,
        password: String,
        hash: Option<String>,
    ) -> Result<bool, HashError> {
        let known = hash.is_some();
        let hash = hash.unwrap_or_else(|| self.dummy.clone());
        let matches = in_place(place, move || verify_now(&password, &hash)).await??;
        Ok(matches && known)
    }
    /// How many passwords wait for their check.
    pub fn waiting(&self) -> usize {
        self.queue.waiting()
    }
}

/// The place goes along with the work: a caller who hangs up does not free it before the work is done.
async fn in_place<T: Send + 'static>(
    place: Place,
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, HashError> {
    tokio::task::spawn_blocking(move || {
        let result = work();
        drop(place);
        result
    })
    .await
    .map_err(|error| HashError::Failed(error.to_string()))
}

fn argon() -> Result<Argon2<'static>, HashError> {
    let params =
        Params::new(MEMORY_KIB, PASSES, LANES, None).map_err(|error| HashError::Failed(error.to_string()))?;
    Ok(Argon2::new(Algorithm::Argon2id, Version::V0x13, params))
}

/// The same password typed on another keyboard may come in another Unicode form.
fn normal(password: &str) -> String {
    password.nfc().collect()
}

fn hash_now(password: &str) -> Result<String, HashError> {
    let salt = random::bytes::<16>().map_err(|error| HashError::Failed(error.to_string()))?;
    let hash = argon()?
        .hash_password_with_salt(normal(password).as_bytes(), &salt)
        .map_err(|error| HashError::Failed(error.to_string()))?;
    Ok(hash.to_string())
}

fn verify_now(password: &str, hash: &str) -> Result<bool, HashError> {
    let hash = PasswordHash::new(hash).map_err(|error| HashError::Failed(error.to_string()))?;
    Ok(argon()?
        .verify_password(normal(password).as_bytes(), &hash)
        .is_ok())
}

/// A password for a first sign-in, of 120 random bits, in groups that can be typed.
pub fn generate_password() -> Result<String, random::NoRandomness> {
    // 32 letters and digits without those that look alike.
    const LETTERS: &[u8; 32] = b"abcdefghjkmnpqrstuvwxyz23456789#";
    let bytes = random::bytes::<24>()?;
    let mut password = String::new();
    for (index, byte) in bytes.into_iter().enumerate() {
        if index > 0 && index % 6 == 0 {
            password.push('-');
        }
        let letter = LETTERS.get(usize::from(byte % 32)).copied().unwrap_or(b'a');
        password.push(char::from(letter));
    }
    Ok(password)
}

#[cfg(test)]
mod tests {
    use super::super::password_rules::check_password;
    use super::*;

    // Source: RFC 9106 section 5.3 (Argon2id test vector).
    #[test]
    fn argon2id_gives_the_tag_of_rfc_9106() {
        let params = argon2::ParamsBuilder::new()
            .m_cost(32)
            .t_cost(3)
            .p_cost(4)
            .data(argon2::AssociatedData::new(&[4; 12]).expect("short"))
            .build()
            .expect("params");
        let argon =
            Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params).expect("secret");
        let mut tag = [0; 32];
        argon
            .hash_password_into(&[1; 32], &[2; 16], &mut tag)
            .expect("hash");
        let hex: String = tag.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(
            hex,
            "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"
        );
    }

    // Recomputed with one other library for exactly our parameters.
    #[test]
    fn our_parameters_give_the_known_tag() {
        let mut tag = [0; 32];
        argon()
            .expect("params")
            .hash_password_into(b"password", b"somesalt12345678", &mut tag)
            .expect("hash");
        let hex: String = tag.iter().map(|byte| format!("{byte:02x}")).collect();
        assert_eq!(
            hex,
            "0c4c0b6db219194b6006e078818a24eabea136f7af619a31930310e7f2d749a5"
        );
    }

    #[test]
    fn the_same_password_in_another_unicode_form_opens() {
        let hash = hash_now("Stra\u{df}e mit \u{e9}l\u{e8}ve").expect("hash");
        assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{hash}");
        assert!(verify_now("Stra\u{df}e mit e\u{301}le\u{300}ve", &hash).expect("verify"));
        assert!(!verify_now("strasse mit eleve", &hash).expect("verify"));
    }

    #[actix_web::test]
    async fn an_unknown_account_never_opens() {
        let hasher = Hasher::new(2).expect("hasher");
        let place = hasher.place(Guest::default()).await.expect("a place");
        let opened = hasher
            .verify(place, "anything at all, really".to_owned(), None)
            .await;
        assert!(!opened.expect("verify"));
    }

    // Goal: a caller who hangs up frees no place before the work that they asked for is done. Method: the future is
    // dropped after its first look, while the work cannot end.
    #[actix_web::test]
    async fn a_place_is_taken_until_the_work_is_done_whether_the_caller_waits_or_not() {
        let hasher = Hasher::new(1).expect("hasher");
        let place = hasher.place(Guest::default()).await.expect("a place");
        let (finish, may_finish) = std::sync::mpsc::channel::<()>();
        let mut hashing = Box::pin(in_place(place, move || may_finish.recv()));
        let waker = std::task::Waker::noop();
        assert!(
            hashing
                .as_mut()
                .poll(&mut std::task::Context::from_waker(waker))
                .is_pending()
        );
        drop(hashing);
        let mut next = Box::pin(hasher.place(Guest::default()));
        assert!(
            next.as_mut()
                .poll(&mut std::task::Context::from_waker(waker))
                .is_pending()
        );
        finish.send(()).expect("the work goes on");
        assert!(next.await.is_ok());
    }

    #[test]
    fn a_generated_password_may_be_set() {
        for _ in 0..100 {
            let password = generate_password().expect("random");
            assert_eq!(check_password(&password, []), Ok(()), "{password}");
        }
    }
}
