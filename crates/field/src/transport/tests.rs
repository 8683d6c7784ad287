//! Streams that break off.

use super::*;
use std::cell::{Cell, RefCell};

const HEAD: &str = r#"{"cursor":"c","epoch":1,"reference_version":1,"generated_at":"2026-03-01T12:00:00Z","position":7,"state_format":2}"#;
const PERSON: &str = r#"{"type":"person","person_id":"019b76da-a800-7000-8000-000000000001","person":{"name":"Inga","grants":[],"competences":[]}}"#;

fn parts(text: &str) -> (Asked, Vec<SnapshotPart>) {
    let (asked, parts, unreadable) = heard(text.as_bytes());
    assert!(!unreadable);
    (asked, parts)
}

/// The same, and whether something could not be read.
fn heard(text: impl std::io::Read) -> (Asked, Vec<SnapshotPart>, bool) {
    let parts = RefCell::new(Vec::new());
    let unreadable = Cell::new(false);
    let asked = stream(BufReader::new(text), &mut |answer| {
        match answer {
            Answer::Snapshot(part) => parts.borrow_mut().push(part),
            Answer::Unreadable { .. } => unreadable.set(true),
            other => panic!("{other:?}"),
        }
        Ok(())
    })
    .unwrap();
    (asked, parts.into_inner(), unreadable.get())
}

#[test]
fn a_whole_snapshot_has_head_lines_and_end() {
    let (asked, parts) = parts(&format!("{HEAD}\n{PERSON}\n{{\"end\":true,\"lines\":3}}\n"));
    assert_eq!(asked, Asked::Answered);
    assert_eq!(parts.len(), 1);
    assert_eq!(parts[0].lines.len(), 1);
    assert_eq!(parts[0].end.map(|end| end.lines), Some(3));
}

#[test]
fn a_snapshot_cut_at_any_byte_is_lost_and_what_came_whole_is_handed_over() {
    let whole = format!("{HEAD}\n{PERSON}\n{PERSON}\n{{\"end\":true,\"lines\":4}}\n");
    for cut in 0..whole.len() {
        let (asked, parts) = parts(&whole[..cut]);
        assert_eq!(asked, Asked::Lost, "cut at {cut}");
        let lines: usize = parts.iter().map(|part| part.lines.len()).sum();
        let expected = whole[..cut].matches('\n').count().saturating_sub(1);
        assert_eq!(lines, expected, "cut at {cut}");
        assert!(parts.iter().all(|part| part.end.is_none()));
    }
}

#[test]
fn what_is_no_snapshot_is_lost() {
    for other in ["", "<html>\n", "{}\n", "null\n"] {
        assert_eq!(parts(other).0, Asked::Lost, "{other:?}");
    }
}

#[test]
fn a_line_that_cannot_be_read_is_said_and_what_came_before_is_handed_over() {
    let text = format!("{HEAD}\n{PERSON}\n{{\"type\":\"word_of_a_later_version\"}}\n{PERSON}\n");
    let (asked, parts, unreadable) = heard(text.as_bytes());
    assert_eq!((asked, unreadable), (Asked::Answered, true));
    let lines: usize = parts.iter().map(|part| part.lines.len()).sum();
    assert_eq!(lines, 1);
}

#[test]
fn a_line_of_some_megabytes_takes_no_yard_along_and_one_without_an_end_is_said_to_be_unreadable() {
    let long = PERSON.replace("Inga", &"I".repeat(5 << 20));
    let (asked, parts) = parts(&format!("{HEAD}\n{long}\n{{\"end\":true,\"lines\":3}}\n"));
    assert_eq!(asked, Asked::Answered);
    assert_eq!(parts[0].lines.len(), 1);
    let begun = format!("{HEAD}\n{PERSON}\n");
    let endless = std::io::Read::chain(begun.as_bytes(), std::io::repeat(b'I'));
    let (asked, parts, unreadable) = heard(endless);
    assert_eq!((asked, unreadable), (Asked::Answered, true));
    assert_eq!(parts[0].lines.len(), 1, "what came before is handed over");
}

#[test]
fn a_yards_page_that_cannot_be_read_hinders_no_other_yard() {
    let page = |known_at: &str| {
        serde_json::json!({
            "yard_id": "019b76da-a800-7000-8000-000000000001", "from": "a", "rows": [], "clamps": [], "reference": [],
            "next_cursor": "a", "more": false, "known_position": 7, "known_at": known_at,
        })
    };
    let answer = serde_json::json!({
        "yards": [page("a later version's"), page("2026-03-01T12:00:00Z")], "granted": [],
        "server_time": "2026-03-01T12:00:00Z",
    });
    assert_eq!(
        lenient::changes(answer).map(|changes| changes.yards.len()),
        Some(1)
    );
}

#[test]
fn passwords_go_over_https_or_to_this_machine_only() {
    for address in [
        "https://clampward.example",
        "https://192.0.2.7:8443/",
        "http://127.0.0.1:8080",
        "http://localhost:8080",
        "http://[::1]:8080",
    ] {
        assert!(check_address(address).is_ok(), "{address}");
    }
    for address in [
        "http://clampward.example",
        "http://192.168.1.7:8080",
        "http://0.0.0.0:8080",
        "http://127.0.0.1@clampward.example",
        "http://localhost.clampward.example",
        "ftp://clampward.example",
        "clampward.example",
        "",
    ] {
        let refused = check_address(address).unwrap_err().to_string();
        assert!(refused.contains("https://"), "{address}: {refused}");
    }
}
