//! Dependencies point one way: services → store → domain, services → wire → domain.
//!
//! Works on the graph that `cargo metadata` gives, whatever it holds; knows cargo's words, and the house's plan below.

use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

/// One of our crates: what of ours it may use, and what it must never reach, even through others.
struct Place {
    name: &'static str,
    ours: &'static [&'static str],
    /// Beginnings of names of crates that must not be reached by any path.
    never: &'static [&'static str],
    /// Crates that must not be used directly.
    not_directly: &'static [&'static str],
}

const RUNTIMES: &[&str] = &[
    "tokio",
    "async-std",
    "smol",
    "sqlx",
    "actix",
    "axum",
    "hyper",
    "reqwest",
    "rustls",
];

/// The plan of the house. A crate that is not in it is a problem: someone must decide where it stands.
const PLAN: &[Place] = &[
    Place {
        name: "clampward-domain",
        ours: &[],
        never: RUNTIMES,
        not_directly: &[],
    },
    Place {
        name: "clampward-wire",
        ours: &["clampward-domain"],
        never: RUNTIMES,
        not_directly: &[],
    },
    Place {
        name: "clampward-store",
        ours: &["clampward-domain"],
        never: &["actix", "axum", "hyper", "reqwest", "utoipa-actix"],
        not_directly: &["utoipa"],
    },
    Place {
        name: "clampward-field",
        ours: &["clampward-domain", "clampward-wire"],
        never: &["tokio", "sqlx", "actix", "hyper", "reqwest"],
        not_directly: &[],
    },
    Place {
        name: "clampward-process",
        ours: &["clampward-domain", "clampward-store"],
        never: &["actix"],
        not_directly: &["sqlx"],
    },
    Place {
        name: "clampward-worker",
        ours: &["clampward-domain", "clampward-store", "clampward-process"],
        never: &["actix"],
        not_directly: &["sqlx", "sqlx-core", "sqlx-postgres", "tokio-postgres", "postgres"],
    },
    Place {
        name: "clampward-api",
        ours: &[
            "clampward-domain",
            "clampward-wire",
            "clampward-store",
            "clampward-process",
        ],
        never: &[],
        not_directly: &["sqlx", "sqlx-core", "sqlx-postgres", "tokio-postgres", "postgres"],
    },
    Place {
        name: "clampward-testkit",
        ours: &[],
        never: &["actix"],
        not_directly: &[],
    },
    Place {
        name: "xtask",
        ours: &["clampward-testkit", "clampward-store", "clampward-domain"],
        never: &["actix"],
        not_directly: &["sqlx"],
    },
    Place {
        name: "clampward-tests",
        ours: &[
            "clampward-domain",
            "clampward-wire",
            "clampward-store",
            "clampward-api",
            "clampward-testkit",
            "clampward-field",
        ],
        never: &[],
        not_directly: &[],
    },
    Place {
        name: "clampward-model",
        ours: &["clampward-domain"],
        never: RUNTIMES,
        not_directly: &[],
    },
];

/// The graph of normal and build dependencies, by the crates' names; several versions of one name count as one.
struct Graph {
    members: BTreeSet<String>,
    uses: BTreeMap<String, BTreeSet<String>>,
}

/// Everything in the graph that is not according to plan.
pub fn problems(metadata: &Value) -> Vec<String> {
    let graph = Graph::read(metadata);
    if graph.members.is_empty() {
        return vec!["cargo metadata names no crate of this workspace".to_owned()];
    }
    graph
        .members
        .iter()
        .flat_map(|member| graph.problems_of(member))
        .collect()
}

impl Graph {
    fn read(metadata: &Value) -> Self {
        let names: BTreeMap<&str, &str> = list(metadata, "/packages")
            .filter_map(|package| Some((text(package, "/id")?, text(package, "/name")?)))
            .collect();
        let name = |id: &Value| {
            id.as_str()
                .and_then(|id| names.get(id))
                .map(|name| (*name).to_owned())
        };
        let mut uses: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
        for node in list(metadata, "/resolve/nodes") {
            let Some(user) = node.get("id").and_then(name) else {
                continue;
            };
            let used = list(node, "/deps").filter(|used| is_built_in(used));
            let used = used.filter_map(|used| used.get("pkg").and_then(name));
            uses.entry(user).or_default().extend(used);
        }
        Self {
            members: list(metadata, "/workspace_members").filter_map(name).collect(),
            uses,
        }
    }

    fn problems_of(&self, member: &str) -> Vec<String> {
        let Some(place) = PLAN.iter().find(|place| place.name == member) else {
            return vec![format!(
                "{member} has no place in the plan of the house (crates/xtask/src/check)"
            )];
        };
        let mut problems = Vec::new();
        for used in self.uses.get(member).into_iter().flatten() {
            if self.members.contains(used) && !place.ours.contains(&used.as_str()) {
                problems.push(format!("{member} must not depend on {used}"));
            }
            if place.not_directly.contains(&used.as_str()) {
                problems.push(format!("{member} must not use {used} itself"));
            }
        }
        for (reached, path) in self.reached(member) {
            if place
                .never
                .iter()
                .any(|never| reached == *never || reached.starts_with(&format!("{never}-")))
            {
                problems.push(format!("{member} must not reach {reached}, but does: {path}"));
            }
        }
        problems
    }

