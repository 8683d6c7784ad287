//! The README's lines run as they stand, from the command that a newcomer types, and answer what the README says.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test fails by panicking"
)]

use clampward_tests::program;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, Command, Stdio};

/// Stands between the answers of two lines.
const SEPARATOR: char = '\u{1e}';

/// A line to type, and what it answers.
struct Line {
    typed: String,
    answer: String,
}

/// The lines of every `console` block.
fn lines(readme: &str) -> Vec<Line> {
    let mut lines: Vec<Line> = Vec::new();
    let mut inside = false;
    for text in readme.lines() {
        match (inside, text) {
            (false, "```console") => inside = true,
            (true, "```") => inside = false,
            (true, text) => match text.strip_prefix("$ ") {
                Some(typed) => lines.push(Line {
                    typed: typed.to_owned(),
                    answer: String::new(),
                }),
                None => {
                    let last = lines.last_mut().expect("an answer follows a line");
                    last.answer.push_str(text);
                    last.answer.push('\n');
                }
            },
            (false, _) => {}
        }
    }
    lines
}

struct Up(Child);

impl Drop for Up {
    fn drop(&mut self) {
        let id = self.0.id().to_string();
        // Ctrl-C, as a person would; it stops the service and the database.
        let _ = Command::new("kill").args(["-INT", &id]).status();
        let _ = self.0.wait();
    }
}

#[test]
fn the_readme_takes_a_clamp_through_its_whole_life() {
    let readme = std::fs::read_to_string(program::root().join("README.md")).unwrap();
    let lines = lines(&readme);
    assert!(lines.len() > 30, "{} lines", lines.len());
    let folder = tempfile::Builder::new()
        .prefix("clampward-up-")
        .tempdir_in("/var/tmp")
        .unwrap();
    let port = program::free_port();
    let child = Command::new(program::binary("xtask"))
        .args(["up", "--json", "--port", &port.to_string(), "--data-dir"])
        .arg(folder.path().join("data"))
        .current_dir(program::root())
        .env_remove("DATABASE_URL")
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut up = Up(child);
    let mut ready = String::new();
    BufReader::new(up.0.stdout.take().unwrap())
        .read_line(&mut ready)
        .unwrap();
    let ready: serde_json::Value = serde_json::from_str(&ready).expect("one line of JSON when ready");
    let url = ready["url"].as_str().unwrap();
    assert!(
        ready["accounts"]
            .as_array()
            .unwrap()
            .iter()
            .any(|account| account["role"] == "safety"),
        "{ready}"
    );

    let mut script = String::new();
    for line in &lines {
        // The one line that differs: the address.
        let typed = if line.typed.starts_with("C=") {
            format!("C={url}")
        } else {
            line.typed.clone()
        };
        script += &format!("{typed}\nprintf '\\x1e'\n");
    }
    let mut bash = Command::new("bash")
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut stdin = bash.stdin.take().unwrap();
    let typing = std::thread::spawn(move || stdin.write_all(script.as_bytes()).unwrap());
    let output = bash.wait_with_output().unwrap();
    typing.join().unwrap();
    let answers = String::from_utf8(output.stdout).unwrap();
    let answers: Vec<&str> = answers.split(SEPARATOR).collect();
    for (line, answer) in lines.iter().zip(&answers) {
        assert_eq!(*answer, line.answer, "$ {}", line.typed);
    }
    assert_eq!(answers.len(), lines.len() + 1);
}
