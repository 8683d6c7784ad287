//! Push, pull and return to service between two devices and one server, as a state machine for the model checker.
//!
//! The network loses requests and replies, delivers them late and repeats requests. Once the server fails over to a
//! standby that lacks the tail of the history, and once an older backup is restored; each time other rows may take the
//! positions that were lost. Nothing here knows HTTP, SQL or time; a ledger row is an entry and a tag.

use crate::rules::{
    DEVICES, EACH, ENTRIES, Rules, Said, Set, Written, nobody_released, numbers, of_device, one,
};
use stateright::{Model, Property};

/// Longest history that is looked at: an entry that is recorded twice shows within.
const LONGEST: usize = ENTRIES + 1;

/// When a device lets go of an entry that was acknowledged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LetsGo {
    /// As it is: one answer says that the entry is recorded, where, and that this is stable.
    OneAnswerSaysStable,
    /// Wrong: as soon as the stable position is past the position that some answer gave, whatever the history is now.
    ItsPositionIsPassed,
    /// Wrong: the same, if the server says that it has the entry (but not where).
    ItsPositionIsPassedAndItIsThere,
    /// Wrong: when it is acknowledged.
    Acknowledged,
}

/// A protocol: the right one, or one with a fault.
#[derive(Clone, Copy, Debug)]
pub struct Protocol {
    /// How many entries each device may write.
    pub writes: [u8; DEVICES],
    /// Whether the server fails over once, and whether a backup is restored once.
    pub disasters: (bool, bool),
    /// The rules of lock-outs.
    pub rules: Rules,
    /// When a device lets go of its entries.
    pub lets_go: LetsGo,
    /// Whether cursors carry the tag of the row that they stand on.
    pub tagged_cursors: bool,
    /// Whether cursors say up to where states were told, which may be beyond the row that they stand on.
    pub cursors_say_seen: bool,
    /// Whether devices ask what the server has of the entries that they still keep.
    pub asks_for_receipts: bool,
    /// Whether an id that is known is not recorded again.
    pub knows_ids: bool,
    /// Whether the stable position counts backups, too: otherwise a restore may go behind it.
    pub stable_counts_backups: bool,
}

impl Protocol {
    /// As it is.
    pub const RIGHT: Self = Self {
        writes: [2, 1],
        disasters: (true, true),
        rules: Rules::Named,
        lets_go: LetsGo::OneAnswerSaysStable,
        tagged_cursors: true,
        cursors_say_seen: true,
        asks_for_receipts: true,
        knows_ids: true,
        stable_counts_backups: true,
    };

    fn has_disasters(&self) -> bool {
        self.disasters != (false, false)
    }

    fn all_written(&self, world: &World) -> bool {
        world
            .devices
            .iter()
            .zip(self.writes)
            .all(|(device, writes)| device.written == writes)
    }
}

/// A row of the ledger; its position is its place, from 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Row {
    entry: u8,
    /// Stands for a random number: rows of different histories never share one.
    tag: u8,
}

/// The service with its database.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Server {
    rows: [Row; LONGEST],
    head: u8,
    /// What outlives the loss of the machine.
    stable: u8,
    /// How many histories there were before this one.
    history: u8,
}

impl Server {
    fn ledger(&self) -> &[Row] {
        &self.rows[..usize::from(self.head)]
    }
    fn arrived(&self) -> impl Iterator<Item = usize> {
        self.ledger().iter().map(|row| usize::from(row.entry))
    }
    fn has(&self) -> Set {
        self.arrived().fold(0, |set, entry| set | one(entry))
    }
    fn position_of(&self, entry: usize) -> Option<u8> {
        let place = self.arrived().position(|row| row == entry)?;
        Some(u8::try_from(place + 1).unwrap())
    }
    /// The tag at a position; none beyond the head.
    fn tag(&self, position: u8) -> Option<u8> {
        match position {
            0 => Some(0),
            position => self.ledger().get(usize::from(position) - 1).map(|row| row.tag),
        }
    }
    fn lose_tail(&mut self, keep: u8) {
        self.rows[usize::from(keep)..].fill(Row::default());
        self.head = keep;
        self.stable = self.stable.min(keep);
        self.history += 1;
    }
}

/// An answer on its way to a device: of a push about one entry, of receipts about all that it asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Answer {
    /// The entries that it is about, and their positions; 0 is none.
    about: Set,
    positions: [u8; EACH],
    stable: u8,
    /// Which of the device's entries the server has.
    received: Set,
    /// Of which history this is true.
    history: u8,
}

