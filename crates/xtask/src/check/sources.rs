//! Every source file says on top what it is, and stays small enough to be read at one sitting.

use std::path::Path;

/// Most lines of a source file that are not tests.
const MOST_LINES: usize = 499;

/// What is wrong with one Rust or SQL file.
pub fn problems(path: &Path, text: &str) -> Vec<String> {
    let is_rust = path.extension().is_some_and(|extension| extension == "rs");
    let header = if is_rust { "//!" } else { "--" };
    let mut problems = Vec::new();
    if !text.starts_with(header) {
        problems.push(format!(
            "{}: does not open with a `{header}` header",
            path.display()
        ));
    }
    let lines = production_lines(text);
    if is_rust && !is_test(path) && lines > MOST_LINES {
        problems.push(format!(
            "{}: {lines} lines without its tests, at most {MOST_LINES}",
            path.display()
        ));
    }
    problems
}

/// Files that hold nothing but tests: those in a `tests` folder and those named after it.
fn is_test(path: &Path) -> bool {
    path.components()
        .any(|part| part.as_os_str() == "tests" || part.as_os_str() == "tests.rs")
}

/// The lines before the tests at the end of the file.
fn production_lines(text: &str) -> usize {
    text.lines().take_while(|line| *line != "#[cfg(test)]").count()
}

#[cfg(test)]
mod tests {
    //! Headers and sizes.

    use super::*;

    fn of(path: &str, text: &str) -> Vec<String> {
        problems(Path::new(path), text)
    }

    #[test]
    fn a_file_without_a_header_is_named() {
        assert_eq!(of("a.rs", "//! Owns a.\n"), Vec::<String>::new());
        assert_eq!(
            of("a.rs", "use b;\n//! Too late.\n"),
            ["a.rs: does not open with a `//!` header"]
        );
        assert_eq!(
            of("migrations/0001_a.sql", "-- Why.\nselect 1;"),
            Vec::<String>::new()
        );
        assert_eq!(
            of("b.sql", "select 1;"),
            ["b.sql: does not open with a `--` header"]
        );
    }

    #[test]
    fn five_hundred_lines_are_too_many_and_tests_do_not_count() {
        let long = format!("//! Long.\n{}", "let a;\n".repeat(MOST_LINES));
        assert_eq!(
            of("src/a.rs", &long),
            ["src/a.rs: 500 lines without its tests, at most 499"]
        );
        let just = format!("//! Long.\n{}", "let a;\n".repeat(MOST_LINES - 1));
        assert_eq!(
            of("src/a.rs", &format!("{just}#[cfg(test)]\nmod tests {{}}\n")),
            Vec::<String>::new()
        );
        assert_eq!(of("src/a/tests.rs", &long), Vec::<String>::new());
        assert_eq!(of("tests/tests/a.rs", &long), Vec::<String>::new());
    }
}
