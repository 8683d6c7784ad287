//! What every request may need, behind the extractors.

use crate::config::Limits;
use crate::photos::Photos;
use crate::quota::Quotas;
use crate::readiness::Readiness;
use crate::sign_in::{Hasher, Tokens};
use crate::waiting::Waiting;
use clampward_process::targets::Targets;
use clampward_store::Store;
use std::sync::Arc;

/// The store and sign-in of one worker. The server puts it together; handlers reach its contents through the extractors only.
#[derive(Clone)]
pub struct Services {
    pub(crate) store: Store,
    pub(crate) tokens: Arc<Tokens>,
    pub(crate) hasher: Arc<Hasher>,
    pub(crate) quotas: Arc<Quotas>,
    pub(crate) readiness: Arc<Readiness>,
    pub(crate) waiting: Arc<Waiting>,
    pub(crate) photos: Arc<Photos>,
    pub(crate) webhook_targets: Arc<Targets>,
    pub(crate) limits: Limits,
}