/// A tablet.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Device {
    written: u8,
    unsent: Set,
    /// Acknowledged, and still here.
    kept: Set,
    /// Where the last answer said they are recorded.
    positions: [u8; EACH],
    /// What it pulled: the clamp's open lock-outs, and the entries that these rest on.
    open: Set,
    known: Set,
    cursor: (u8, u8),
    /// The head when the state was read that it has: it takes no older one for newer.
    seen: (u8, u8),
    awaited: Option<Answer>,
    /// For the properties only: what was ever acknowledged to it.
    acknowledged: Set,
}

/// Everything.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct World {
    written: Written,
    devices: [Device; DEVICES],
    server: Server,
    failed_over: bool,
    restored: bool,
    /// For the properties only, where nothing is lost: a rejection and a return were written without knowing of each
    /// other.
    concurrent: bool,
}

/// What can happen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// A person writes an entry on a device.
    Write(usize, Said),
    /// A device pushes an entry and hears at once.
    Push(usize, usize),
    /// The same, but the answer stays under way.
    PushAndWait(usize, usize),
    /// A device asks for receipts and hears at once.
    Ask(usize),
    /// The same, but the answer stays under way.
    AskAndWait(usize),
    /// The answer that was under way arrives.
    Hear(usize),
    /// A push arrives whose answer nobody hears: it is lost, or the request is a late copy.
    PushUnheard(usize),
    /// A device pulls.
    Pull(usize),
    /// A device pulls a page of one row, and more would follow.
    PullOne(usize),
    /// Standby and backup catch up.
    Settle,
    /// A standby takes over that has the history only up to here.
    FailOver(u8),
    /// A backup of this length is restored.
    Restore(u8),
}

impl World {
    fn record(&mut self, entry: usize, protocol: Protocol) {
        if protocol.knows_ids && self.server.has() & one(entry) != 0 {
            return;
        }
        let row = Row {
            entry: u8::try_from(entry).unwrap(),
            tag: self.server.history,
        };
        let Some(next) = self.server.rows.get_mut(usize::from(self.server.head)) else {
            return;
        };
        *next = row;
        self.server.head += 1;
    }

    fn open(&self, protocol: Protocol) -> Set {
        protocol.rules.open(&self.written, self.server.arrived())
    }

    /// What a device sees open: its own rejections count before they are sent, its own returns only once they are pulled.
    fn seen_open(&self, device: usize) -> Set {
        let own = numbers(of_device(device) & !self.devices[device].known)
            .filter(|entry| self.written[*entry] == Some(Said::Rejected))
            .fold(0, |set, entry| set | one(entry));
        self.devices[device].open | own
    }

    fn write(&mut self, device: usize, said: Said, protocol: Protocol) {
        let number = device * EACH + usize::from(self.devices[device].written);
        let known = self.devices[device].known | of_device(device);
        let unknown = numbers(!known).filter_map(|entry| self.written[entry]);
        for other in unknown.filter(|_| !protocol.has_disasters()) {
            self.concurrent |= matches!(
                (said, other),
                (Said::Rejected, Said::Returned { .. }) | (Said::Returned { .. }, Said::Rejected)
            );
        }
        self.written[number] = Some(said);
        self.devices[device].written += 1;
        self.devices[device].unsent |= one(number);
    }

    fn answer(&self, device: usize, about: Set) -> Answer {
        let mut positions = [0; EACH];
        for entry in numbers(about) {
            positions[entry % EACH] = self.server.position_of(entry).unwrap_or(0);
        }
        Answer {
            about,
            positions,
            stable: self.server.stable,
            received: self.server.has() & of_device(device),
            history: self.server.history,
        }
    }

    fn hear(&mut self, device: usize, answer: Answer, protocol: Protocol) {
        let device = &mut self.devices[device];
        for entry in numbers(answer.about) {
            let position = answer.positions[entry % EACH];
            if position == 0 {
                continue;
            }
            device.acknowledged |= one(entry);
            device.unsent &= !one(entry);
            device.kept |= one(entry);
            // Nothing is remembered that nothing is decided by: fewer states.
            if protocol.lets_go != LetsGo::OneAnswerSaysStable {
                device.positions[entry % EACH] = position;
            }
        }
        for entry in numbers(device.kept) {
            let remembered = device.positions[entry % EACH];
            let told = answer.positions[entry % EACH];
            let is_safe = match protocol.lets_go {
                LetsGo::OneAnswerSaysStable => told != 0 && told <= answer.stable,
                LetsGo::ItsPositionIsPassed => remembered <= answer.stable,
                LetsGo::ItsPositionIsPassedAndItIsThere => {
                    remembered <= answer.stable && answer.received & one(entry) != 0
                }
                LetsGo::Acknowledged => true,
            };
            if is_safe {
                device.kept &= !one(entry);
                device.positions[entry % EACH] = 0;
            }
        }
        if protocol.asks_for_receipts {
            device.offer_again(device.kept & !answer.received);
        }
    }

