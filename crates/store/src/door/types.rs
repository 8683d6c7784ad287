//! What is handed in at the door and what comes back.

use clampward_domain::entry::{Alone, Body, JudgedBy, ProofTestResult};
use clampward_domain::ids::{ClampId, DeviceId, EntryId, ModelId, PersonId, YardId};
use clampward_domain::judge::Outcome;
use clampward_domain::reference::YardScope;
use clampward_domain::signing::{CLOCK_TOLERANCE, SigningKey, Unsigned};
use clampward_domain::standing::Standing;
use clampward_domain::words::{AmendmentField, EntryKind, Grade, Outcome as Finding};
use jiff::Timestamp;
use serde::Serialize;
use uuid::Uuid;

/// Most entries of one recording.
pub const MAX_ENTRIES: usize = 500;

/// Who hands entries in.
#[derive(Clone, Debug)]
pub struct Author {
    /// The person signed in, or whose device it is.
    pub person: PersonId,
    /// Whether this person signed: signed in themselves, or with their key on the device.
    pub signed: bool,
    /// The device.
    pub device: Option<DeviceId>,
    /// The yards they may write in, as granted at this moment.
    pub yards: YardScope,
}

/// What becomes of an entry that the rules refuse.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mode {
    /// Nothing of the recording is kept and the ids stay free: for people who can do something about it at once.
    Refuse,
    /// It happened, so it is recorded, and counts for what it can.
    Record,
}

/// An entry as its author wrote it.
#[derive(Clone, Debug)]
pub struct NewEntry {
    /// Its id, chosen by the author; the idempotency key for ever.
    pub id: EntryId,
    /// The clamp.
    pub clamp_id: ClampId,
    /// When it happened, as told.
    pub performed_at: Timestamp,
    /// Who did it.
    pub performed_by: PersonId,
    /// What it was judged by; if left out, what is in force for the clamp when it happened.
    pub judged_by: Option<JudgedBy>,
    /// The fact.
    pub body: Body,
}

/// Entries handed in together: judged in this order, recorded together or not at all.
#[derive(Clone, Debug)]
pub struct Recording {
    /// Who hands them in.
    pub author: Author,
    /// What becomes of one that the rules refuse.
    pub mode: Mode,
    /// The entries.
    pub entries: Vec<NewEntry>,
}

/// Whose word an entry is, as far as its signature tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Signing {
    /// It bears no signature, or not that of who did it: why.
    Unsigned(Unsigned),
    /// It bears a true signature of who did it, by a key that was theirs on this device in this time.
    Key {
        /// The key.
        id: Uuid,
        /// From here on.
        from: Timestamp,
        /// Before this.
        until: Timestamp,
    },
}

impl Signing {
    /// A true signature by this key.
    pub fn by(key: &SigningKey) -> Self {
        let until = key
            .revoked_at
            .map_or(key.expires_at, |end| end.min(key.expires_at));
        Self::Key {
            id: key.id,
            from: key
                .created_at
                .checked_sub(CLOCK_TOLERANCE)
                .unwrap_or(key.created_at),
            until,
        }
    }
}

/// What comes with an entry that was written without the service, beside its content.
#[derive(Clone, Debug)]
pub(crate) struct FromDevice {
    /// When it counts as having happened, as far as the device's clocks tell.
    pub counted_at: Timestamp,
    /// Whether that is another time than the one told.
    pub corrected: bool,
    /// Its signature.
    pub signing: Signing,
    /// Whether a person placed it by hand.
    pub placed: bool,
    /// Why it is taken for nobody's word whatever its signature says.
    pub distrusted: Option<&'static str>,
    /// The yards of which the device may tell, then or now.
    pub yards: YardScope,
    /// Whether it is known to restrict.
    pub restricts: bool,
}

/// What became of an entry.
#[derive(Clone, Debug, PartialEq)]
pub struct Recorded {
    /// Its id.
    pub id: EntryId,
    /// The clamp that it is about.
    pub clamp: ClampId,
    /// Its position in the ledger.
    pub position: u64,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// Whether it had been recorded before; the first answer stands.
    pub already: bool,
    /// Number within the clamp's history. Nothing if the clamp was not in the author's yards then.
    pub seq: Option<u64>,
    /// What it counted for when it was recorded. Nothing if the clamp was not in the author's yards then.
    pub outcome: Option<Outcome>,
    /// The clamp's standing now, in short. Nothing if the clamp is not in the author's yards; of a push, with the last entry
    /// of each clamp only.
    pub state_now: Option<Standing>,
}

