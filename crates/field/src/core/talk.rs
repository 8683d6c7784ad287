//! What the state machine hears and says.

use crate::journal::Acknowledgement;
use clampward_domain::ids::{ClampId, EntryId, YardId};
use clampward_wire::sync::pull::{
    Changes, Receipt, Receipts, SnapshotEnd, SnapshotHead, SnapshotLine, SyncConfig, YardChanges,
};
use clampward_wire::sync::push::PushOutcome;
use jiff::Timestamp;
use serde::Serialize;
use serde_json::Value;

/// A question to the service.
#[derive(Clone, Debug, PartialEq)]
pub enum Request {
    /// What it allows.
    Config,
    /// Which entries of this device it has.
    Receipts {
        /// Those counted under this number of the device.
        device_number: u32,
        /// The first `device_seq` asked about.
        from: u64,
    },
    /// Take these entries.
    Push {
        /// In the order in which they are sent; results come in the same.
        entries: Vec<EntryId>,
        /// The device's number that they are counted under.
        device_number: u32,
        /// How many there are still to send, these included.
        queue_length: u64,
    },
    /// What happened since.
    Changes {
        /// Yards and cursors.
        cursors: Vec<(YardId, String)>,
    },
    /// All of a yard.
    Snapshot {
        /// Which.
        yard: YardId,
        /// Only clamps after this one.
        after: Option<ClampId>,
        /// What was told before it.
        cursor: Option<String>,
    },
}

/// What the service said.
#[derive(Clone, Debug, PartialEq)]
pub enum Answer {
    /// To [`Request::Config`].
    Config(SyncConfig),
    /// To [`Request::Receipts`].
    Receipts(Receipts),
    /// To [`Request::Push`].
    Pushed(Box<Pushed>),
    /// To [`Request::Changes`].
    Changes(Changes),
    /// To [`Request::Snapshot`]: several, until one has the end.
    Snapshot(SnapshotPart),
    /// It did not do it.
    Refused(Refused),
    /// It is the service's, and this version cannot read what follows.
    Unreadable {
        /// Why.
        detail: String,
    },
}

/// What became of a push, as far as a device goes by it.
#[derive(Clone, Debug, PartialEq)]
pub struct Pushed {
    /// What became of entries.
    pub results: Vec<Became>,
    /// What was recorded up to here outlives the loss of the machine.
    pub stable_position: u64,
    /// Highest `device_seq` that the service has.
    pub received_to: u64,
    /// Ranges below it that never arrived.
    pub missing: Vec<(u64, u64)>,
    /// The service's clock.
    pub server_time: Timestamp,
    /// A new number for this device.
    pub device_number: Option<u32>,
    /// Seconds to wait before the next push.
    pub wait_seconds: Option<u32>,
}

/// What became of one entry: what a device goes by, and everything as it came, for people to read.
#[derive(Clone, Debug, PartialEq)]
pub struct Became {
    /// Its place in the batch.
    pub index: u32,
    /// Its id.
    pub id: Option<EntryId>,
    /// What became of it; nothing, if this version does not know the word.
    pub outcome: Option<PushOutcome>,
    /// Its position in the ledger.
    pub position: Option<u64>,
    /// The answer as it came.
    pub raw: Value,
}

/// A part of a snapshot as it comes.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SnapshotPart {
    /// The first line, with the first part.
    pub head: Option<SnapshotHead>,
    /// Lines.
    pub lines: Vec<SnapshotLine>,
    /// The last line, with the last part.
    pub end: Option<SnapshotEnd>,
}

/// The service did not do what was asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// HTTP status.
    pub status: u16,
    /// The problem's code; empty if it was none of the service's problems.
    pub code: String,
    /// The problem's words.
    pub detail: String,
    /// When to ask again.
    pub retry_after_seconds: Option<u64>,
}

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Event {
    /// Begin.
    Begin,
    /// An answer came.
    Answered {
        /// To which question.
        request: u64,
        /// The answer.
        answer: Answer,
    },
    /// The connection broke, or nothing came in time.
    Lost {
        /// Which question.
        request: u64,
    },
    /// The wait is over.
    Timer,
}

/// What to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Action {
    /// Ask this.
    Send {
        /// Under this number.
        request: u64,
        /// The question.
        what: Request,
    },
    /// Store this, in one transaction, before anything else is done.
    Store(Store),
    /// Show this.
    Show(Progress),
    /// Say [`Event::Timer`] after this time.
    Wait {
        /// Milliseconds.
        milliseconds: u64,
    },
    /// The run is over.
    Finished(Box<Report>),
}

