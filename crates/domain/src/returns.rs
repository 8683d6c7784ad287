//! Returns to service: the only thing that closes a lock-out, and only one that it names.
//!
//! A release is supported when its ground's conditions hold on the cited evidence; every unmet one is named.
//! Competence counts as known when the return was signed: later knowledge only tightens. Evidence may arrive after
//! the return; reference data may not.

mod grounds;

use crate::entry::{Entry, Release};
use crate::fold::{ClampState, Evidence, Waiting};
use crate::ids::{LockoutId, YardId};
use crate::lockout::{Closing, Lockout};
use crate::reference::Reference;
use serde::{Deserialize, Serialize};

/// A condition of a release that does not hold.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Unmet {
    /// The lock-out whose release fails; none if the return as a whole does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lockout_id: Option<LockoutId>,
    /// Stable code.
    pub code: UnmetCode,
    /// In words, with what to do.
    pub detail: String,
}

macro_rules! unmet_codes {
    ($($(#[$doc:meta])* $code:ident),+ $(,)?) => {
        /// Codes of [`Unmet`].
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
        #[serde(rename_all = "snake_case")]
        pub enum UnmetCode { $($(#[$doc])* $code),+ }
    };
}

unmet_codes! {
    /// The return is not signed by its author, or was placed by hand.
    NotSigned,
    /// The return was judged by a yard in which the clamp had not been by then, or by a model that it is not shown to be.
    JudgedElsewhere,
    /// The signer was neither yard lead nor safety there when they signed.
    SignerRole,
    /// The signer was not known as a qualified person when they signed.
    SignerNotQualified,
    /// The signer made a cited repair.
    SignerMadeRepair,
    /// The clamp is issued to the signer.
    SignerTakesClamp,
    /// No lock-out of that id is known on this clamp.
    LockoutUnknown,
    /// It is closed already.
    LockoutClosed,
    /// A barring lock-out is not named.
    LockoutNotNamed,
    /// This ground does not close this kind of lock-out.
    GroundNotAllowed,
    /// No repair is cited, or it is not known, or not of this clamp.
    RepairMissing,
    /// The repair does not name the lock-out.
    RepairDoesNotAnswer,
    /// The repair did not work on that component.
    RepairOtherComponent,
    /// The repairer was not known as a repair technician.
    RepairerNotCompetent,
    /// The repair is not signed by its author.
    RepairNotSigned,
    /// A part is not of the original maker.
    ForeignPart,
    /// No statement of the maker or its authorised shop.
    StatementMissing,
    /// No inspection is cited, or it is not known, or not of this clamp.
    InspectionMissing,
    /// The inspection does not cite the repair.
    InspectionOtherRepair,
    /// The inspection is not of the needed kind.
    InspectionKind,
    /// The inspection does not name the lock-out.
    InspectionDoesNotName,
    /// The inspection lies before what has to come first: the lock-out, the repair, the end of a hold, the finding of a
    /// lost clamp.
    InspectionTooEarly,
    /// The return lies before the lock-out it names, or before evidence it cites. It waits for ever: sign a new one.
    ReturnTooEarly,
    /// The inspection did not ask the criterion, or did not accept it.
    CriterionNotAccepted,
    /// The inspection is not credited.
    InspectionNotCredited,
    /// A proof test is demanded and none is cited.
    ProofTestMissing,
    /// The proof test failed, or its load does not support the WLL.
    ProofTestInsufficient,
    /// The proof test lies before the repair or after the inspection.
    ProofTestOrder,
    /// The settling amendment or correction is missing.
    CorrectionMissing,
    /// The author of the correction has not the standing for it.
    CorrectionAuthor,
    /// The correction cites no document.
    CorrectionDocument,
    /// A second person has not confirmed.
    SecondPersonMissing,
    /// The bulletin's inspection is missing or cites another bulletin.
    BulletinNotCited,
    /// Nothing clears it: scrap.
    NoRemedy,
}

impl Unmet {
    fn of(lockout: LockoutId, code: UnmetCode, detail: impl Into<String>) -> Self {
        Self {
            lockout_id: Some(lockout),
            code,
            detail: detail.into(),
        }
    }
    fn whole(code: UnmetCode, detail: impl Into<String>) -> Self {
        Self {
            lockout_id: None,
            code,
            detail: detail.into(),
        }
    }
}

/// Everything that speaks against the releases of a return, given what is known. Empty: each is supported.
pub fn unmet(
    state: &ClampState,
    waiting: &Waiting,
    evidence: &Evidence,
    reference: &Reference,
) -> Vec<Unmet> {
    let mut against = signer(state, waiting, evidence, reference);
    for release in &waiting.releases {
        against.extend(release_unmet(state, waiting, release, evidence, reference));
    }
    against
}

/// Barring lock-outs that a return leaves out: named so that its author sees them before signing.
pub fn left_out<'a>(state: &'a ClampState, entry: &Entry, releases: &[Release]) -> Vec<&'a Lockout> {
    // Told of an earlier time, it is signed today all the same.
    let latest = state.latest(entry.counted_at);
    state
        .open_lockouts()
        .into_iter()
        .filter(|lockout| lockout.bars_at(latest))
        .filter(|lockout| releases.iter().all(|release| release.lockout_id != lockout.id))
        .collect()
}

/// A barring lock-out that a return left out, as an unmet condition.
pub fn not_named(lockout: &Lockout) -> Unmet {
    Unmet::of(
        lockout.id,
        UnmetCode::LockoutNotNamed,
        format!(
            "{} still bars the clamp: name it with its ground, too",
            lockout.what()
        ),
    )
}

fn release_unmet(
    state: &ClampState,
    waiting: &Waiting,
    release: &Release,
    evidence: &Evidence,
    reference: &Reference,
) -> Vec<Unmet> {
    match state.lockouts.get(&release.lockout_id) {
        None => vec![Unmet::of(
            release.lockout_id,
            UnmetCode::LockoutUnknown,
            "no lock-out of this id is known on this clamp",
        )],
        Some(lockout) => match &lockout.closed {
            Some(closing) => vec![Unmet::of(
                lockout.id,
                UnmetCode::LockoutClosed,
                format!("closed already by {} at {}", closing.by_entry, closing.at),
            )],
            None => grounds::unmet(state, waiting, release, lockout, evidence, reference),
        },
    }
}

fn signer(state: &ClampState, waiting: &Waiting, evidence: &Evidence, reference: &Reference) -> Vec<Unmet> {
    use crate::words::{CompetenceKind, Role};
    let entry = &waiting.entry;
    let mut against = Vec::new();
    if !entry.may_count() {
        against.push(Unmet::whole(
            UnmetCode::NotSigned,
            "a return to service is signed by its author in person",
        ));
    }
    if let Some(elsewhere) = state.elsewhere(entry) {
        against.push(Unmet::whole(UnmetCode::JudgedElsewhere, elsewhere.detail()));
    }
    let person = reference.people.get(&entry.performed_by);
    let holds = |yard: &YardId| {
        let roles = [Role::YardLead, Role::Safety];
        person.is_some_and(|person| person.holds(&roles, *yard, entry.counted_at))
    };
    // While its place is in doubt, whoever claims it does not release it from the others.
    if ![entry.judged_by.yard_id].iter().chain(&waiting.yards).all(holds) {
        against.push(Unmet::whole(
            UnmetCode::SignerRole,
            "signed by the yard lead or the safety role of the clamp's yard only: of every yard while its place is in doubt",
        ));
    }
    let day = crate::finding::day_of(entry, reference);
    let qualified = person.is_some_and(|person| {
        person.competent_as_known(CompetenceKind::QualifiedPerson, day, entry.counted_at)
    });
    if !qualified {
        against.push(Unmet::whole(
            UnmetCode::SignerNotQualified,
            format!(
                "the signer has no competence qualified_person for {day} that was recorded before they signed"
            ),
        ));
    }
    let cited_repairs = waiting
        .releases
        .iter()
        .filter_map(|release| evidence.get(&release.repair_entry?));
    if cited_repairs
        .into_iter()
        .any(|repair| repair.performed_by == entry.performed_by)
    {
        against.push(Unmet::whole(
            UnmetCode::SignerMadeRepair,
            "nobody returns to service what they repaired",
        ));
    }
    if waiting.signer_holds_clamp {
        against.push(Unmet::whole(
            UnmetCode::SignerTakesClamp,
            "the clamp is issued to the signer: somebody else returns it to service",
        ));
    }
    against
}

/// Closes what waiting returns support by now. Called after each entry of the fold.
pub(crate) fn settle(state: &mut ClampState, evidence: &Evidence, reference: &Reference) {
    let waiting_ids: Vec<_> = state.waiting.keys().copied().collect();
    for id in waiting_ids {
        let Some(mut waiting) = state.waiting.remove(&id) else {
            continue;
        };
        let signer_stands = signer(state, &waiting, evidence, reference).is_empty();
        let mut open = Vec::new();
        for release in std::mem::take(&mut waiting.releases) {
            let unmet = release_unmet(state, &waiting, &release, evidence, reference);
            if signer_stands && unmet.is_empty() {
                close(state, &waiting.entry, &release);
            } else if !unmet.iter().any(|unmet| unmet.code == UnmetCode::LockoutClosed) {
                open.push(release);
            }
        }
        waiting.releases = open;
        if !waiting.releases.is_empty() {
            state.waiting.insert(id, waiting);
        }
    }
}

fn close(state: &mut ClampState, entry: &Entry, release: &Release) {
    let Some(lockout) = state.lockouts.get_mut(&release.lockout_id) else {
        return;
    };
    // It barred until the last piece of what supports the release: the lock-out, the return, the evidence.
    let at = state.last.map_or(entry.counted_at, |(at, _)| at);
    lockout.closed = Some(Closing {
        by_entry: entry.id,
        by: entry.performed_by,
        at,
        ground: release.ground,
    });
    state.last_closed_at = Some(state.last_closed_at.map_or(at, |last| last.max(at)));
}
