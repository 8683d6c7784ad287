//! The environment's variables: a name that begins like ours but is not one is a mistake that must not pass silently.

use clap::Command;
use clap::error::ErrorKind;

/// What every variable of this service begins with.
const PREFIX: &str = "CLAMPWARD_";
/// What variables of the tests begin with.
const TESTS: &str = "CLAMPWARD_TEST_";

/// What the developers' commands and `docker-compose.yml` are told; it reaches the service that they start.
const FOR_OTHERS: [&str; 11] = [
    "CLAMPWARD_API_MEMORY",
    "CLAMPWARD_BUILDER_IMAGE",
    "CLAMPWARD_BUILD_NETWORK",
    "CLAMPWARD_BUILD_PROFILE",
    "CLAMPWARD_BUILD_TARGET",
    "CLAMPWARD_POSTGRES_IMAGE",
    "CLAMPWARD_POSTGRES_MEMORY",
    "CLAMPWARD_RUNTIME_IMAGE",
    "CLAMPWARD_VERSION",
    "CLAMPWARD_WRITE_ANSWERS",
    "CLAMPWARD_WRITE_EXAMPLES",
];

/// Ends a program that was told of a variable which it does not know: it would leave a setting at the usual value without a
/// word. `help` is the command that names those that are known.
pub fn refuse_unknown(mut command: Command, help: &str) {
    let known: Vec<String> = command
        .get_subcommands()
        .chain([&command])
        .flat_map(Command::get_arguments)
        .filter_map(|argument| Some(argument.get_env()?.to_string_lossy().into_owned()))
        .collect();
    let given: Vec<String> = std::env::vars_os()
        .map(|(name, _)| name.to_string_lossy().into_owned())
        .collect();
    let unknown = unknown(given.iter().map(String::as_str), &known);
    if !unknown.is_empty() {
        let advice = format!("see `{help}` for those that are known");
        let message = format!("unknown environment variable {}: {advice}\n", unknown.join(", "));
        command.error(ErrorKind::UnknownArgument, message).exit();
    }
}

/// Those names that begin like ours and are unknown.
fn unknown<'a>(names: impl IntoIterator<Item = &'a str>, known: &[String]) -> Vec<&'a str> {
    let mut unknown: Vec<&str> = names
        .into_iter()
        .filter(|name| name.starts_with(PREFIX) && !name.starts_with(TESTS) && !is_link(name))
        .filter(|name| !FOR_OTHERS.contains(name) && !known.iter().any(|known| known == name))
        .collect();
    unknown.sort_unstable();
    unknown
}

/// Kubernetes tells every container where a service called `clampward…` is, in variables that nobody asked for.
fn is_link(name: &str) -> bool {
    name.ends_with("_SERVICE_HOST")
        || name.contains("_SERVICE_PORT")
        || name.ends_with("_PORT")
        || name.contains("_PORT_")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_mistyped_variable_is_named_and_what_others_set_is_not() {
        let known = ["CLAMPWARD_LISTEN".to_owned()];
        let given = [
            "PATH",
            "CLAMPWARD_LISTEN",
            "CLAMPWARD_WORKER",
            "CLAMPWARD_LISTENS",
            "CLAMPWARD_TEST_IMAGE",
            "CLAMPWARD_POSTGRES_IMAGE",
            "CLAMPWARD_RUNTIME_IMAGE",
            "CLAMPWARD_API_SERVICE_HOST",
            "CLAMPWARD_API_SERVICE_PORT_HTTP",
            "CLAMPWARD_API_PORT",
            "CLAMPWARD_API_PORT_8080_TCP_ADDR",
        ];
        assert_eq!(unknown(given, &known), ["CLAMPWARD_LISTENS", "CLAMPWARD_WORKER"]);
    }
}
