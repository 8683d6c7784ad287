//! Every rule in both directions: what breaks whoever sends or reads, and the opposite change, which does not.

use super::*;
use serde_json::json;

/// A contract with one operation.
fn contract(operation: Value) -> Value {
    json!({"paths": {"/v1/x": {"post": operation}}, "components": {"schemas": {
        "Loop": {"type": "object", "properties": {"next": {"$ref": "#/components/schemas/Loop"}, "name": {"type": "string"}}}
    }}})
}

fn sent(schema: Value) -> Value {
    contract(json!({"requestBody": {"content": {"application/json": {"schema": schema}}}, "responses": {}}))
}

fn read(schema: Value) -> Value {
    contract(json!({"responses": {"200": {"content": {"application/json": {"schema": schema}}}}}))
}

#[track_caller]
fn told(before: &Value, now: &Value) -> Vec<String> {
    breaks(before, now).iter().map(Break::to_string).collect()
}

/// Changes of a schema: before, after, whether it breaks who sends, whether it breaks who reads.
fn changes() -> Vec<(&'static str, Value, Value, bool, bool)> {
    let object = |properties: Value, required: Value| json!({"type": "object", "properties": properties, "required": required});
    let a = || json!({"type": "string"});
    vec![
        (
            "an optional field is added",
            object(json!({"a": a()}), json!([])),
            object(json!({"a": a(), "b": a()}), json!([])),
            false,
            false,
        ),
        (
            "a required field is added",
            object(json!({"a": a()}), json!([])),
            object(json!({"a": a(), "b": a()}), json!(["b"])),
            true,
            false,
        ),
        (
            "a field is removed",
            object(json!({"a": a(), "b": a()}), json!([])),
            object(json!({"a": a()}), json!([])),
            true,
            true,
        ),
        (
            "a field becomes required",
            object(json!({"a": a()}), json!([])),
            object(json!({"a": a()}), json!(["a"])),
            true,
            false,
        ),
        (
            "a field becomes optional",
            object(json!({"a": a()}), json!(["a"])),
            object(json!({"a": a()}), json!([])),
            false,
            true,
        ),
        (
            "another type",
            json!({"type": "string"}),
            json!({"type": "integer"}),
            true,
            true,
        ),
        (
            "null is allowed",
            json!({"type": "string"}),
            json!({"type": ["string", "null"]}),
            false,
            true,
        ),
        (
            "null is no longer allowed",
            json!({"type": ["string", "null"]}),
            json!({"type": "string"}),
            true,
            false,
        ),
        (
            "a word is added",
            json!({"type": "string", "enum": ["a"]}),
            json!({"type": "string", "enum": ["a", "b"]}),
            false,
            false,
        ),
        (
            "a word is removed",
            json!({"type": "string", "enum": ["a", "b"]}),
            json!({"type": "string", "enum": ["a"]}),
            true,
            false,
        ),
        (
            "words become a closed list",
            json!({"type": "string"}),
            json!({"type": "string", "enum": ["a"]}),
            true,
            false,
        ),
        (
            "a bound is tightened",
            json!({"type": "string", "maxLength": 9}),
            json!({"type": "string", "maxLength": 8}),
            true,
            false,
        ),
        (
            "a bound is loosened",
            json!({"type": "string", "maxLength": 8}),
            json!({"type": "string", "maxLength": 9}),
            false,
            false,
        ),
        (
            "a lower bound is raised",
            json!({"type": "integer", "minimum": 1}),
            json!({"type": "integer", "minimum": 2}),
            true,
            false,
        ),
        (
            "a bound is set",
            json!({"type": "array", "items": a()}),
            json!({"type": "array", "items": a(), "maxItems": 3}),
            true,
            false,
        ),
        (
            "a bound is taken away",
            json!({"type": "array", "items": a(), "maxItems": 3}),
            json!({"type": "array", "items": a()}),
            false,
            false,
        ),
        (
            "a pattern is set",
            json!({"type": "string"}),
            json!({"type": "string", "pattern": "^a$"}),
            true,
            false,
        ),
        (
            "a pattern is taken away",
            json!({"type": "string", "pattern": "^a$"}),
            json!({"type": "string"}),
            false,
            false,
        ),
        (
            "a format is set",
            json!({"type": "string"}),
            json!({"type": "string", "format": "date"}),
            true,
            false,
        ),
        (
            "a format is taken away",
            json!({"type": "string", "format": "date"}),
            json!({"type": "string"}),
            false,
            true,
        ),
        (
            "another default",
            json!({"type": "integer", "default": 50}),
            json!({"type": "integer", "default": 10}),
            true,
            false,
        ),
        (
            "other fields are refused",
            json!({"type": "object"}),
            json!({"type": "object", "additionalProperties": false}),
            true,
            false,
        ),
        (
            "items of another type",
            json!({"type": "array", "items": {"type": "string"}}),
            json!({"type": "array", "items": {"type": "integer"}}),
            true,
            true,
        ),
        (
            "a form is added",
            json!({"oneOf": [{"type": "string"}]}),
            json!({"oneOf": [{"type": "string"}, {"type": "integer"}]}),
            false,
            true,
        ),
        (
            "a form is removed",
            json!({"oneOf": [{"type": "string"}, {"type": "integer"}]}),
            json!({"oneOf": [{"type": "string"}]}),
            true,
            false,
        ),
        (
            "a field deep inside is removed",
            object(json!({"a": object(json!({"b": a()}), json!([]))}), json!([])),
            object(json!({"a": object(json!({}), json!([]))}), json!([])),
            true,
            true,
        ),
        (
            "a name for the same thing",
            json!({"type": "object", "properties": {"name": {"type": "string"}, "next": {"$ref": "#/components/schemas/Loop"}}}),
            json!({"$ref": "#/components/schemas/Loop"}),
            false,
            false,
        ),
        (
            "only words of explanation",
            json!({"type": "string", "description": "x"}),
            json!({"type": "string", "description": "y", "examples": ["z"]}),
            false,
            false,
        ),
    ]
}

