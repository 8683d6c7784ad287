//! The synchronisation as a state machine: events in, actions out.
//!
//! It asks one question at a time, each under a number of its own; an answer to another number than the one that is
//! open is not looked at, so that answers may be lost, repeated or late. It knows no socket, no file and no clock: what
//! drives it sends, stores, shows and waits, and says what happened.
//!
//! The order of a run: what the service allows; which entries it has; push what restricts, then the rest; pull; then take
//! snapshots of yards that are new. Where the history is another one, everything is offered again that is kept, and every
//! yard is taken anew. Pushing never waits for pulling, nor pulling for pushing, nor one yard for another's snapshot.

mod pull;
mod push;
mod queue;
mod snapshot;
mod talk;

pub use queue::{Queued, QueuedState};
pub(crate) use snapshot::cursor_of;
pub use talk::{
    Action, Answer, Became, Event, Progress, Pushed, Refused, Report, Request, SnapshotPart, Store, Trouble,
    TroubleCode,
};

use clampward_domain::ids::{ClampId, EntryId, YardId};
use clampward_wire::problem;
use clampward_wire::sync::pull::STATE_FORMAT;
use clampward_wire::sync::push::{MAX_BYTES, MAX_ENTRIES};
use queue::Queue;
use snapshot::Taking;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// How often in a row a question may be lost before its part of the run is given up.
pub const LOST_AT_MOST: u32 = 5;
/// First wait after a loss; doubled each time.
const FIRST_WAIT_MS: u64 = 500;
/// Longest wait of the device's own.
pub const LONGEST_WAIT_MS: u64 = 60_000;
/// Longest wait that the service asks for and gets within a run; what should wait longer waits for the next run.
pub const LONGEST_TOLD_MS: u64 = 300_000;
/// Bytes left for the envelope of a push.
const ENVELOPE_BYTES: usize = 4096;

/// What the device has when a run begins.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Start {
    /// The number in use.
    pub device_number: u32,
    /// Every entry that is kept.
    pub queue: Vec<Queued>,
    /// The highest `device_seq` ever acknowledged under that number.
    pub acknowledged_to: u64,
    /// Its yards, each with its cursor.
    pub cursors: BTreeMap<YardId, String>,
    /// Snapshots that were begun.
    pub shadows: BTreeMap<YardId, Shadow>,
    /// How many entries go in one push, where more did not get through the last time.
    pub batch: Option<usize>,
}

/// A snapshot that was begun.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shadow {
    /// The epoch of its first part.
    pub epoch: u32,
    /// Where pulling goes on from: the place where it began, with what was told since.
    pub cursor: String,
    /// The last clamp that was stored.
    pub after: Option<ClampId>,
}

/// The part of the run that is under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Step {
    Config,
    Receipts,
    Push,
    Pull,
    Snapshot,
    Done,
}

/// The state machine.
#[derive(Debug)]
pub struct Core {
    step: Step,
    open: Option<(u64, Request)>,
    numbers: u64,
    lost: u32,
    waiting: bool,
    most_entries: usize,
    most_bytes: usize,
    batch: usize,
    /// Larger batches did not get through: this one grows slowly.
    narrow: Option<usize>,
    device_number: u32,
    acknowledged_to: u64,
    queue: Queue,
    aside: BTreeSet<EntryId>,
    /// How many of them did not get through by themselves.
    stuck: u32,
    /// Those of them after which nothing was answered yet: it may be the line.
    doubted: Vec<EntryId>,
    tries: BTreeMap<EntryId, u32>,
    cursors: BTreeMap<YardId, String>,
    granted: BTreeSet<YardId>,
    to_pull: VecDeque<YardId>,
    to_snapshot: VecDeque<YardId>,
    snapshots: BTreeMap<YardId, u32>,
    /// Yards whose snapshot is left for the next run.
    put_off: BTreeSet<YardId>,
    shadows: BTreeMap<YardId, Shadow>,
    taking: Option<Taking>,
    /// The device's numbers that receipts are still to be asked of, each with the next `device_seq`.
    receipts_of: VecDeque<(u32, u64)>,
    /// The service said of everything that is kept whether it has it.
    has_receipts: bool,
    offers_again: bool,
    pulls: bool,
    push_given_up: bool,
    report: Report,
}

