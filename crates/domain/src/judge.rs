//! What a new entry comes to, judged against the state before it: what speaks against recording it online, and what
//! its author is told.
//!
//! Facts that happened are recorded even when they should not have happened or do not count. A refusal is only for
//! an author who can still do otherwise: somebody signed in, asking for a return, an issue, a milder class.

mod refusals;
mod remarks;

pub use refusals::{Refusal, RefusalCode};
pub use remarks::{OpenedLockout, Outcome, Remark, RemarkCode, Verdict};

use crate::entry::Entry;
use crate::fold::{ClampState, Evidence};
use crate::reference::Reference;

/// The judgement of an entry.
#[derive(Clone, Debug, PartialEq)]
pub struct Judgement {
    /// Why it should not be recorded, for an author who is online. What was pushed is recorded all the same.
    pub refusals: Vec<Refusal>,
    /// What its author is told: fixed with the entry, the same for every retry.
    pub outcome: Outcome,
}

/// Judges `entry`. `before` is the state without it, `after` the state with it.
pub fn judge(
    before: &ClampState,
    after: &ClampState,
    entry: &Entry,
    evidence: &Evidence,
    reference: &Reference,
) -> Judgement {
    Judgement {
        refusals: refusals::refusals(before, entry, evidence, reference),
        outcome: remarks::outcome(before, after, entry, evidence, reference),
    }
}
