//! Drives a run of the synchronisation: sends what the state machine asks, stores what it says, shows how far it is.
//!
//! Decides nothing. Each thing to store is one transaction, on the disk before the next question is asked.

use crate::clock::{Clock, Contact, Moment};
use crate::core::{Action, Answer, Core, Event, Progress, Report, Request, Start, Store};
use crate::database::{Database, set, setting};
use crate::device::{self, Identity};
use crate::failure::Done;
use crate::journal::{self, Pulled};
use crate::mirror;
use clampward_domain::ids::{ClampId, YardId};
use clampward_wire::sync::push::PushRequest;
use std::collections::VecDeque;

/// The setting that says how many entries went in one push, where more did not get through.
const BATCH: &str = "push_batch";

/// A question with everything that is sent.
#[derive(Clone, Debug, PartialEq)]
pub enum Question {
    /// What the service allows.
    Config,
    /// Which entries it has.
    Receipts {
        /// Counted under which number of the device.
        device_number: u32,
        /// From which `device_seq` on.
        from: u64,
    },
    /// Entries.
    Push(Box<PushRequest>),
    /// What happened since.
    Changes {
        /// The cursors.
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

/// Whether a question was answered to the end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asked {
    /// Yes.
    Answered,
    /// The connection broke, or nothing came in time.
    Lost,
}

/// Carries questions to the service and answers back.
pub trait Transport {
    /// Asks, and hands over each part of the answer as it comes.
    fn ask(&mut self, question: &Question, each: &mut dyn FnMut(Answer) -> Done) -> Done<Asked>;
}

/// What a run begins with.
pub fn start(database: &Database) -> Done<Start> {
    let connection = database.connection();
    let numbering = journal::numbering(connection)?;
    Ok(Start {
        device_number: numbering.device_number,
        queue: journal::queue(connection)?,
        acknowledged_to: journal::acknowledged_to(connection, numbering.device_number)?,
        cursors: mirror::cursors(connection)?,
        shadows: mirror::shadows(connection)?,
        batch: setting(connection, BATCH)?,
    })
}

/// One run, to its end.
pub fn synchronise(
    database: &mut Database,
    transport: &mut dyn Transport,
    clock: &dyn Clock,
    show: &mut dyn FnMut(&Progress),
) -> Done<Report> {
    let identity = device::identity(database.connection())?;
    let mut core = Core::new(start(database)?);
    let mut todo: VecDeque<Action> = core.step(Event::Begin).into();
    let mut asked = clock.moment();
    while let Some(action) = todo.pop_front() {
        match action {
            Action::Send { request, what } => {
                asked = clock.moment();
                let question = question(database, &identity, what, &asked)?;
                let outcome = transport.ask(&question, &mut |answer| {
                    let event = Event::Answered { request, answer };
                    for action in core.step(event) {
                        match action {
                            // While an answer still comes, what it says is stored at once.
                            Action::Store(store) => self::store(database, store, &asked, clock)?,
                            Action::Show(progress) => show(&progress),
                            later => todo.push_back(later),
                        }
                    }
                    Ok(())
                })?;
                if outcome == Asked::Lost {
                    todo.extend(core.step(Event::Lost { request }));
                }
            }
            Action::Store(store) => self::store(database, store, &asked, clock)?,
            Action::Show(progress) => show(&progress),
            Action::Wait { milliseconds } => {
                clock.wait(milliseconds);
                todo.extend(core.step(Event::Timer));
            }
            Action::Finished(report) => return Ok(*report),
        }
    }
    // Nothing is under way and nothing is finished: an answer without an end counts as a lost one.
    Ok(Report::default())
}

/// A question with everything that is sent.
pub fn question(database: &Database, identity: &Identity, what: Request, now: &Moment) -> Done<Question> {
    Ok(match what {
        Request::Config => Question::Config,
        Request::Receipts { device_number, from } => Question::Receipts { device_number, from },
        Request::Push {
            entries,
            device_number,
            queue_length,
        } => Question::Push(Box::new(PushRequest {
            device_id: identity.device_id,
            device_number: Some(device_number),
            sent_at: now.wall,
            boot: now.boot,
            monotonic_ms: now.monotonic_ms,
            queue_length,
            entries: journal::texts(database.connection(), &entries)?,
        })),
        Request::Changes { cursors } => Question::Changes { cursors },
        Request::Snapshot { yard, after, cursor } => Question::Snapshot { yard, after, cursor },
    })
}

/// Stores one thing in one transaction.
pub fn store(database: &mut Database, store: Store, asked: &Moment, clock: &dyn Clock) -> Done {
    let here = clock.moment();
    database.write(|connection| match store {
        Store::Contact(server_time) => device::note_contact(
            connection,
            &Contact {
                server_time,
                asked: *asked,
            },
        ),
        Store::Pushed {
            results,
            at,
            acknowledged,
            renumbered,
        } => {
            let contact = Contact {
                server_time: at,
                asked: *asked,
            };
            device::note_contact(connection, &contact)?;
            journal::settle(connection, &results, at, mirror::pulls(connection)?)?;
            if let Some((number, seq)) = acknowledged {
                journal::note_acknowledged(connection, number, seq)?;
            }
            match renumbered {
                Some((number, entries)) => journal::renumber(connection, number, &entries),
                None => Ok(()),
            }
        }
        Store::Receipts {
            receipts,
            stable_position,
        } => {
            let at = device::now(connection, &here)?.at();
            let pulls = mirror::pulls(connection)?;
            journal::take_up_receipts(connection, &receipts, stable_position, at, pulls)
        }
        Store::NoReceipts => {
            let known = mirror::least(&mirror::yard_knowledge(connection)?);
            journal::doubt(connection, known.unwrap_or(Pulled::NOTHING))
        }
        Store::Batch(entries) => set(connection, BATCH, &entries),
        Store::PutOff(entry) => journal::put_off(connection, entry),
        Store::OtherHistory { again } => {
            journal::offer_again(connection, &again)?;
            mirror::other_history(connection)
        }
        Store::Purge => {
            let now = device::now(connection, &here)?.at();
            journal::purge(connection, mirror::pulls(connection)?, now).map(drop)
        }
        Store::Page(page) => {
            if mirror::page(connection, &page)? {
                journal::note_seen(connection, mirror::shown_by(&page))?;
            }
            Ok(())
        }
        Store::DropYard(yard) => mirror::drop_yard(connection, yard).map(drop),
        Store::ShadowBegin { yard, head } => mirror::begin(connection, yard, &head),
        Store::ShadowLines { yard, lines } => mirror::lines(connection, yard, &lines),
        Store::ShadowDrop(yard) => mirror::drop_shadow(connection, yard),
        Store::Swap(yard) => mirror::swap(connection, yard),
    })
}