impl Core {
    /// A run that has not begun.
    pub fn new(start: Start) -> Self {
        Self {
            step: Step::Config,
            open: None,
            numbers: 0,
            lost: 0,
            waiting: false,
            most_entries: MAX_ENTRIES,
            most_bytes: MAX_BYTES.saturating_sub(ENVELOPE_BYTES),
            batch: MAX_ENTRIES,
            narrow: start.batch,
            device_number: start.device_number,
            acknowledged_to: start.acknowledged_to,
            queue: Queue::new(start.queue),
            aside: BTreeSet::new(),
            stuck: 0,
            doubted: Vec::new(),
            tries: BTreeMap::new(),
            cursors: start.cursors,
            granted: BTreeSet::new(),
            to_pull: VecDeque::new(),
            to_snapshot: VecDeque::new(),
            snapshots: BTreeMap::new(),
            put_off: BTreeSet::new(),
            shadows: start.shadows,
            taking: None,
            receipts_of: VecDeque::new(),
            has_receipts: false,
            offers_again: false,
            pulls: true,
            push_given_up: false,
            report: Report::default(),
        }
    }

    /// Takes an event and says what to do, in this order.
    pub fn step(&mut self, event: Event) -> Vec<Action> {
        let mut actions = Vec::new();
        match event {
            Event::Begin => self.ask(&mut actions),
            Event::Answered { request, answer } => {
                if let Some(question) = self.question(request) {
                    self.answered(question, answer, &mut actions);
                }
            }
            Event::Lost { request } => {
                if let Some(question) = self.question(request) {
                    self.open = None;
                    self.lost_one(&question, &mut actions);
                }
            }
            Event::Timer => {
                if std::mem::take(&mut self.waiting) {
                    self.ask(&mut actions);
                }
            }
        }
        actions
    }

    /// The open question, if it bears this number.
    fn question(&self, request: u64) -> Option<Request> {
        self.open
            .as_ref()
            .filter(|(number, _)| *number == request)
            .map(|(_, question)| question.clone())
    }

    fn answered(&mut self, question: Request, answer: Answer, actions: &mut Vec<Action>) {
        let answer = match answer {
            Answer::Refused(refused) => {
                self.open = None;
                self.refused(&question, &refused, actions);
                return;
            }
            answer => answer,
        };
        match (&question, answer) {
            (Request::Config, Answer::Config(config)) => {
                self.settled(actions, Store::Contact(config.server_time));
                self.most_entries = clamp_to(config.entries_per_push, 1, MAX_ENTRIES);
                let bytes = clamp_to(config.push_bytes, 1, MAX_BYTES);
                self.most_bytes = bytes.saturating_sub(ENVELOPE_BYTES).max(1);
                self.narrow = self.narrow.filter(|batch| *batch < self.most_entries);
                self.batch = self.narrow.unwrap_or(self.most_entries).max(1);
                if config.state_format != STATE_FORMAT {
                    self.pulls = false;
                    self.report.trouble(
                        TroubleCode::ClientTooOld,
                        "the service hands out clamps in a form that this version does not know: update it; what you record is kept and pushed meanwhile",
                    );
                }
                self.granted = config.yards.iter().copied().collect();
                self.take_up_grants(actions);
                self.receipts_of = self.queue.receipts_of(self.device_number);
                self.go(Step::Receipts, actions);
            }
            (Request::Receipts { device_number, from }, Answer::Receipts(receipts)) => {
                self.receipts(*device_number, *from, receipts, actions);
            }
            (Request::Push { entries, .. }, Answer::Pushed(reply)) => self.pushed(entries, *reply, actions),
            (Request::Changes { cursors }, Answer::Changes(changes)) => {
                self.changes(cursors, changes, actions);
            }
            (Request::Snapshot { yard, after, .. }, Answer::Snapshot(part)) => {
                self.snapshot_part(*yard, *after, part, actions);
            }
            (Request::Snapshot { yard, .. }, Answer::Unreadable { detail }) => {
                self.snapshot_unreadable(*yard, &detail, actions);
            }
            // An answer of another kind is none.
            _ => {
                self.open = None;
                self.lost_one(&question, actions);
            }
        }
    }

