//! Every example fits its schema, and every operation has the examples that its readers need.
//!
//! Validates with JSON Schema 2020-12, the dialect of OpenAPI 3.1, formats included. Whether the service accepts and
//! answers so is recorded by the tests of the service.

use super::{items, members, operations, resolved};
use jsonschema::Validator;
use serde_json::{Value, json};

/// Everything that is wrong with the examples.
pub(super) fn problems(document: &Value) -> Vec<String> {
    let mut found = Vec::new();
    for operation in operations(document) {
        let place = operation.place();
        for parameter in items(operation.value, "parameters") {
            let parameter = resolved(document, parameter);
            let here = format!("{place}: parameter {}", super::text(parameter, "name"));
            check(document, parameter, &here, &mut found);
        }
        if let Some(body) = operation.value.get("requestBody") {
            for (media, content) in members(resolved(document, body), "content") {
                check(
                    document,
                    content,
                    &format!("{place}: body as {media}"),
                    &mut found,
                );
            }
        }
        for (status, response) in members(operation.value, "responses") {
            for (media, content) in members(resolved(document, response), "content") {
                check(
                    document,
                    content,
                    &format!("{place}: {status} as {media}"),
                    &mut found,
                );
            }
        }
    }
    for (name, event) in members(document, "webhooks") {
        let content = event.pointer("/post/requestBody/content/application~1json");
        check(
            document,
            content.unwrap_or(&Value::Null),
            &format!("event {name}"),
            &mut found,
        );
    }
    for (name, schema) in members(document.get("components").unwrap_or(&Value::Null), "schemas") {
        own(document, schema, &format!("schema {name}"), &mut found);
    }
    found.extend(missing(document));
    found
}

/// What a reader of an operation wants to see: a success, what a faulty body is told, what a conflict looks like.
fn missing(document: &Value) -> Vec<String> {
    let mut found = Vec::new();
    for operation in operations(document) {
        let shows = |status: &str| {
            let response = operation.value.get("responses").and_then(|all| all.get(status));
            let response = response.map(|response| resolved(document, response));
            let contents = response
                .map(|response| members(response, "content"))
                .unwrap_or_default();
            // An answer without content needs none, and what is no JSON is shown by its media type.
            contents.is_empty()
                || contents.iter().any(|(media, content)| {
                    media.as_str() != "application/json" && !media.ends_with("+json")
                        || content.get("examples").is_some()
                        || content.get("example").is_some()
                })
        };
        let statuses = members(operation.value, "responses");
        let body = operation
            .value
            .get("requestBody")
            .map(|body| resolved(document, body));
        if !statuses
            .iter()
            .any(|(status, _)| status.starts_with('2') && shows(status))
        {
            found.push(format!("{}: no example of a success", operation.place()));
        }
        let Some(body) = body else {
            continue;
        };
        // Bytes that are nobody's text are shown by their media type.
        if !members(body, "content")
            .iter()
            .any(|(media, content)| media.ends_with("octet-stream") || content.get("examples").is_some())
        {
            found.push(format!("{}: no example of a body", operation.place()));
        }
        for status in ["409", "422"] {
            let shared = operation.value.pointer(&format!("/responses/{status}/$ref"));
            // Two requests in the same instant cannot be recorded.
            let shared = shared
                .and_then(Value::as_str)
                .is_some_and(|name| !name.ends_with("/IdempotencyKeyInUse"));
            if statuses.iter().any(|(other, _)| *other == status) && (shared || !shows(status)) {
                found.push(format!("{}: no example of its own {status}", operation.place()));
            }
        }
    }
    found
}

/// The examples beside a schema.
fn check(document: &Value, holder: &Value, place: &str, found: &mut Vec<String>) {
    let Some(schema) = holder.get("schema") else {
        return;
    };
    let named = members(holder, "examples")
        .into_iter()
        .filter_map(|(name, example)| {
            resolved(document, example)
                .get("value")
                .map(|value| (name.as_str(), value))
        });
    let values: Vec<(&str, &Value)> = holder
        .get("example")
        .map(|value| ("example", value))
        .into_iter()
        .chain(named)
        .collect();
    if values.is_empty() {
        return;
    }
    match validator(document, schema) {
        Ok(validator) => {
            for (name, value) in values {
                for error in validator.iter_errors(value).take(3) {
                    found.push(format!(
                        "{place}: the example {name} at {:?}: {error}",
                        error.instance_path().as_str()
                    ));
                }
            }
        }
        Err(error) => found.push(format!("{place}: the schema cannot be used: {error}")),
    }
}

/// The examples inside a schema and its properties.
fn own(document: &Value, schema: &Value, place: &str, found: &mut Vec<String>) {
    let values = items(schema, "examples");
    if !values.is_empty() {
        match validator(document, schema) {
            Ok(validator) => {
                for value in values {
                    for error in validator.iter_errors(value).take(3) {
                        found.push(format!("{place}: the example {value}: {error}"));
                    }
                }
            }
            Err(error) => found.push(format!("{place}: the schema cannot be used: {error}")),
        }
    }
    for (name, property) in members(schema, "properties") {
        own(document, property, &format!("{place}.{name}"), found);
    }
}

/// A validator for a schema that may refer to the document's named ones.
fn validator(document: &Value, schema: &Value) -> Result<Validator, String> {
    let root = json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "allOf": [schema],
        "components": {"schemas": document.pointer("/components/schemas")},
    });
    jsonschema::options()
        .should_validate_formats(true)
        .build(&root)
        .map_err(|error| error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn document(schema: &Value, example: &Value) -> Value {
        json!({
            "paths": {"/v1/x": {"get": {"responses": {"200": {"content": {"application/json": {
                "schema": {"$ref": "#/components/schemas/X"}, "examples": {"one": {"value": example}}
            }}}}}}},
            "components": {"schemas": {"X": schema}}
        })
    }

    #[test]
    fn an_operation_with_a_body_shows_a_success_a_faulty_body_and_a_conflict_of_its_own() {
        let example = |schema: &str| json!({"schema": {"type": schema}, "examples": {"one": {"value": {}}}});
        let operation = |conflict: Value| {
            json!({"paths": {"/v1/x": {"post": {
                "requestBody": {"content": {"application/json": example("object")}},
                "responses": {
                    "201": {"content": {"application/json": example("object")}},
                    "409": conflict,
                }
            }}}})
        };
        let own = operation(json!({"content": {"application/problem+json": example("object")}}));
        assert_eq!(missing(&own), Vec::<String>::new());
        let shared = operation(json!({"$ref": "#/components/responses/Taken"}));
        assert_eq!(missing(&shared), ["POST /v1/x: no example of its own 409"]);
        let bare = json!({"paths": {"/v1/x": {"post": {"requestBody": {"content": {"application/json": {}}},
            "responses": {"200": {"content": {"application/json": {}}}}}}}});
        assert_eq!(missing(&bare).len(), 2, "a success and a body");
    }

    #[test]
    fn an_example_that_does_not_fit_its_schema_is_named_with_its_place() {
        let schema = json!({"type": "object", "required": ["on"], "properties": {"on": {"type": "string", "format": "date"}}});
        assert_eq!(
            problems(&document(&schema, &json!({"on": "2026-03-01"}))),
            Vec::<String>::new()
        );
        for wrong in [json!({}), json!({"on": 1}), json!({"on": "30 February"})] {
            let found = problems(&document(&schema, &wrong));
            assert!(found.iter().any(|problem| problem.starts_with("GET /v1/x: 200 as application/json: the example one")), "{wrong}: {found:?}");
        }
    }
}
