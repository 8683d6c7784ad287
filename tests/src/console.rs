//! Documents whose lines to type are run as they stand: every `console` block, line by line, answers compared.

use crate::program;
use std::io::{BufRead, BufReader, Write};
use std::process::{Child, Command, Stdio};

/// Stands between the answers of two lines.
const SEPARATOR: char = '\u{1e}';

/// A line to type, and what it answers.
struct Line {
    typed: String,
    answer: String,
    /// Its number in the document, and the one after its answer.
    numbers: (usize, usize),
}

/// The lines of every `console` block.
fn lines(document: &str) -> Vec<Line> {
    let mut lines: Vec<Line> = Vec::new();
    let mut inside = false;
    for (number, text) in document.lines().enumerate() {
        match (inside, text) {
            (false, "```console") => inside = true,
            (true, "```") => inside = false,
            (true, text) => match text.strip_prefix("$ ") {
                Some(typed) => lines.push(Line {
                    typed: typed.to_owned(),
                    answer: String::new(),
                    numbers: (number, number + 1),
                }),
                None => {
                    let last = lines.last_mut().expect("an answer follows a line");
                    last.answer.push_str(text);
                    last.answer.push('\n');
                    last.numbers.1 = number + 1;
                }
            },
            (false, _) => {}
        }
    }
    lines
}

/// Everything that `cargo xtask up` starts, with the invented fleet, on a port and in a folder of its own.
pub struct Up {
    child: Child,
    folder: tempfile::TempDir,
    /// What it said when it was ready.
    pub ready: serde_json::Value,
}

impl Up {
    /// Starts it and waits until it is ready.
    pub fn start() -> Self {
        let folder = tempfile::Builder::new()
            .prefix("clampward-up-")
            .tempdir_in("/var/tmp")
            .unwrap();
        let port = program::free_port();
        let mut child = Command::new(program::binary("xtask"))
            .args(["up", "--json", "--port", &port.to_string(), "--data-dir"])
            .arg(folder.path().join("data"))
            .current_dir(program::root())
            .env_remove("DATABASE_URL")
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut ready = String::new();
        let output = child.stdout.take().unwrap();
        BufReader::new(output).read_line(&mut ready).unwrap();
        let mut up = Self {
            child,
            folder,
            ready: serde_json::Value::Null,
        };
        up.ready = serde_json::from_str(&ready).expect("one line of JSON when ready");
        up
    }

    /// Runs the lines of a document of the workspace and compares every answer.
    ///
    /// With `CLAMPWARD_WRITE_ANSWERS` in the environment the answers are written into the document instead, for a
    /// person to read before they commit them.
    pub fn run(&self, document: &str) -> usize {
        let path = program::root().join(document);
        let text = std::fs::read_to_string(&path).unwrap();
        let lines = lines(&text);
        let answers = self.answers(&lines);
        if std::env::var_os("CLAMPWARD_WRITE_ANSWERS").is_some() {
            std::fs::write(&path, with_answers(&text, &lines, &answers)).unwrap();
            return lines.len();
        }
        for (line, answer) in lines.iter().zip(&answers) {
            assert_eq!(
                *answer,
                line.answer,
                "{document}:{}: $ {}",
                line.numbers.0 + 1,
                line.typed
            );
        }
        assert_eq!(answers.len(), lines.len() + 1, "{document}");
        lines.len()
    }

    fn answers(&self, lines: &[Line]) -> Vec<String> {
        let url = self.ready["url"].as_str().unwrap();
        let mut script = String::new();
        for line in lines {
            // The one line that differs: the address.
            let typed = if line.typed.starts_with("C=") {
                format!("C={url}")
            } else {
                line.typed.clone()
            };
            script += &format!("{typed}\nprintf '\\x1e'\n");
        }
        let mut bash = Command::new("bash")
            .current_dir(self.folder.path())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let mut stdin = bash.stdin.take().unwrap();
        let typing = std::thread::spawn(move || stdin.write_all(script.as_bytes()).unwrap());
        let output = bash.wait_with_output().unwrap();
        typing.join().unwrap();
        let answers = String::from_utf8(output.stdout).unwrap();
        answers.split(SEPARATOR).map(str::to_owned).collect()
    }
}

impl Drop for Up {
    fn drop(&mut self) {
        let id = self.child.id().to_string();
        // Ctrl-C, as a person would; it stops the service and the database.
        let _ = Command::new("kill").args(["-INT", &id]).status();
        let _ = self.child.wait();
    }
}

/// The document with other answers.
fn with_answers(text: &str, lines: &[Line], answers: &[String]) -> String {
    let mut written = String::new();
    let mut lines = lines.iter().zip(answers).peekable();
    let mut skip_to = 0;
    for (number, line) in text.lines().enumerate() {
        if number < skip_to {
            continue;
        }
        written.push_str(line);
        written.push('\n');
        if let Some((known, answer)) = lines.next_if(|(known, _)| known.numbers.0 == number) {
            written.push_str(answer);
            skip_to = known.numbers.1;
        }
    }
    written
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_and_answers_are_told_apart_and_answers_can_be_written_anew() {
        let text = "Text.\n\n```console\n$ one\n$ two\nold\nolder\n```\n\n```sh\nnot run\n```\n";
        let lines = lines(text);
        let typed: Vec<_> = lines
            .iter()
            .map(|line| (line.typed.as_str(), line.answer.as_str()))
            .collect();
        assert_eq!(typed, [("one", ""), ("two", "old\nolder\n")]);
        let answers = ["".to_owned(), "new\n".to_owned()];
        let written = with_answers(text, &lines, &answers);
        assert_eq!(
            written,
            "Text.\n\n```console\n$ one\n$ two\nnew\n```\n\n```sh\nnot run\n```\n"
        );
    }
}