    /// The open question was answered; the first thing that follows is stored.
    fn settled(&mut self, actions: &mut Vec<Action>, store: Store) {
        self.open = None;
        self.lost = 0;
        self.report.reached = true;
        actions.push(Action::Store(store));
        for one in std::mem::take(&mut self.doubted) {
            actions.push(Action::Store(Store::PutOff(one)));
        }
    }

    /// Goes on with a part of the run.
    fn go(&mut self, step: Step, actions: &mut Vec<Action>) {
        self.step = step;
        self.ask(actions);
    }

    /// Asks whatever comes next.
    fn ask(&mut self, actions: &mut Vec<Action>) {
        let question = match self.step {
            Step::Config => Some(Request::Config),
            Step::Receipts => self
                .receipts_of
                .front()
                .map(|(device_number, from)| Request::Receipts {
                    device_number: *device_number,
                    from: *from,
                }),
            Step::Push => self.next_batch(),
            Step::Pull => self.next_page(),
            Step::Snapshot => self.next_snapshot(),
            Step::Done => {
                self.finish(actions);
                return;
            }
        };
        match question {
            Some(question) => self.send(question, actions),
            None => self.next_step(actions),
        }
    }

    fn send(&mut self, question: Request, actions: &mut Vec<Action>) {
        self.numbers = self.numbers.saturating_add(1);
        self.open = Some((self.numbers, question.clone()));
        actions.push(Action::Send {
            request: self.numbers,
            what: question,
        });
    }

    /// What follows once a part has nothing more to ask, or is given up.
    fn next_step(&mut self, actions: &mut Vec<Action>) {
        self.lost = 0;
        let next = match self.step {
            Step::Config => Step::Done,
            Step::Receipts => Step::Push,
            Step::Push | Step::Snapshot | Step::Pull if self.pulls => {
                // Those that are followed come first: a tag-out in one of them does not wait for a new yard.
                if !self.to_pull.is_empty() {
                    Step::Pull
                } else if !self.to_snapshot.is_empty() {
                    Step::Snapshot
                } else {
                    Step::Done
                }
            }
            Step::Push | Step::Snapshot | Step::Pull | Step::Done => Step::Done,
        };
        self.go(next, actions);
    }

    /// A question or its answer was lost.
    fn lost_one(&mut self, question: &Request, actions: &mut Vec<Action>) {
        self.narrow_down(question, actions);
        self.lost = self.lost.saturating_add(1);
        if self.lost >= LOST_AT_MOST {
            let detail = "the service could not be reached";
            if !self.put_aside(question, detail, actions) {
                self.give_up(detail, actions);
            }
            return;
        }
        let wait = FIRST_WAIT_MS << self.lost.saturating_sub(1).min(16);
        self.wait(wait.min(LONGEST_WAIT_MS), actions);
    }

    /// Leaves a part of the run for the next time.
    fn give_up(&mut self, detail: &str, actions: &mut Vec<Action>) {
        self.report.trouble(TroubleCode::NotReached, detail);
        // Each yard has its turn, but nobody waits long for yard after yard of a service that is not there.
        let is_short = self.lost >= LOST_AT_MOST && matches!(self.step, Step::Pull | Step::Snapshot);
        match self.step {
            Step::Pull => self.to_pull.clear(),
            Step::Snapshot => {
                self.taking = None;
                self.put_off.extend(self.to_snapshot.pop_front());
            }
            Step::Push => self.push_given_up = true,
            Step::Receipts => actions.push(Action::Store(Store::NoReceipts)),
            Step::Config | Step::Done => {}
        }
        self.next_step(actions);
        if is_short {
            self.lost = LOST_AT_MOST - 1;
        }
    }