/// What to store. Each is one transaction.
#[derive(Clone, Debug, PartialEq)]
pub enum Store {
    /// The service's clock, as the answer just received told it.
    Contact(Timestamp),
    /// What became of entries; and a new number of the device with what is counted anew under it.
    Pushed {
        /// Results.
        results: Vec<Acknowledgement>,
        /// The service's clock.
        at: Timestamp,
        /// The highest `device_seq` acknowledged, under which number.
        acknowledged: Option<(u32, u64)>,
        /// The new number.
        renumbered: Option<(u32, Vec<(EntryId, u64)>)>,
    },
    /// What the service says it has.
    Receipts {
        /// The receipts.
        receipts: Vec<Receipt>,
        /// What is recorded up to here outlives the loss of the machine, as the same answer says.
        stable_position: u64,
    },
    /// It did not say whether it still has what it acknowledged.
    NoReceipts,
    /// How many entries go in one push from now on, also in the next run.
    Batch(usize),
    /// An entry did not get through by itself: from now on it goes after all others.
    PutOff(EntryId),
    /// Positions known so far belong to a history that may not be the service's any more.
    OtherHistory {
        /// Entries that are offered again.
        again: Vec<EntryId>,
    },
    /// Drop what the service can no longer lose, as it said in this run of every entry that is kept.
    Purge,
    /// A page of changes, and its cursor.
    Page(Box<YardChanges>),
    /// A yard is not the device's any more.
    DropYard(YardId),
    /// A snapshot begins.
    ShadowBegin {
        /// The yard.
        yard: YardId,
        /// Its first line.
        head: SnapshotHead,
    },
    /// Lines of it.
    ShadowLines {
        /// The yard.
        yard: YardId,
        /// The lines.
        lines: Vec<SnapshotLine>,
    },
    /// What was stored of a snapshot is of no use.
    ShadowDrop(YardId),
    /// The snapshot is whole: it takes the place of what is known of the yard.
    Swap(YardId),
}

/// How far the run is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(tag = "doing", rename_all = "snake_case")]
pub enum Progress {
    /// Entries acknowledged, of so many.
    Pushing {
        /// Acknowledged.
        done: u64,
        /// Of.
        of: u64,
    },
    /// Rows pulled.
    Pulling {
        /// So far.
        rows: u64,
    },
    /// Clamps of a yard's snapshot.
    Snapshot {
        /// The yard.
        yard: YardId,
        /// So far.
        clamps: u64,
    },
}

/// What stood in the way.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Trouble {
    /// Stable code.
    pub code: TroubleCode,
    /// In words.
    pub detail: String,
}

/// Codes of [`Trouble`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TroubleCode {
    /// The service could not be reached, or was too busy.
    NotReached,
    /// It does not let this device in.
    NotAllowed,
    /// It hands out a form that this version does not know.
    ClientTooOld,
    /// Entries that it does not take and does not name a reason for, one by one.
    NotTaken,
    /// A yard that cannot be followed.
    NotFollowed,
}

/// What a run came to.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
pub struct Report {
    /// Whether the service answered at all.
    pub reached: bool,
    /// Entries that are in the ledger now.
    pub recorded: u64,
    /// Entries that a person has to place.
    pub held: u64,
    /// Entries whose id was used for other content.
    pub refused: u64,
    /// Entries that are still unsent.
    pub left: u64,
    /// Rows pulled.
    pub rows: u64,
    /// Clamps out of snapshots.
    pub clamps: u64,
    /// Yards that are new.
    pub gained: Vec<YardId>,
    /// Yards that are gone.
    pub lost: Vec<YardId>,
    /// The service's history is another one: everything that was kept was offered again.
    pub resynchronised: bool,
    /// The number this device goes on under, because another one uses the old.
    pub device_number: Option<u32>,
    /// What to know.
    pub notes: Vec<String>,
    /// What stood in the way.
    pub troubles: Vec<Trouble>,
}

impl Report {
    pub(super) fn trouble(&mut self, code: TroubleCode, detail: &str) {
        let trouble = Trouble {
            code,
            detail: detail.to_owned(),
        };
        if !self.troubles.contains(&trouble) {
            self.troubles.push(trouble);
        }
    }
    pub(super) fn note(&mut self, detail: &str) {
        self.notes.push(detail.to_owned());
    }
    /// Whether everything was done.
    pub fn is_complete(&self) -> bool {
        self.reached && self.troubles.is_empty() && self.left == 0
    }
}