/// What makes two writings under one id the same: nothing of the transport, nothing that the server adds.
#[derive(Serialize)]
pub(super) struct Content<'a> {
    clamp_id: ClampId,
    kind: EntryKind,
    performed_at: Timestamp,
    performed_by: PersonId,
    body: Alone<'a>,
}

impl NewEntry {
    /// Digest of the content in canonical form.
    pub(crate) fn content_hash(&self) -> Result<crate::ledger::Hash, crate::StoreError> {
        crate::ledger::content_hash(&Content {
            clamp_id: self.clamp_id,
            kind: self.body.kind(),
            performed_at: self.performed_at,
            performed_by: self.performed_by,
            body: self.body.alone(),
        })
    }
    /// The yard that the body itself names as the clamp's, and where.
    pub(super) fn named_yard(&self) -> Option<(&'static str, YardId)> {
        match &self.body {
            Body::Registered(body) => Some(("/yard_id", body.yard_id)),
            Body::Transferred(body) => Some(("/to_yard", body.to_yard)),
            Body::Inspected(_)
            | Body::TaggedOut(_)
            | Body::Repaired(_)
            | Body::ProofTested(_)
            | Body::ReturnedToService(_)
            | Body::Confirmed(_)
            | Body::Issued(_)
            | Body::Received(_)
            | Body::Classified(_)
            | Body::Amended(_)
            | Body::Used(_)
            | Body::Retired(_)
            | Body::Reassessed(_) => None,
        }
    }
    /// The model that the body itself names as the clamp's, and where.
    pub(super) fn named_model(&self) -> Option<(&'static str, ModelId)> {
        match &self.body {
            Body::Registered(body) => Some(("/model_id", body.model_id)),
            Body::Amended(body) if body.field == AmendmentField::ModelId => {
                let model = serde_json::from_value(body.value.clone()).ok()?;
                Some(("/value", model))
            }
            Body::Inspected(_)
            | Body::TaggedOut(_)
            | Body::Repaired(_)
            | Body::ProofTested(_)
            | Body::ReturnedToService(_)
            | Body::Confirmed(_)
            | Body::Transferred(_)
            | Body::Issued(_)
            | Body::Received(_)
            | Body::Classified(_)
            | Body::Amended(_)
            | Body::Used(_)
            | Body::Retired(_)
            | Body::Reassessed(_) => None,
        }
    }
    /// Whether it restricts: then it is recorded whosever clamp it is.
    pub(super) fn restricts(&self) -> bool {
        restricts(&self.body)
    }
}

/// Whether a body restricts by its own words.
pub(crate) fn restricts(body: &Body) -> bool {
    match body {
        Body::TaggedOut(_) => true,
        Body::Inspected(body) => body
            .findings
            .iter()
            .any(|finding| finding.outcome == Finding::Reject),
        Body::Registered(_)
        | Body::Repaired(_)
        | Body::ProofTested(_)
        | Body::ReturnedToService(_)
        | Body::Confirmed(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Amended(_)
        | Body::Used(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => false,
    }
}

/// Whether a body may restrict a clamp, by its words or by what it comes to there: what a measurement, a load or a rating
/// means is seen only once it is judged. What is false here opens no lock-out on any clamp.
pub(crate) fn may_restrict(body: &Body) -> bool {
    match body {
        Body::TaggedOut(_) | Body::Repaired(_) => true,
        Body::Inspected(body) => body.findings.iter().any(|finding| {
            finding.outcome == Finding::Reject
                || finding.measured.is_some()
                || matches!(finding.grade, Some(Grade::Danger | Grade::DangerBy))
        }),
        // A test that was passed may have been one over the limit.
        Body::ProofTested(body) => body.result == ProofTestResult::Failed || body.maker_document.is_none(),
        Body::Used(body) => body.heaviest_load.is_some() || !body.against_stop.is_empty(),
        Body::Amended(body) => match body.field {
            AmendmentField::ForeignPart
            | AmendmentField::RetirementUndone
            | AmendmentField::Wll
            | AmendmentField::JawOpening
            | AmendmentField::ModelId => true,
            AmendmentField::AssetMark
            | AmendmentField::SerialNumber
            | AmendmentField::ManufacturedOn
            | AmendmentField::PutIntoServiceOn
            | AmendmentField::Declaration
            | AmendmentField::ExaminationScheme
            | AmendmentField::SameClampAs
            | AmendmentField::IncidentHoldEnded
            | AmendmentField::Found
            | AmendmentField::EnteredInError => false,
        },
        Body::Registered(_)
        | Body::ReturnedToService(_)
        | Body::Confirmed(_)
        | Body::Transferred(_)
        | Body::Issued(_)
        | Body::Received(_)
        | Body::Classified(_)
        | Body::Retired(_)
        | Body::Reassessed(_) => false,
    }
}
