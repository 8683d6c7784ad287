//! What the service needs to be told. Read by the binary; tests make their own.

use crate::sign_in::SigningKey;
use clampward_store::Clock;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

/// Largest body of a request after decompression.
pub const MAX_BODY_BYTES: usize = 1 << 20;
/// How long requests under way may still take when the service is told to stop.
pub const SHUTDOWN_SECONDS: u64 = 20;
/// How long a client may take to send the head of a request.
pub const CLIENT_REQUEST_TIMEOUT: Duration = Duration::from_secs(5);
/// How long an idle connection is kept.
pub const KEEP_ALIVE: Duration = Duration::from_secs(75);

/// Everything that [`crate::build`] needs.
pub struct Config {
    /// Where to listen; port 0 takes a free one.
    pub listen: SocketAddr,
    /// The service's own database sign-in.
    pub database_url: String,
    /// Most database connections per worker and role.
    pub connections_per_worker: u32,
    /// Worker threads.
    pub workers: usize,
    /// Signs access tokens.
    pub signing_key: SigningKey,
    /// Issuer of the tokens: the address under which people know the service.
    pub issuer: String,
    /// Where the time comes from.
    pub clock: Arc<dyn Clock>,
    /// Limits.
    pub limits: Limits,
}

/// Limits that an installation may choose.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// How many passwords are hashed at once.
    pub hash_slots: usize,
    /// How long a one-time token to set a password is valid.
    pub set_password_hours: i64,
}

impl Default for Limits {
    fn default() -> Self {
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        Self {
            hash_slots: cores,
            set_password_hours: 72,
        }
    }
}
