//! The machine that measured: cores, memory, versions. Read, never guessed.

use crate::failure::{Done, While};
use std::fmt;
use std::num::NonZero;

/// What the figures were measured on.
pub struct Machine {
    cores: usize,
    processor: String,
    memory_gib: f64,
    /// What PostgreSQL says of itself.
    pub postgresql: String,
}

impl Machine {
    /// Reads it.
    pub fn read(postgresql: String) -> Done<Self> {
        let information = std::fs::read_to_string("/proc/cpuinfo").unwrap_or_default();
        let memory = std::fs::read_to_string("/proc/meminfo").during("reading /proc/meminfo")?;
        let kib: f64 = memory
            .lines()
            .find_map(|line| line.strip_prefix("MemTotal:"))
            .and_then(|rest| rest.trim().trim_end_matches(" kB").parse().ok())
            .unwrap_or(0.0);
        Ok(Self {
            cores: std::thread::available_parallelism().map_or(1, NonZero::get),
            processor: information
                .lines()
                .find_map(|line| line.strip_prefix("model name"))
                .map(|rest| rest.trim_start_matches([' ', '\t', ':']).trim().to_owned())
                .unwrap_or_else(|| std::env::consts::ARCH.to_owned()),
            memory_gib: kib / 1024.0 / 1024.0,
            postgresql,
        })
    }
}

impl fmt::Display for Machine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} cores ({}), {:.0} GiB of memory, {}",
            self.cores, self.processor, self.memory_gib, self.postgresql
        )
    }
}
