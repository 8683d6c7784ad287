//! The lock-outs of one clamp, small enough for a model checker: entries as bits, one rule as it is and three wrong ones.
//!
//! That [`Rules::Named`] says the same as the real fold is a test of its own (`agreement.rs`).

/// Devices of the model.
pub const DEVICES: usize = 2;
/// Entries that each device may write.
pub const EACH: usize = 2;
/// All entries: number `device * EACH + n` is the n-th of its device.
pub const ENTRIES: usize = DEVICES * EACH;

/// A set of entries: bit `number`.
pub type Set = u8;

/// The set of one entry.
pub fn one(entry: usize) -> Set {
    1 << entry
}

/// The numbers in a set, lowest first.
pub fn numbers(set: Set) -> impl Iterator<Item = usize> {
    (0..ENTRIES).filter(move |entry| set & one(*entry) != 0)
}

/// The entries of a device.
pub fn of_device(device: usize) -> Set {
    ((1 << EACH) - 1) << (device * EACH)
}

/// What an entry says.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Said {
    /// The clamp is rejected: a lock-out that has the entry's number.
    Rejected,
    /// The clamp was repaired, re-inspected and returned to service, naming these lock-outs.
    Returned {
        /// The lock-outs.
        named: Set,
    },
}

/// Everything that was written, by number.
pub type Written = [Option<Said>; ENTRIES];

/// How a state follows from entries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rules {
    /// As it is: a return closes the lock-outs that it names, in whatever order the two arrive.
    Named,
    /// Wrong: a return clears whatever is there.
    ClearsAll,
    /// Wrong: of rejection and return, the later one by its author's clock counts.
    LastWriterWins,
    /// Wrong: a return closes what is there when it arrives, and is forgotten.
    NoMemory,
}

impl Rules {
    /// The open lock-outs after entries that arrived in this order.
    pub fn open(self, written: &Written, arrived: impl Iterator<Item = usize>) -> Set {
        let mut rejected = 0;
        let mut named_so_far = 0;
        let mut latest: Option<(usize, Said)> = None;
        for entry in arrived {
            let Some(said) = written[entry] else { continue };
            if latest.is_none_or(|(time, _)| time < clock(entry)) {
                latest = Some((clock(entry), said));
            }
            match said {
                Said::Rejected => rejected |= one(entry),
                Said::Returned { named } => {
                    named_so_far |= named;
                    match self {
                        Self::ClearsAll => rejected = 0,
                        Self::NoMemory => rejected &= !named,
                        Self::Named | Self::LastWriterWins => {}
                    }
                }
            }
        }
        match self {
            Self::Named => rejected & !named_so_far,
            Self::ClearsAll | Self::NoMemory => rejected,
            Self::LastWriterWins => match latest {
                Some((_, Said::Returned { .. })) => 0,
                Some((_, Said::Rejected)) | None => rejected,
            },
        }
    }
}

/// What a wall clock says when an entry is written. Nothing keeps the clocks of two devices together.
fn clock(entry: usize) -> usize {
    (entry % EACH) * DEVICES + entry / EACH
}

/// What has to be open when everything has arrived: every rejection that no return names.
pub fn nobody_released(written: &Written) -> Set {
    let all = (0..ENTRIES).filter_map(|entry| Some((entry, written[entry]?)));
    let (mut rejected, mut named_by_any) = (0, 0);
    for (entry, said) in all {
        match said {
            Said::Rejected => rejected |= one(entry),
            Said::Returned { named } => named_by_any |= named,
        }
    }
    rejected & !named_by_any
}