    fn pull(&mut self, device: usize, one_row: bool, protocol: Protocol) {
        let open = self.open(protocol);
        let (position, tag) = self.devices[device].cursor;
        let is_there = |(position, tag): (u8, u8)| {
            let there = self.server.tag(position);
            there.is_some_and(|there| there == tag || !protocol.tagged_cursors)
        };
        let seen = self.devices[device].seen;
        let same_history = is_there((position, tag)) && (!protocol.cursors_say_seen || is_there(seen));
        let device = &mut self.devices[device];
        if !same_history {
            // A snapshot replaces everything that was pulled; everything that is kept is offered again.
            device.offer_again(device.kept);
            device.known = 0;
        } else if position == self.server.head {
            return;
        }
        let head = (self.server.head, self.server.tag(self.server.head).unwrap());
        let rows = if same_history { usize::from(position) } else { 0 };
        let end = if one_row && same_history {
            position + 1
        } else {
            head.0
        };
        for row in &self.server.ledger()[rows..usize::from(end)] {
            device.known |= one(usize::from(row.entry));
        }
        if !same_history || head.0 > seen.0 {
            device.open = open;
            device.seen = head;
        }
        device.cursor = (end, self.server.tag(end).unwrap());
    }

    /// Nothing is under way and nobody has anything to do: everything was sent, is stable, and was pulled.
    fn at_rest(&self, protocol: Protocol) -> bool {
        self.devices.iter().all(|device| {
            device.awaited.is_none()
                && device.unsent == 0
                && (device.kept == 0 || !protocol.asks_for_receipts)
                && self.followed(device, protocol)
        })
    }

    /// The device holds its cursor for that of the present head: a pull would bring it nothing.
    fn followed(&self, device: &Device, protocol: Protocol) -> bool {
        let is_there = |(position, tag): (u8, u8)| self.server.tag(position) == Some(tag);
        device.cursor.0 == self.server.head
            && (!protocol.tagged_cursors || is_there(device.cursor))
            && (!protocol.cursors_say_seen || is_there(device.seen))
    }
}

impl Device {
    fn offer_again(&mut self, entries: Set) {
        self.kept &= !entries;
        self.unsent |= entries;
        for entry in numbers(entries) {
            self.positions[entry % EACH] = 0;
        }
    }
}

impl Model for Protocol {
    type State = World;
    type Action = Action;

    fn init_states(&self) -> Vec<World> {
        let (fails_over, is_restored) = self.disasters;
        vec![World {
            failed_over: !fails_over,
            restored: !is_restored,
            ..World::default()
        }]
    }

    fn actions(&self, world: &World, actions: &mut Vec<Action>) {
        for (number, device) in world.devices.iter().enumerate() {
            if device.written < self.writes[number] {
                actions.push(Action::Write(number, Said::Rejected));
                let seen = world.seen_open(number);
                let singles = numbers(seen).map(one).filter(|single| *single != seen);
                for named in [seen].into_iter().chain(singles).filter(|named| *named != 0) {
                    actions.push(Action::Write(number, Said::Returned { named }));
                }
            }
            // One request at a time: an answer belongs to the one that is open. One that comes late says what it would
            // have said at once, unless the history changed meanwhile: only those are looked at.
            if let Some(answer) = device.awaited {
                if answer.history != world.server.history {
                    actions.push(Action::Hear(number));
                }
                continue;
            }
            let late = !(world.failed_over && world.restored);
            for entry in numbers(device.unsent) {
                actions.push(Action::Push(number, entry));
                if late {
                    actions.push(Action::PushAndWait(number, entry));
                }
            }
            if device.kept != 0 && self.asks_for_receipts {
                actions.push(Action::Ask(number));
                if late {
                    actions.push(Action::AskAndWait(number));
                }
            }
            actions.push(Action::Pull(number));
            // Nothing comes of it where no history is lost.
            if self.has_disasters() && device.cursor.0 + 1 < world.server.head {
                actions.push(Action::PullOne(number));
            }
        }
        let written = (0..ENTRIES).filter(|entry| world.written[*entry].is_some());
        actions.extend(written.map(Action::PushUnheard));
        actions.push(Action::Settle);
        let server = &world.server;
        if !world.failed_over {
            actions.extend((server.stable..server.head).map(Action::FailOver));
        }
        if !world.restored {
            let oldest = if self.stable_counts_backups {
                server.stable
            } else {
                0
            };
            actions.extend((oldest..server.head).map(Action::Restore));
        }
    }

