//! The lines of the README and of the guides run as they stand, from the command that a newcomer types, and answer what
//! the documents say.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use clampward_tests::console::{Part, Up};

/// Documents in the order in which they run, which part of them, and how many lines it has at least. The tablet's shift is
/// run by a test of its own (`shift.rs`).
const DOCUMENTS: &[(&str, Part<'_>, usize)] = &[
    // Only reads, and counts what the others add to.
    ("services/api/docs/erp.md", Part::Whole, 25),
    ("README.md", Part::Without("A tablet's shift"), 30),
    ("services/api/docs/field-apps.md", Part::Whole, 25),
];

#[test]
fn every_line_of_the_readme_and_the_guides_answers_what_they_say() {
    let up = Up::start();
    let accounts = up.ready["accounts"].as_array().unwrap();
    assert!(
        accounts.iter().any(|account| account["role"] == "safety"),
        "{}",
        up.ready
    );
    for (document, part, least) in DOCUMENTS {
        let lines = up.run(document, *part);
        assert!(lines >= *least, "{document}: {lines} lines");
    }
}
