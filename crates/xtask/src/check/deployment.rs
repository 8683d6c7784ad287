//! What is handed to container engines and service managers holds together: base images have a version, nothing secret
//! is written down, nothing but this machine is listened to, what is named exists, and every setting is one that the
//! service knows.
//!
//! Reads lines, not YAML: it holds the files to the plain form in which they are written.

use std::collections::BTreeSet;

/// The page for those who run it.
pub const PAGE: &str = "deploy/README.md";

/// A file: its name and its text.
pub type File<'a> = (&'a str, &'a str);

/// What the files may refer to.
pub struct House<'a> {
    /// Whether a path is there.
    pub exists: &'a dyn Fn(&str) -> bool,
    /// The settings that the service reads from its environment.
    pub settings: &'a BTreeSet<String>,
    /// What [`PAGE`] says.
    pub page: &'a str,
}

/// Whether a file is one of those.
pub fn concerns(name: &str) -> bool {
    name == "docker-compose.yml"
        || (name.starts_with("deploy/")
            && (name.ends_with("Containerfile") || name.ends_with(".yml") || name.ends_with(".service")))
}

/// Everything that is wrong with one of them.
pub fn problems((name, text): File<'_>, house: &House<'_>) -> Vec<String> {
    let folder = if name.contains("postgresql/") {
        "deploy/postgresql/"
    } else {
        ""
    };
    let stages = stages(text);
    let mut problems = Vec::new();
    for (index, line) in text.lines().enumerate() {
        let line = line.trim();
        if line.starts_with('#') {
            continue;
        }
        let mut say = |what: String| problems.push(format!("{name}:{}: {what}", index + 1));
        for image in images(line, &stages) {
            if !has_version(&image) {
                say(format!("the image {image} needs a version other than `latest`"));
            }
        }
        for path in paths(line, folder) {
            let to_be_filled = path
                .rsplit_once('/')
                .map(|(parent, _)| format!("{parent}/.gitignore"));
            if !(house.exists)(&path) && !to_be_filled.is_some_and(|mark| (house.exists)(&mark)) {
                say(format!("{path} does not exist"));
            }
        }
        if let Some(secret) = written_secret(line) {
            say(format!("{secret} is written down: make it a file"));
        }
        if let Some(ports) = line.strip_prefix("ports:") {
            let open = quoted(ports).any(|port| !port.starts_with("127.0.0.1:"));
            if open || quoted(ports).next().is_none() {
                say("ports are published on 127.0.0.1, all in one line".to_owned());
            }
        }
        for setting in settings(line).filter(|setting| !house.settings.contains(*setting)) {
            say(format!("the service knows no {setting}"));
        }
        for variable in variables(line).filter(|variable| !house.page.contains(&format!("`{variable}`"))) {
            say(format!("{PAGE} does not explain {variable}"));
        }
    }
    problems
}

/// The names that follow `env = "` in the service's source.
pub fn settings_read(source: &str) -> impl Iterator<Item = &str> {
    let parts = source.split("env = \"").skip(1);
    parts.filter_map(|part| part.split('"').next())
}

/// The stages of a Containerfile.
fn stages(text: &str) -> BTreeSet<&str> {
    let lines = text.lines().filter(|line| line.starts_with("FROM "));
    lines.filter_map(|line| line.split(" AS ").nth(1)).collect()
}

/// The images that a line names, with the defaults of variables in their places.
fn images(line: &str, stages: &BTreeSet<&str>) -> Vec<String> {
    let mut found = Vec::new();
    if let Some(image) = line.strip_prefix("image:") {
        found.push(with_defaults(image.trim()));
    }
    if let Some(rest) = line.strip_prefix("FROM ") {
        let image = rest.split(' ').next().unwrap_or_default();
        if !image.starts_with("${") && !stages.contains(image) {
            found.push(image.to_owned());
        }
    }
    if let Some((name, image)) = line.strip_prefix("ARG ").and_then(|rest| rest.split_once('='))
        && name.ends_with("_IMAGE")
    {
        found.push(image.to_owned());
    }
    if let Some((name, image)) = line.split_once(": ")
        && name.ends_with("_IMAGE")
    {
        found.push(with_defaults(image));
    }
    found
}