    fn next_state(&self, before: &World, action: Action) -> Option<World> {
        let mut world = *before;
        match action {
            Action::Write(device, said) => world.write(device, said, *self),
            Action::Push(device, entry) | Action::PushAndWait(device, entry) => {
                world.record(entry, *self);
                let answer = world.answer(device, one(entry));
                if matches!(action, Action::Push(..)) {
                    world.hear(device, answer, *self);
                } else {
                    world.devices[device].awaited = Some(answer);
                }
            }
            Action::Ask(device) | Action::AskAndWait(device) => {
                let answer = world.answer(device, world.devices[device].kept);
                if matches!(action, Action::Ask(_)) {
                    world.hear(device, answer, *self);
                } else {
                    world.devices[device].awaited = Some(answer);
                }
            }
            Action::Hear(device) => {
                let answer = world.devices[device].awaited.take()?;
                world.hear(device, answer, *self);
            }
            Action::PushUnheard(entry) => world.record(entry, *self),
            Action::Pull(device) => world.pull(device, false, *self),
            Action::PullOne(device) => world.pull(device, true, *self),
            Action::Settle => world.server.stable = world.server.head,
            Action::FailOver(keep) => {
                world.failed_over = true;
                world.server.lose_tail(keep);
            }
            Action::Restore(keep) => {
                world.restored = true;
                world.server.lose_tail(keep);
            }
        }
        (world != *before).then_some(world)
    }

    fn properties(&self) -> Vec<Property<Self>> {
        vec![
            Property::always(SURVIVES, |protocol: &Self, world: &World| {
                !world.at_rest(*protocol) || nobody_released(&world.written) & !world.open(*protocol) == 0
            }),
            Property::always(STATE_OF_THE_SET, |protocol: &Self, world: &World| {
                !world.at_rest(*protocol) || nobody_released(&world.written) == world.open(*protocol)
            }),
            Property::always(CONVERGES, |protocol: &Self, world: &World| {
                let (open, has) = (world.open(*protocol), world.server.has());
                let converged = |device: &Device| device.open == open && device.known == has;
                let mut followed = world
                    .devices
                    .iter()
                    .filter(|device| world.followed(device, *protocol));
                followed.all(converged)
            }),
            Property::always(ONCE, |_, world: &World| {
                usize::try_from(world.server.has().count_ones()).unwrap() == world.server.ledger().len()
            }),
            Property::always(KEPT, |protocol: &Self, world: &World| {
                let acknowledged = world
                    .devices
                    .iter()
                    .fold(0, |set, device| set | device.acknowledged);
                !world.at_rest(*protocol) || acknowledged & !world.server.has() == 0
            }),
            if self.has_disasters() {
                Property::sometimes(REST_AFTER_DISASTERS, |protocol: &Self, world: &World| {
                    let (fails_over, is_restored) = protocol.disasters;
                    world.at_rest(*protocol)
                        && protocol.all_written(world)
                        && world.server.history == u8::from(fails_over) + u8::from(is_restored)
                })
            } else {
                Property::sometimes(CONCURRENT, |protocol: &Self, world: &World| {
                    world.at_rest(*protocol)
                        && protocol.all_written(world)
                        && world.concurrent
                        && world.open(*protocol) != 0
                })
            },
        ]
    }
}

/// At rest, every lock-out that no return names is open.
pub const SURVIVES: &str = "a lock-out that nobody released by name survives";
/// At rest, no other one is open either.
pub const STATE_OF_THE_SET: &str = "the state is that of the set of entries";
/// A device with nothing left to pull shows what the server says, and has seen each of its rows: with one clamp any page
/// brings its whole state, with several a row that was never seen is a clamp that is wrong for ever.
pub const CONVERGES: &str = "who pulled everything shows what the server says";
/// Always.
pub const ONCE: &str = "no entry twice";
/// At rest, everything that was ever acknowledged is recorded.
pub const KEPT: &str = "nothing acknowledged is lost";
/// Reached: a rejection beside a return whose author did not know of it, everything sent, still open.
pub const CONCURRENT: &str = "a release and a rejection side by side";
/// Reached: rest after everything that may be lost once was lost.
pub const REST_AFTER_DISASTERS: &str = "rest after every disaster";
