//! `pgbench -M prepared` with a script of ours: the floor that the service is compared with.

use super::database::{Databases, output};
use crate::failure::{Done, Failure};
use std::time::Duration;

/// What pgbench runs.
pub struct Script<'a> {
    /// The service's URL of the database.
    pub url: &'a str,
    /// The role to take, as the service does.
    pub role: &'static str,
    /// Paths of scripts; each transaction takes one of them.
    pub files: &'a [String],
}

/// Transactions per second of so many clients.
pub fn run(databases: &Databases, script: &Script<'_>, clients: usize, seconds: Duration) -> Done<f64> {
    let threads = std::thread::available_parallelism()
        .map_or(1, std::num::NonZero::get)
        .min(clients);
    let mut command = databases.program("pgbench");
    command
        .args(["--no-vacuum", "--protocol", "prepared"])
        .args(["--client", &clients.to_string(), "--jobs", &threads.to_string()])
        .args(["--time", &seconds.as_secs().max(1).to_string()]);
    for file in script.files {
        command.args(["--file", file]);
    }
    // The settings of the service's own connections.
    command.arg(script.url).env(
        "PGOPTIONS",
        format!("-c role={} -c enable_seqscan=off -c jit=off", script.role),
    );
    let said = output(&mut command)?;
    if let Some(failed) = said
        .lines()
        .find(|line| line.contains("failed transactions") && !line.contains(": 0 "))
    {
        return Err(Failure::new(format!("pgbench: {failed}")));
    }
    per_second(&said).ok_or_else(|| Failure::new(format!("pgbench named no rate:\n{said}")))
}

fn per_second(said: &str) -> Option<f64> {
    let line = said.lines().find(|line| line.starts_with("tps = "))?;
    line.split_whitespace().nth(2)?.parse().ok()
}

#[cfg(test)]
mod tests {
    //! The rate is the one that pgbench names.

    use super::*;

    #[test]
    fn the_rate_is_read_from_the_line_that_names_it() {
        let said = "latency average = 0.4 ms\ntps = 38111.123 (without initial connection time)\n";
        assert!((per_second(said).unwrap() - 38111.123).abs() < 1e-9);
        assert_eq!(per_second("pgbench: error"), None);
    }
}
