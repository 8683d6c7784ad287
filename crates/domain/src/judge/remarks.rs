//! What the author of an entry is told.

use crate::crediting::{Known, NotCredited, Starts, credit};
use crate::entry::{Body, Entry, Inspected};
use crate::finding::judge_inspection;
use crate::fold::{ClampState, Evidence};
use crate::ids::LockoutId;
use crate::lockout::Lockout;
use crate::reference::Reference;
use crate::words::{Component, Grade, LockoutReason};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

/// What an inspection came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Complete, and nothing bars.
    Accepted,
    /// A finding bars or will bar.
    Rejected,
    /// Mandatory criteria have no answer.
    Incomplete,
}

/// A lock-out that the entry opened.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct OpenedLockout {
    /// Its id, to be named by whoever answers or releases it.
    pub id: LockoutId,
    /// The criterion, for findings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub criterion: Option<String>,
    /// The reason, for everything else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<LockoutReason>,
    /// The part.
    pub component: Component,
    /// How bad.
    pub grade: Grade,
    /// It bars from here on.
    pub bars_from: Timestamp,
}

impl From<&Lockout> for OpenedLockout {
    fn from(lockout: &Lockout) -> Self {
        Self {
            id: lockout.id,
            criterion: lockout.criterion.clone(),
            reason: lockout.reason,
            component: lockout.component,
            grade: lockout.grade,
            bars_from: lockout.bars_from,
        }
    }
}

/// Something to know about an entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Remark {
    /// Stable code.
    pub code: RemarkCode,
    /// In words.
    pub detail: String,
}

/// Codes of [`Remark`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum RemarkCode {
    /// The clamp stays tagged out.
    StillTaggedOut,
    /// A return waits for evidence or a second person.
    ReleaseNotSupportedYet,
    /// The clamp was used while a lock-out barred it.
    UsedWhileNotFit,
    /// The heaviest load of the period is not known.
    LoadNotKnown,
    /// A measurement overruled the inspector's tick.
    MeasurementOverruled,
    /// The entry tells of a time before others that are known.
    BackEntry,
    /// The told time lay ahead of the server's.
    ClockAhead,
    /// The told time was corrected by the device's measured offset.
    ClockCorrected,
    /// The place is in doubt: two yards have the clamp.
    PlaceInDoubt,
    /// It is not taken for the word of who did it: it restricts, but is not credited and releases nothing.
    NotSigned,
    /// What the device judged by does not exist, does not fit together or is none of the device's yards; it is judged by
    /// what is in force.
    JudgedAnew,
    /// It was judged by a yard in which the clamp had not been by then, or by a model that it is not shown to be: it
    /// restricts, but is not credited and releases nothing.
    JudgedElsewhere,
    /// Another device uses the same numbers: this one may be a copy.
    DeviceForked,
    /// Photos that it cites have not arrived yet.
    PhotosPending,
}

/// What an entry came to. Stored with it; a retry gets the same.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Outcome {
    /// Of an inspection.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub verdict: Option<Verdict>,
    /// Whether an inspection is credited.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub credited: Option<bool>,
    /// The clocks that it starts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub starts: Option<Starts>,
    /// Why it is not credited: every reason.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_credited: Vec<NotCredited>,
    /// Lock-outs that it opened.
    #[serde(default)]
    pub opened: Vec<OpenedLockout>,
    /// Lock-outs that it closed.
    #[serde(default)]
    pub closed: Vec<LockoutId>,
    /// What else to know.
    #[serde(default)]
    pub remarks: Vec<Remark>,
}

