//! The lines of the README and of the guides run as they stand, from the command that a newcomer types, and answer what
//! the documents say.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use clampward_tests::console::Up;

/// Documents in the order in which they run, and how many lines each has at least.
const DOCUMENTS: &[(&str, usize)] = &[
    // Only reads, and counts what the others add to.
    ("services/api/docs/erp.md", 25),
    ("README.md", 30),
    ("services/api/docs/field-apps.md", 25),
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
    for (document, least) in DOCUMENTS {
        let lines = up.run(document);
        assert!(lines >= *least, "{document}: {lines} lines");
    }
}