/// `${NAME:-default}` as the default.
fn with_defaults(text: &str) -> String {
    let mut whole = String::new();
    let mut rest = text;
    while let Some((before, variable)) = rest.split_once("${") {
        whole.push_str(before);
        let (inner, after) = variable.split_once('}').unwrap_or((variable, ""));
        whole.push_str(inner.split_once(":-").map_or("", |(_, default)| default));
        rest = after;
    }
    whole.push_str(rest);
    whole
}

fn has_version(image: &str) -> bool {
    if image.contains("@sha256:") {
        return true;
    }
    let last = image.rsplit('/').next().unwrap_or_default();
    let version = last.split_once(':').map_or("", |(_, version)| version);
    !version.is_empty() && version != "latest"
}

/// The files and folders of the checkout that a line takes.
fn paths(line: &str, folder: &str) -> Vec<String> {
    if let Some(rest) = line.strip_prefix("COPY ") {
        let words: Vec<_> = rest.split(' ').filter(|word| !word.is_empty()).collect();
        if words.iter().any(|word| word.starts_with("--from=")) {
            return Vec::new();
        }
        let sources = words.split_last().map_or(&[][..], |(_, sources)| sources);
        return sources.iter().map(|source| format!("{folder}{source}")).collect();
    }
    let named = ["context:", "dockerfile:", "env_file:"]
        .into_iter()
        .find_map(|key| line.strip_prefix(key));
    match named.map(str::trim) {
        // Beside its context: the folder's own name stands in the line before.
        Some("Containerfile") | None => {}
        Some(path) => return vec![path.to_owned()],
    }
    let bound = quoted(line).chain(line.strip_prefix("- "));
    let bound = bound.filter(|word| word.starts_with("./"));
    bound
        .filter_map(|word| word.split(':').next())
        .map(str::to_owned)
        .collect()
}

/// The words between double quotes.
fn quoted(line: &str) -> impl Iterator<Item = &str> {
    line.split('"').skip(1).step_by(2)
}

/// What a line says that only few may know: a value of a setting that is called a secret, or a password in an address.
fn written_secret(line: &str) -> Option<&str> {
    for word in line.split([' ', '"', '\'']) {
        if let Some((_, rest)) = word.split_once("://")
            && let Some((person, _)) = rest.split('/').next()?.rsplit_once('@')
            && let Some((_, password)) = person.split_once(':')
            && !password.starts_with("${")
        {
            return Some(word);
        }
    }
    let line = line
        .strip_prefix("Environment=")
        .unwrap_or(line)
        .trim_start_matches("- ");
    let (name, value) = line.split_once(['=', ':'])?;
    let name = name.trim_start_matches("ENV ").trim_start_matches("ARG ").trim();
    let called_so = ["PASSWORD", "SECRET", "TOKEN", "_KEY"];
    let is_name = name
        .chars()
        .all(|c| c.is_ascii_uppercase() || c.is_ascii_digit() || c == '_');
    let value = value.trim().trim_matches('"');
    let harmless =
        value.is_empty() || value.starts_with('/') || value.starts_with("%d/") || value.starts_with("%S/");
    (is_name && called_so.iter().any(|word| name.contains(word)) && !harmless).then_some(name)
}

/// The settings that a line gives to the service: `NAME: value`, `NAME=value`, `Environment=NAME=value`.
fn settings(line: &str) -> impl Iterator<Item = &str> {
    let line = line.strip_prefix("Environment=").unwrap_or(line);
    let line = line.strip_prefix("ENV ").unwrap_or(line);
    let name = line.split([':', '=']).next().unwrap_or_default();
    let is_one = name.starts_with("CLAMPWARD_") && name.len() < line.len();
    is_one.then_some(name).into_iter()
}

/// The variables by which whoever starts it may change a line.
fn variables(line: &str) -> impl Iterator<Item = &str> {
    let parts = line.split("${").skip(1);
    parts
        .filter_map(|part| part.split([':', '}']).next())
        .filter(|name| name.starts_with("CLAMPWARD_"))
}

#[cfg(test)]
mod tests {
    //! On made-up files.

    use super::{House, concerns, problems, settings_read};
    use std::collections::BTreeSet;

