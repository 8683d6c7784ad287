//! What the service needs to be told. Read by the binary; tests make their own.

use crate::limits;
use crate::photos::Photos;
use crate::sign_in::KeyRing;
use clampward_process::targets::Targets;
use clampward_store::Clock;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

/// Everything that [`crate::build`] needs.
pub struct Config {
    /// Where to listen; port 0 takes a free one.
    pub listen: SocketAddr,
    /// Where the counters are read, if anywhere: never an address that the world reaches.
    pub metrics_listen: Option<SocketAddr>,
    /// The service's own database sign-in.
    pub database_url: String,
    /// The standby that must have what was recorded before devices may forget it.
    pub standby: Option<String>,
    /// Most database connections per worker and role.
    pub connections_per_worker: u32,
    /// Worker threads.
    pub workers: usize,
    /// Sign access tokens.
    pub signing_keys: Arc<KeyRing>,
    /// Issuer of the tokens: the address under which people know the service.
    pub issuer: String,
    /// Where photos are kept.
    pub photos: Arc<Photos>,
    /// Where events may be delivered to; the worker is told the same.
    pub webhook_targets: Arc<Targets>,
    /// Where the time comes from.
    pub clock: Arc<dyn Clock>,
    /// Limits.
    pub limits: Limits,
}

/// Limits that an installation may choose; [`crate::limits`] says what each bounds.
#[derive(Clone, Copy, Debug)]
pub struct Limits {
    /// How many passwords are hashed at once.
    pub hash_slots: usize,
    /// How long a one-time token to set a password is valid.
    pub set_password_hours: i64,
    /// How long a request may take.
    pub request: Duration,
    /// How long `/readyz` says that the service stops before it does.
    pub drain: Duration,
    /// Exports under way.
    pub exports: usize,
    /// Lists and reports under way.
    pub lists: usize,
    /// Sign-ins under way.
    pub sign_ins: usize,
    /// Writes under way.
    pub writes: usize,
    /// Fitness questions, lift checks and tag-outs under way.
    pub fitness: usize,
    /// Requests of one person or service account at once, and within [`Limits::quota_window`].
    pub quota: u32,
    /// How long a used-up quota takes to be whole again.
    pub quota_window: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        Self {
            hash_slots: cores,
            set_password_hours: i64::from(limits::SET_PASSWORD.number()),
            request: limits::REQUEST.duration(),
            drain: limits::DRAIN.duration(),
            exports: limits::EXPORTS.count(),
            lists: limits::LISTS.count(),
            sign_ins: limits::SIGN_INS.count(),
            writes: limits::WRITES.count(),
            fitness: limits::FITNESS.count(),
            quota: limits::QUOTA.number(),
            quota_window: limits::QUOTA_WINDOW.duration(),
        }
    }
}