/// What to tell the author.
pub(super) fn outcome(
    before: &ClampState,
    after: &ClampState,
    entry: &Entry,
    evidence: &Evidence,
    reference: &Reference,
) -> Outcome {
    let was_open = |id: &LockoutId| before.lockouts.get(id).is_some_and(Lockout::is_open);
    // A late entry can also open what others lead to (use of a clamp that was barred), or take a closing back.
    let opened = after.lockouts.values().filter(|lockout| {
        lockout.opened_by_entry == entry.id || (lockout.is_open() && !was_open(&lockout.id))
    });
    // After a fold of the whole set the state also holds what was closed long ago.
    let closed = after.lockouts.values().filter(|lockout| {
        !lockout.is_open() && (was_open(&lockout.id) || lockout.opened_by_entry == entry.id)
    });
    let mut outcome = Outcome {
        opened: opened.map(OpenedLockout::from).collect(),
        closed: closed.map(|lockout| lockout.id).collect(),
        ..Outcome::default()
    };
    let mut remark = |code, detail: &str| {
        outcome.remarks.push(Remark {
            code,
            detail: detail.to_owned(),
        })
    };
    if before.last.is_some_and(|last| entry.order() < last) {
        remark(
            RemarkCode::BackEntry,
            "it tells of a time before other entries of this clamp",
        );
    }
    if let Some(elsewhere) = after.elsewhere(entry).filter(|_| entry.may_count()) {
        let detail = format!(
            "{}: it restricts, but is not credited and releases nothing",
            elsewhere.detail()
        );
        remark(RemarkCode::JudgedElsewhere, &detail);
    }
    match &entry.body {
        Body::Used(used) => {
            if used.heaviest_load.is_none() {
                remark(
                    RemarkCode::LoadNotKnown,
                    "the heaviest load is not known: give it where it can be known",
                );
            }
            let while_barred = outcome
                .opened
                .iter()
                .any(|opened| opened.reason == Some(LockoutReason::UsedWhileNotFit));
            let not_fit = !crate::standing::standing(before, reference, used.from.min(entry.counted_at)).fit;
            if while_barred || not_fit {
                remark(
                    RemarkCode::UsedWhileNotFit,
                    "the clamp was used while it was not fit: tell the yard lead",
                );
            }
        }
        Body::ReturnedToService(_) => {
            if after.waiting.contains_key(&entry.id) {
                remark(
                    RemarkCode::ReleaseNotSupportedYet,
                    "recorded; it waits for evidence or a second person, and the clamp stays tagged out until then",
                );
            }
        }
        Body::Registered(_)
        | Body::Inspected(_)
        | Body::TaggedOut(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::Confirmed(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Amended(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => {}
    }
    // An entry that tells of an earlier time is answered today: what is known to bar since counts.
    let latest = after.latest(entry.counted_at);
    if after
        .open_lockouts()
        .iter()
        .any(|lockout| lockout.bars_at(latest))
    {
        outcome.remarks.push(Remark {
            code: RemarkCode::StillTaggedOut,
            detail: "the clamp is tagged out: do not use it".to_owned(),
        });
    }
    if after.yards().len() > 1 {
        outcome.remarks.push(Remark {
            code: RemarkCode::PlaceInDoubt,
            detail: "two transfers stand side by side: name the one that holds with `replaces`".to_owned(),
        });
    }
    if let Body::Inspected(inspected) = &entry.body {
        inspection(
            (before, after),
            entry,
            inspected,
            evidence,
            reference,
            &mut outcome,
        );
    }
    outcome
}

fn inspection(
    (before, after): (&ClampState, &ClampState),
    entry: &Entry,
    inspected: &Inspected,
    evidence: &Evidence,
    reference: &Reference,
    outcome: &mut Outcome,
) {
    let judged = judge_inspection(entry, inspected, &before.readings, reference);
    for (finding, _) in judged.findings.iter().filter(|(_, judged)| judged.overruled) {
        outcome.remarks.push(Remark {
            code: RemarkCode::MeasurementOverruled,
            detail: format!("the measurement overrules the tick: {}", finding.criterion),
        });
    }
    let rejects = judged
        .findings
        .iter()
        .any(|(_, judged)| judged.rejected.is_some());
    outcome.verdict = Some(if rejects {
        Verdict::Rejected
    } else if judged.is_complete() {
        Verdict::Accepted
    } else {
        Verdict::Incomplete
    });
    // As the fold sees it: evidence counts from its own time on.
    let by_then: Evidence = evidence
        .iter()
        .filter(|(_, cited)| cited.order() < entry.order())
        .map(|(id, cited)| (*id, cited.clone()))
        .collect();
    match credit(
        entry,
        inspected,
        after.elsewhere(entry),
        &before.readings,
        &by_then,
        Known::Now,
        reference,
    ) {
        Ok(starts) => {
            outcome.credited = Some(true);
            outcome.starts = Some(starts);
        }
        Err(against) => {
            outcome.credited = Some(false);
            outcome.not_credited = against;
        }
    }
}