    fn of(name: &str, text: &str) -> Vec<String> {
        let settings =
            settings_read("#[arg(long, env = \"CLAMPWARD_LISTEN\")] a: u8, env = \"CLAMPWARD_URL_FILE\"");
        let house = House {
            exists: &|path| ["deploy/Containerfile", "deploy/prebuilt/.gitignore", "./here"].contains(&path),
            settings: &settings.map(str::to_owned).collect::<BTreeSet<_>>(),
            page: "| `CLAMPWARD_PORT` | port |",
        };
        let found = problems((name, text), &house);
        found
            .into_iter()
            .map(|problem| problem.trim_start_matches(name).to_owned())
            .collect()
    }

    #[test]
    fn an_image_without_a_version_or_with_the_latest_is_found() {
        let text = "ARG BASE_IMAGE=debian\nFROM ${BASE_IMAGE} AS one\nFROM one AS two\nFROM rust:latest\nFROM host:5000/a/rust:1.95\nFROM a@sha256:00";
        assert_eq!(
            of("deploy/Containerfile", text),
            [
                ":1: the image debian needs a version other than `latest`",
                ":4: the image rust:latest needs a version other than `latest`"
            ]
        );
        let text = "image: api:${CLAMPWARD_PORT:-latest}\nimage: api:${CLAMPWARD_PORT:-1}\nA_IMAGE: ${CLAMPWARD_PORT:-postgres}";
        let wanted = [
            ":1: the image api:latest needs a version other than `latest`",
            ":3: the image postgres needs a version other than `latest`",
        ];
        assert_eq!(of("docker-compose.yml", text), wanted);
    }

    #[test]
    fn a_secret_that_is_written_down_is_found_and_the_file_of_one_is_not() {
        let text = "POSTGRES_PASSWORD: hush\n# PASSWORD: in a remark\nA_PASSWORD_FILE: /run/it\nURL: postgres://a:hush@b/c\n\
            URL: postgres://a:${CLAMPWARD_PORT}@b/c\nEnvironment=A_TOKEN=hush\nEnvironment=A_TOKEN_FILE=%d/it";
        assert_eq!(
            of("docker-compose.yml", text),
            [
                ":1: POSTGRES_PASSWORD is written down: make it a file",
                ":4: postgres://a:hush@b/c is written down: make it a file",
                ":6: A_TOKEN is written down: make it a file"
            ]
        );
    }

    #[test]
    fn a_port_for_everybody_is_found() {
        let text = "ports: [\"127.0.0.1:${CLAMPWARD_PORT:-1}:1\"]\nports: [\"8080:8080\"]\nports:\n  - \"127.0.0.1:1:1\"";
        let wanted = [
            ":2: ports are published on 127.0.0.1, all in one line",
            ":3: ports are published on 127.0.0.1, all in one line",
        ];
        assert_eq!(of("docker-compose.yml", text), wanted);
    }

    #[test]
    fn a_path_that_is_gone_is_found_and_one_that_is_filled_from_outside_is_not() {
        let text = "dockerfile: deploy/Containerfile\ndockerfile: deploy/Gone\nvolumes: [\"./gone:/a:ro\", \"./here:/b\"]\n- ./gone:/c";
        let wanted = [
            ":2: deploy/Gone does not exist",
            ":3: ./gone does not exist",
            ":4: ./gone does not exist",
        ];
        assert_eq!(of("docker-compose.yml", text), wanted);
        let text = "COPY deploy/prebuilt/clampward-api /a\nCOPY --from=b /x /y\nCOPY gone.sh deploy/Containerfile /z/";
        assert_eq!(of("deploy/Containerfile", text), [":3: gone.sh does not exist"]);
        let inside = of("deploy/postgresql/Containerfile", "COPY start.sh /z/");
        assert_eq!(inside, [":1: deploy/postgresql/start.sh does not exist"]);
    }

    #[test]
    fn a_setting_that_the_service_does_not_know_and_a_variable_that_nobody_explains_are_found() {
        let text = "CLAMPWARD_LISTEN: ${CLAMPWARD_PORT:-1}\nCLAMPWARD_LISTENS: 1\nEnvironment=CLAMPWARD_URL_FILE=%d/a\nA: ${CLAMPWARD_OTHER:-1}";
        assert_eq!(
            of("docker-compose.yml", text),
            [
                ":2: the service knows no CLAMPWARD_LISTENS",
                ":4: deploy/README.md does not explain CLAMPWARD_OTHER"
            ]
        );
        assert!(concerns("docker-compose.yml") && concerns("deploy/systemd/a.service"));
        assert!(!concerns("deploy/README.md") && !concerns("crates/a/Containerfile"));
    }
}
