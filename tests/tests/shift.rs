//! A tablet's shift: the README's lines run as they stand, with the program that people use, against the service that
//! `cargo xtask up` starts, and answer what the README says.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use clampward_tests::console::{Part, Up};

#[test]
fn every_line_of_a_tablets_shift_answers_what_the_readme_says() {
    let up = Up::start();
    let at_work = up.ready["at_work"].as_array().unwrap();
    assert_eq!(at_work.len(), 2, "{}", up.ready);
    let lines = up.run("README.md", Part::Section("A tablet's shift"));
    assert!(lines >= 25, "{lines} lines");
}
