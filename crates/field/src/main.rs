//! The program on a tablet: clocks and randomness, handed to the library. Nothing is decided here.

use clampward_field::cli::{Arguments, Host, run};
use clampward_field::clock::{Clock, Moment};
use clampward_field::failure::{Done, Failure};
use clampward_field::random::Random;
use clap::Parser;
use jiff::Timestamp;
use std::process::ExitCode;
use std::sync::LazyLock;
use std::time::{Duration, Instant};
use uuid::Uuid;

/// Where this process began, should the system not tell how long it has been up.
static BEGAN: LazyLock<Instant> = LazyLock::new(Instant::now);

/// The clocks of this machine.
struct MachineClock {
    boot: Uuid,
}

impl MachineClock {
    /// Linux names each start of the machine. Without such a name every process is a start of its own, and knowledge of
    /// an earlier one proves nothing.
    fn new(random: &dyn Random) -> Done<Self> {
        let named = std::fs::read_to_string("/proc/sys/kernel/random/boot_id")
            .ok()
            .and_then(|text| text.trim().parse().ok());
        let boot = match named {
            Some(boot) => boot,
            None => Uuid::from_bytes(clampward_field::random::bytes(random)?),
        };
        Ok(Self { boot })
    }
}

/// Milliseconds since the machine started, sleep included, to a hundredth of a second.
fn up_milliseconds() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/uptime").ok()?;
    let (seconds, hundredths) = text.split_whitespace().next()?.split_once('.')?;
    let whole: u64 = seconds.parse().ok()?;
    let part: u64 = hundredths.get(..2)?.parse().ok()?;
    Some(whole.saturating_mul(1000).saturating_add(part.saturating_mul(10)))
}

impl Clock for MachineClock {
    #[expect(clippy::disallowed_methods, reason = "the one place where the clock is read")]
    fn moment(&self) -> Moment {
        let wall = Timestamp::now();
        Moment {
            // To the millisecond: the ledger keeps no more than microseconds.
            wall: Timestamp::from_millisecond(wall.as_millisecond()).unwrap_or(wall),
            boot: self.boot,
            monotonic_ms: up_milliseconds()
                .unwrap_or_else(|| u64::try_from(BEGAN.elapsed().as_millis()).unwrap_or(0)),
        }
    }
    fn wait(&self, milliseconds: u64) {
        std::thread::sleep(Duration::from_millis(milliseconds));
    }
}

/// The operating system's randomness.
struct System;

impl Random for System {
    fn fill(&self, bytes: &mut [u8]) -> Done {
        getrandom::fill(bytes).map_err(|_| Failure::refused("the operating system gave no random bytes"))
    }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let random = System;
    match MachineClock::new(&random) {
        Ok(clock) => run(
            arguments,
            &Host {
                clock: &clock,
                random: &random,
            },
        ),
        Err(failure) => {
            eprintln!("{failure}");
            ExitCode::from(2)
        }
    }
}