// Source: Zalando RESTful API guidelines, rules 106 (do not break backward compatibility), 107 (prefer compatible
// extensions), 108 (clients accept extensions), 111 (open for extension), 112 (extensible lists).
#[test]
fn each_change_of_a_schema_breaks_whom_it_breaks_and_nobody_else() {
    for (name, before, now, breaks_sender, breaks_reader) in changes() {
        let found = told(&sent(before.clone()), &sent(now.clone()));
        assert_eq!(!found.is_empty(), breaks_sender, "{name}, sent: {found:?}");
        let found = told(&read(before), &read(now));
        assert_eq!(!found.is_empty(), breaks_reader, "{name}, read: {found:?}");
    }
}

#[test]
fn a_contract_does_not_break_itself_even_where_schemas_refer_to_themselves() {
    let document = sent(json!({"$ref": "#/components/schemas/Loop"}));
    assert_eq!(told(&document, &document), Vec::<String>::new());
}

#[test]
fn operations_parameters_bodies_and_answers_are_added_and_not_removed() {
    let base = || {
        json!({
            "operationId": "ask", "x-permission": "read",
            "parameters": [{"name": "limit", "in": "query", "schema": {"type": "integer"}}],
            "responses": {
                "200": {"headers": {"ETag": {}}, "content": {"application/json": {"schema": {"type": "object"}}}},
                "404": {"content": {"application/problem+json": {}}}
            }
        })
    };
    let changed = |pointer: &str, value: Value| {
        let mut operation = base();
        let (parent, name) = pointer.rsplit_once('/').unwrap();
        let parent = operation.pointer_mut(parent).unwrap().as_object_mut().unwrap();
        if value.is_null() {
            parent.shift_remove(name);
        } else {
            parent.insert(name.to_owned(), value);
        }
        contract(operation)
    };
    let limit = || json!({"name": "limit", "in": "query", "schema": {"type": "integer"}});
    let new = |required: bool| json!({"name": "yard", "in": "query", "required": required, "schema": {"type": "string"}});
    let gone = json!({"paths": {}});
    for (what, now, expected) in [
        (
            "the operation is gone",
            gone,
            vec!["POST /v1/x: the operation is gone"],
        ),
        (
            "another name",
            changed("/operationId", json!("tell")),
            vec!["POST /v1/x: operationId was ask, is tell"],
        ),
        (
            "another permission",
            changed("/x-permission", json!("write")),
            vec!["POST /v1/x: x-permission was read, is write"],
        ),
        (
            "an optional parameter",
            changed("/parameters", json!([limit(), new(false)])),
            vec![],
        ),
        (
            "a required parameter",
            changed("/parameters", json!([limit(), new(true)])),
            vec!["POST /v1/x parameter yard: is new and required"],
        ),
        (
            "a parameter less",
            changed("/parameters", json!([])),
            vec!["POST /v1/x parameter limit: is gone"],
        ),
        (
            "an optional body",
            changed("/requestBody", json!({"content": {}})),
            vec![],
        ),
        (
            "a required body",
            changed("/requestBody", json!({"required": true, "content": {}})),
            vec!["POST /v1/x body: is new and required"],
        ),
        (
            "another status",
            changed("/responses/409", json!({"content": {}})),
            vec![],
        ),
        (
            "a status less",
            changed("/responses/404", Value::Null),
            vec!["POST /v1/x 404: is no longer answered"],
        ),
        (
            "a header less",
            changed("/responses/200/headers", Value::Null),
            vec!["POST /v1/x 200: the header ETag is gone"],
        ),
        (
            "a media type more",
            changed("/responses/200/content/text~1csv", json!({})),
            vec![],
        ),
        (
            "no media type",
            changed("/responses/200/content", json!({})),
            vec!["POST /v1/x 200: application/json is gone"],
        ),
    ] {
        assert_eq!(told(&contract(base()), &now), expected, "{what}");
    }
}

#[test]
fn what_is_added_breaks_nobody_and_taking_it_away_again_does() {
    let without = contract(json!({"responses": {}}));
    let mut with = without.clone();
    with["paths"]["/v1/y"] = json!({"get": {"responses": {}}});
    assert_eq!(told(&without, &with), Vec::<String>::new());
    assert_eq!(told(&with, &without), ["GET /v1/y: the operation is gone"]);
}
