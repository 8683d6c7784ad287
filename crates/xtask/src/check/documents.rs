//! A path named in a document exists.
//!
//! Looks at words in backticks that begin with one of the house's folders or are the name of a file in its root, and at
//! links to other files.

/// What a path in backticks begins with.
const FOLDERS: &[&str] = &[
    "crates/",
    "services/",
    "migrations/",
    "openapi/",
    "deploy/",
    "docs/",
    "tests/",
    ".ci/",
    ".cargo/",
    ".config/",
];
/// How the name of a file in the root ends.
const ENDINGS: &[&str] = &[".md", ".toml", ".yml", ".yaml", ".lock"];

/// What a document names that is not there.
pub fn problems(name: &str, text: &str, exists: &dyn Fn(&str) -> bool) -> Vec<String> {
    let mut problems = Vec::new();
    for (index, line) in text.lines().enumerate() {
        for path in quoted(line).filter(|word| is_path(word)).chain(linked(line)) {
            let path = path.trim_end_matches('/');
            if !exists(path) {
                problems.push(format!("{name}:{}: {path} does not exist", index + 1));
            }
        }
    }
    problems
}

/// The words between backticks.
fn quoted(line: &str) -> impl Iterator<Item = &str> {
    line.split('`').skip(1).step_by(2)
}

/// The targets of links to files: no addresses, and without the place in the file.
fn linked(line: &str) -> impl Iterator<Item = &str> {
    let targets = line.split("](").skip(1).filter_map(|rest| rest.split(')').next());
    let targets = targets.filter(|target| !target.contains("://") && !target.starts_with("mailto:"));
    targets
        .filter_map(|target| target.split('#').next())
        .filter(|target| !target.is_empty())
}

/// Placeholders (`NNNN_name.sql`, `<kind>`, `*`) and sentences are no paths.
fn is_path(word: &str) -> bool {
    if word.contains(|c: char| c.is_whitespace() || "<>*{}…$".contains(c)) || word.contains("NNNN") {
        return false;
    }
    FOLDERS.iter().any(|folder| word.starts_with(folder))
        || (!word.contains('/') && ENDINGS.iter().any(|ending| word.ends_with(ending)))
}

#[cfg(test)]
mod tests {
    //! On a made-up house with one file.

    use super::problems;

    fn of(text: &str) -> Vec<String> {
        problems("D.md", text, &|path| {
            path == "crates/here" || path == "Cargo.toml"
        })
    }

    #[test]
    fn a_named_path_that_is_gone_is_found_with_its_line() {
        let text = "See `crates/here/` and `Cargo.toml`.\n\nThen `crates/gone/src/lib.rs` and [it](docs/gone.md#part).";
        assert_eq!(
            of(text),
            [
                "D.md:3: crates/gone/src/lib.rs does not exist",
                "D.md:3: docs/gone.md does not exist"
            ]
        );
    }

    #[test]
    fn what_is_no_path_is_left_alone() {
        let text = "`cargo xtask up`, `migrations/NNNN_name.sql`, `crates/*`, [site](https://example.com/a.md), [here](#top), \
            `serde_json`, `GET /v1/clamps/{id}`";
        assert_eq!(of(text), Vec::<String>::new());
    }
}
