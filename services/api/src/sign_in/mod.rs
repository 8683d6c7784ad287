//! Sign-in: passwords, access tokens and the sessions that renew them.
//!
//! Devices prove themselves by what their own keys signed.
//! Access tokens name the person, their session and the version of their grants; yards, roles and whether the session
//! goes on are read with every request and never carried. Passwords and refresh tokens are kept as digests only.

mod assertion;
pub mod ed25519;
mod familiar;
mod key_ring;
mod keys;
mod password_rules;
mod passwords;
mod queue;
mod session;
mod tokens;
mod turns;

pub use assertion::{Assertion, AssertionRefusal, MAX_ASSERTION_BYTES};
pub use key_ring::{KeyRing, PUBLISHED_HOURS, Replacement, replace_key};
pub use keys::{KeyError, SigningKey};
pub use password_rules::{MAX_PASSWORD_CHARS, MIN_PASSWORD_CHARS, check_password};
pub use passwords::{HashError, Hasher, generate_password};
pub use queue::{Guest, Origin, Place};
pub use session::{SESSION_HOURS, TokenAnswer, renew, sign_in};
pub use tokens::{
    ACCESS_TOKEN_SECONDS, AccessToken, Claims, IssueError, MAX_TOKEN_BYTES, Refusal, Subject, Tokens,
};
pub use turns::{Crowded, Turn};