    fn wait(&mut self, milliseconds: u64, actions: &mut Vec<Action>) {
        self.waiting = true;
        actions.push(Action::Wait { milliseconds });
    }

    /// The service did not do what was asked.
    fn refused(&mut self, question: &Request, refused: &Refused, actions: &mut Vec<Action>) {
        match refused.status {
            401 | 403 if is_the_services_own(refused) => {
                // Whoever is turned away at the door is so for everything.
                self.report.trouble(TroubleCode::NotAllowed, &refused.detail);
                self.step = Step::Done;
                self.ask(actions);
            }
            // Whatever stands between says so: of a push, because of something in it; and of nothing else.
            401 | 403 if !matches!(question, Request::Push { .. }) => self.give_up(&refused.detail, actions),
            401 | 403 | 408 | 409 | 425 | 429 | 500..=599 => {
                let is_about_what_was_asked = !matches!(refused.status, 409 | 425 | 429);
                if is_about_what_was_asked {
                    self.narrow_down(question, actions);
                }
                self.lost = self.lost.saturating_add(1);
                let told = refused
                    .retry_after_seconds
                    .map_or(0, |seconds| seconds.saturating_mul(1000));
                if self.lost >= LOST_AT_MOST || told > LONGEST_TOLD_MS {
                    let may_be_put_aside = is_about_what_was_asked && told <= LONGEST_TOLD_MS;
                    if !may_be_put_aside || !self.put_aside(question, &refused.detail, actions) {
                        self.give_up(&refused.detail, actions);
                    }
                    return;
                }
                let own = FIRST_WAIT_MS << self.lost.saturating_sub(1).min(16);
                self.wait(own.min(LONGEST_WAIT_MS).max(told), actions);
            }
            status => match question {
                Request::Push { entries, .. } => self.push_refused(entries, refused, actions),
                Request::Changes { cursors }
                    if matches!(status, 404 | 410) || refused.code == "cursor-invalid" =>
                {
                    self.changes_refused(cursors, status, refused, actions);
                }
                Request::Snapshot { yard, .. }
                    if matches!(status, 404 | 410) || refused.code == "cursor-invalid" =>
                {
                    self.snapshot_refused(*yard, status, refused, actions);
                }
                Request::Config
                | Request::Receipts { .. }
                | Request::Changes { .. }
                | Request::Snapshot { .. } => {
                    self.give_up(&refused.detail, actions);
                }
            },
        }
    }

    /// Another history: whatever is kept is offered again, and every yard is taken anew.
    fn other_history(&mut self, why: &str, actions: &mut Vec<Action>) {
        if self.offers_again {
            return;
        }
        self.offers_again = true;
        self.report.resynchronised = true;
        self.report.note(why);
        let again = self.queue.offer_all_again();
        actions.push(Action::Store(Store::OtherHistory { again }));
        // What was acknowledged in the other history says nothing of this one.
        self.acknowledged_to = 0;
        self.shadows.clear();
        self.taking = None;
        self.to_pull.clear();
        self.to_snapshot = self.granted.iter().copied().collect();
    }

    fn finish(&mut self, actions: &mut Vec<Action>) {
        if self.open.is_none() {
            self.report.left = self.queue.unsent();
            if self.has_receipts {
                actions.push(Action::Store(Store::Purge));
            }
            actions.push(Action::Finished(Box::new(self.report.clone())));
        }
    }
}

/// Whether it is one of the service's problems, and not a word of what stands between.
fn is_the_services_own(refused: &Refused) -> bool {
    problem::kind(&refused.code).is_some_and(|kind| kind.status == refused.status)
}

fn clamp_to(told: u64, least: usize, most: usize) -> usize {
    usize::try_from(told).unwrap_or(most).clamp(least, most)
}