    /// Every crate that is reached from here, with one way to it.
    fn reached(&self, member: &str) -> BTreeMap<String, String> {
        let mut reached = BTreeMap::new();
        let mut open = vec![(member.to_owned(), member.to_owned())];
        while let Some((user, path)) = open.pop() {
            for used in self.uses.get(&user).into_iter().flatten() {
                if !reached.contains_key(used) {
                    let path = format!("{path} → {used}");
                    reached.insert(used.clone(), path.clone());
                    open.push((used.clone(), path));
                }
            }
        }
        reached
    }
}

/// Whether a dependency ends up in what is built, rather than in tests only.
fn is_built_in(used: &Value) -> bool {
    list(used, "/dep_kinds").any(|kind| kind.get("kind").and_then(Value::as_str) != Some("dev"))
}

fn list<'a>(value: &'a Value, pointer: &str) -> impl Iterator<Item = &'a Value> {
    value
        .pointer(pointer)
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
}

fn text<'a>(value: &'a Value, pointer: &str) -> Option<&'a str> {
    value.pointer(pointer).and_then(Value::as_str)
}

#[cfg(test)]
mod tests {
    //! On made-up graphs: what is allowed passes, what is not is named.

    use super::problems;
    use serde_json::{Value, json};

    /// A graph of lines "user: used, used (dev)"; names that begin with "clampward" or are "xtask" are ours.
    fn graph(lines: &[&str]) -> Value {
        let mut names = std::collections::BTreeSet::new();
        let mut nodes = Vec::new();
        for line in lines {
            let (user, used) = line.split_once(':').unwrap();
            names.insert(user);
            let used = used.split(',').map(str::trim).filter(|used| !used.is_empty());
            let deps: Vec<_> = used
                .map(|used| {
                    let name = used.trim_end_matches(" (dev)");
                    names.insert(name);
                    let kind = if used == name { Value::Null } else { json!("dev") };
                    json!({"pkg": format!("id:{name}"), "dep_kinds": [{"kind": kind}]})
                })
                .collect();
            nodes.push(json!({"id": format!("id:{user}"), "deps": deps}));
        }
        let packages: Vec<_> = names
            .iter()
            .map(|n| json!({"id": format!("id:{n}"), "name": n}))
            .collect();
        let ours = names
            .iter()
            .filter(|n| n.starts_with("clampward") || **n == "xtask");
        let members: Vec<_> = ours.map(|n| format!("id:{n}")).collect();
        json!({"packages": packages, "workspace_members": members, "resolve": {"nodes": nodes}})
    }

    #[test]
    fn the_house_as_planned_passes() {
        let planned = graph(&[
            "clampward-api: clampward-store, clampward-wire, clampward-domain, actix-web, clampward-testkit (dev)",
            "clampward-store: clampward-domain, sqlx, tokio, clampward-testkit (dev)",
            "clampward-wire: clampward-domain, utoipa",
            "clampward-domain: jiff, tokio (dev)",
        ]);
        assert_eq!(problems(&planned), Vec::<String>::new());
    }

    #[test]
    fn an_arrow_the_wrong_way_is_named() {
        let wrong = graph(&[
            "clampward-store: clampward-wire",
            "clampward-domain: clampward-store",
        ]);
        let found = problems(&wrong);
        assert!(
            found.contains(&"clampward-store must not depend on clampward-wire".to_owned()),
            "{found:?}"
        );
        assert!(
            found.contains(&"clampward-domain must not depend on clampward-store".to_owned()),
            "{found:?}"
        );
    }

    #[test]
    fn a_runtime_is_found_behind_another_crate_with_the_way_to_it() {
        let wrong = graph(&[
            "clampward-domain: helpful",
            "helpful: tokio-util",
            "tokio-util: bytes",
        ]);
        let way = "clampward-domain → helpful → tokio-util";
        assert_eq!(
            problems(&wrong),
            [format!(
                "clampward-domain must not reach tokio-util, but does: {way}"
            )]
        );
    }

    #[test]
    fn a_name_that_only_begins_alike_is_another_crate() {
        assert_eq!(
            problems(&graph(&["clampward-domain: tokioscope"])),
            Vec::<String>::new()
        );
    }

    #[test]
    fn the_service_has_no_sql_of_its_own() {
        let wrong = graph(&["clampward-api: sqlx, clampward-store", "clampward-store: sqlx"]);
        assert_eq!(problems(&wrong), ["clampward-api must not use sqlx itself"]);
    }

    #[test]
    fn a_crate_nobody_placed_and_an_empty_graph_are_problems() {
        let found = problems(&graph(&["clampward-novelty: jiff"]));
        assert!(
            found
                .iter()
                .any(|problem| problem.starts_with("clampward-novelty has no place")),
            "{found:?}"
        );
        assert_eq!(problems(&json!({})).len(), 1);
    }
}
