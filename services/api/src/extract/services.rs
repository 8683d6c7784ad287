//! What every request may need, behind the extractors.

use crate::config::Limits;
use crate::photos::Photos;
use crate::quota::Quotas;
use crate::readiness::Readiness;
use crate::sign_in::{Hasher, Tokens};
use crate::waiting::Waiting;
use clampward_store::Store;
use std::sync::Arc;

/// The store and sign-in of one worker. Its contents are reachable through the extractors only.
#[derive(Clone)]
pub struct Services {
    pub(super) store: Store,
    pub(super) tokens: Arc<Tokens>,
    pub(super) hasher: Arc<Hasher>,
    pub(super) quotas: Arc<Quotas>,
    pub(super) readiness: Arc<Readiness>,
    pub(super) waiting: Arc<Waiting>,
    pub(super) photos: Arc<Photos>,
    pub(super) limits: Limits,
}

impl Services {
    /// Puts them together.
    pub fn new(
        store: Store,
        tokens: Arc<Tokens>,
        hasher: Arc<Hasher>,
        quotas: Arc<Quotas>,
        readiness: Arc<Readiness>,
        waiting: Arc<Waiting>,
        photos: Arc<Photos>,
        limits: Limits,
    ) -> Self {
        Self {
            store,
            tokens,
            hasher,
            quotas,
            readiness,
            waiting,
            photos,
            limits,
        }
    }
}
