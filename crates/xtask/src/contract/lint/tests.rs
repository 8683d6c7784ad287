//! Each rule of the style is broken once, and only that rule speaks.

use super::*;
use serde_json::json;

/// A small contract that breaks no rule.
fn good() -> Value {
    json!({
        "openapi": "3.1.0",
        "info": {"title": "T", "summary": "S", "version": "1", "description": "D"},
        "servers": [{"url": "/"}],
        "tags": [{"name": "Yards", "description": "Yards."}],
        "paths": {"/v1/tool-cribs/{yard_id}": {"post": {
            "operationId": "open_tool_crib", "summary": "Open a tool crib", "description": "Opens it.\n\nPermission: `p` (lead).",
            "tags": ["Yards"], "x-permission": "p", "x-problems": ["not-found"], "security": [{"bearer": []}],
            "parameters": [{"name": "yard_id", "in": "path", "required": true, "description": "The yard.", "schema": {"type": "string"}}],
            "requestBody": {"content": {"application/json": {"schema": {"$ref": "#/components/schemas/Crib"}}}},
            "responses": {
                "200": {"description": "Open.", "content": {"application/json": {"schema": {"$ref": "#/components/schemas/Crib"}}}},
                "404": {"$ref": "#/components/responses/NotFound"}
            }
        }}},
        "components": {
            "schemas": {"Crib": {"type": "object", "description": "A crib.", "properties": {
                "opened_on": {"type": "string", "format": "date", "description": "The day."}
            }}},
            "responses": {"NotFound": {"description": "`not-found`: Not found.", "content": {"application/problem+json": {
                "schema": {"type": "object"},
                "examples": {"not-found": {"value": {"type": "/problems/not-found", "code": "not-found"}}}
            }}}}
        }
    })
}

/// The same with one value changed; null takes it away.
fn with(pointer: &str, value: Value) -> Value {
    let mut document = good();
    let (parent, name) = pointer.rsplit_once('/').unwrap();
    let name = name.replace("~1", "/");
    let parent = document.pointer_mut(parent).unwrap().as_object_mut().unwrap();
    if value.is_null() {
        parent.shift_remove(&name);
    } else {
        parent.insert(name, value);
    }
    document
}

#[test]
fn a_contract_that_breaks_no_rule_passes() {
    assert_eq!(problems(&good()), Vec::<String>::new());
}

#[test]
fn every_rule_of_the_style_is_enforced() {
    const POST: &str = "/paths/~1v1~1tool-cribs~1{yard_id}/post";
    let operation = |name: &str| format!("{POST}/{name}");
    let broken = [
        (
            "/info/description".to_owned(),
            Value::Null,
            "info: no description",
        ),
        ("/servers".to_owned(), json!([]), "no servers"),
        (
            "/tags".to_owned(),
            json!([{"name": "Yards"}]),
            "tag Yards: no description",
        ),
        (
            operation("operationId"),
            json!("openToolCrib"),
            "is not in snake_case",
        ),
        (
            operation("summary"),
            json!("Open a tool crib."),
            "without a full stop",
        ),
        (
            operation("summary"),
            json!("x".repeat(73)),
            "the summary is 1 to 72",
        ),
        (
            operation("description"),
            json!("Permission: `p` (lead)."),
            "no description of its own",
        ),
        (
            operation("tags"),
            json!(["Other"]),
            "exactly one of the described tags",
        ),
        (
            operation("x-permission"),
            json!("public"),
            "permission \"public\" and security disagree",
        ),
        (operation("parameters"), json!([]), "the path's parameters are"),
        (
            operation("responses"),
            json!({"404": {"$ref": "#/components/responses/NotFound"}}),
            "no success",
        ),
        (
            operation("x-problems"),
            json!(["other"]),
            "no problem that x-problems lists",
        ),
        (
            "/components/responses/NotFound/description".to_owned(),
            Value::Null,
            "404 is not described",
        ),
        (
            "/components/responses/NotFound/content".to_owned(),
            json!({"application/json": {"schema": {"type": "object"}}}),
            "is not application/problem+json alone",
        ),
        (
            "/components/schemas/Crib/description".to_owned(),
            Value::Null,
            "schema Crib is not described",
        ),
        (
            "/components/schemas/Crib/properties/opened_on/description".to_owned(),
            Value::Null,
            "Crib.opened_on is not described",
        ),
        (
            "/components/schemas/Crib/properties/openedOn".to_owned(),
            json!({"type": "string", "description": "x"}),
            "Crib.openedOn is not in snake_case",
        ),
        (
            "/components/schemas/Crib/enum".to_owned(),
            json!(["InService"]),
            "the word InService has capitals",
        ),
        (
            "/components/schemas/Crib/items".to_owned(),
            json!({"properties": {}}),
            "an object without a name or title",
        ),
        (
            "/components/schemas/Unused".to_owned(),
            json!({"type": "string", "description": "x"}),
            "schemas/Unused: nothing refers to it",
        ),
        (
            "/components/schemas/Crib/not".to_owned(),
            json!({"$ref": "#/components/schemas/Gone"}),
            "leads nowhere",
        ),
    ];
    for (pointer, value, expected) in broken {
        let found = problems(&with(&pointer, value));
        assert!(
            found.iter().any(|problem| problem.contains(expected)),
            "{pointer}: {found:?}"
        );
    }
}

#[test]
fn paths_are_in_kebab_case_and_end_without_a_slash() {
    for (path, good) in [
        ("/v1/tag-outs", true),
        ("/.well-known/jwks.json", true),
        ("/v1/tagOuts", false),
        ("/v1/tag_outs", false),
        ("/v1/clamps/", false),
        ("/v1/clamps/{clampId}", false),
    ] {
        let mut found = Vec::new();
        paths(&json!({"paths": {path: {}}}), &mut found);
        assert_eq!(found.is_empty(), good, "{path}: {found:?}");
    }
}

#[test]
fn two_operations_do_not_bear_one_name() {
    let mut document = good();
    let item = document
        .pointer("/paths/~1v1~1tool-cribs~1{yard_id}")
        .unwrap()
        .clone();
    document["paths"]["/v1/others/{yard_id}"] = item;
    assert_eq!(
        problems(&document),
        ["POST /v1/others/{yard_id}: operationId stands twice"]
    );
}
