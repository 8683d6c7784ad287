//! Documents whose lines to type are run as they stand: every `console` block, line by line, answers compared.

use crate::program;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};

/// The folder that `cargo xtask up` keeps everything in, by its option and in the environment.
const DATA: &str = "data";
const DATA_DIR: &str = "CLAMPWARD_DATA_DIR";
/// Stands between the answers of two lines.
const SEPARATOR: char = '\u{1e}';

/// A line to type, and what it answers.
struct Line {
    typed: String,
    answer: String,
    /// Its number in the document, and the one after its answer.
    numbers: (usize, usize),
}

/// Which lines of a document.
#[derive(Clone, Copy)]
pub enum Part<'a> {
    /// All of them.
    Whole,
    /// Those below the heading of the second level with these words.
    Section(&'a str),
    /// All but those.
    Without(&'a str),
}

impl Part<'_> {
    fn holds(self, heading: &str) -> bool {
        match self {
            Part::Whole => true,
            Part::Section(words) => heading == words,
            Part::Without(words) => heading != words,
        }
    }
}

/// The lines of every `console` block of a part of a document.
fn lines(document: &str, part: Part<'_>) -> Vec<Line> {
    let mut lines: Vec<Line> = Vec::new();
    let mut inside = false;
    let mut heading = "";
    for (number, text) in document.lines().enumerate() {
        if !inside && let Some(words) = text.strip_prefix("## ") {
            heading = words;
        }
        match (inside, text) {
            (false, "```console") => inside = true,
            (true, "```") => inside = false,
            // What is left out is read all the same: an answer may look like a heading.
            (true, _) if !part.holds(heading) => {}
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
            .arg(folder.path().join(DATA))
            .current_dir(program::root())
            .env_remove("DATABASE_URL")
            .env_remove(DATA_DIR)
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

    /// Runs the lines of a part of a document of the workspace, in one shell, and compares every answer.
    ///
    /// With `CLAMPWARD_WRITE_ANSWERS` in the environment the answers are written into the document instead, for a
    /// person to read before they commit them.
    pub fn run(&self, document: &str, part: Part<'_>) -> usize {
        let path = program::root().join(document);
        let text = std::fs::read_to_string(&path).unwrap();
        let lines = lines(&text, part);
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
        // A folder of its own stands for the clone: what is built lies below it, and cargo finds the workspace.
        let mut script = format!("cargo() ( cd {:?} && command cargo \"$@\"; )\n", program::root());
        for line in lines {
            // The one line that differs: the address.
            let typed = if line.typed.starts_with("C=") {
                format!("C={url}")
            } else {
                line.typed.clone()
            };
            script += &format!("{typed}\nprintf '\\x1e'\n");
        }
        let field = Path::new(self.ready["field"].as_str().unwrap());
        let target = field.ancestors().nth(2).expect("target/debug/clampward-field");
        let link = self.folder.path().join("target");
        if !link.exists() {
            std::os::unix::fs::symlink(target, &link).unwrap();
        }
        let mut command = Command::new("bash");
        for (variable, _) in std::env::vars_os() {
            // What cargo says about this package would make it build others anew; and a person's own tablet is none of ours.
            let text = variable.to_string_lossy();
            if ["CARGO_PKG_", "CARGO_MANIFEST_", "CLAMPWARD_FIELD_"]
                .iter()
                .any(|beginning| text.starts_with(beginning))
            {
                command.env_remove(&variable);
            }
        }
        let mut bash = command
            .current_dir(self.folder.path())
            .env(DATA_DIR, self.folder.path().join(DATA))
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
        let lines = lines(text, Part::Whole);
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

    #[test]
    fn a_section_is_run_by_itself_or_left_out_and_its_answers_alone_are_written() {
        let text = "```console\n$ zero\n```\n\n## One\n\n```console\n$ one\n## no heading\n```\n\n### Still one\n\n```console\n$ more\n```\n\n## Two\n\n```console\n$ two\n```\n";
        let typed = |part| -> Vec<String> { lines(text, part).into_iter().map(|line| line.typed).collect() };
        assert_eq!(typed(Part::Section("One")), ["one", "more"]);
        assert_eq!(typed(Part::Without("One")), ["zero", "two"]);
        let section = lines(text, Part::Section("One"));
        let written = with_answers(text, &section, &["new\n".to_owned(), String::new()]);
        assert_eq!(written, text.replace("## no heading", "new"));
    }
}
