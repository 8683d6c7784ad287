//! A tablet's shift: the README's lines run as they stand, with the program that people use, against the service that
//! `cargo xtask up` starts, and answer what the README says.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use clampward_tests::console::{Part, Up};

#[test]
fn every_line_of_a_tablets_shift_answers_what_the_readme_says_and_a_second_start_finds_the_tablets() {
    let mut up = Up::start();
    let at_work = up.ready["at_work"].as_array().unwrap();
    assert_eq!(at_work.len(), 2, "{}", up.ready);
    let lines = up.run("README.md", Part::Section("A tablet's shift"));
    assert!(lines >= 25, "{lines} lines");

    // The service has another address now, and the tablets have nothing left to send: what is told stays the same.
    up.again();
    assert_eq!(up.ready["at_work"].as_array().unwrap().len(), 2, "{}", up.ready);
    let told = up.xtask(&["conflict"]);
    assert_eq!(told.matches(": nothing new recorded").count(), 3, "{told}");
    assert!(
        told.contains("now         tagged out, not fit (lock does not hold)"),
        "{told}"
    );
}
