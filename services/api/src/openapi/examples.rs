//! Puts the recorded examples into the document: requests that were accepted, answers that were given.
//!
//! They are recorded from a running service over the invented fleet (`cargo xtask openapi --examples`) and kept in
//! `openapi/examples.json`; nothing here is written by hand.

use serde_json::{Map, Value};

const RECORDED: &str = include_str!("../../../../openapi/examples.json");
const PROBLEM: &str = "application/problem+json";
/// Problems that look different in each operation; the others are shown once for all.
const OWN: [&str; 4] = ["409", "412", "422", "428"];

/// Adds the examples to a document.
pub(super) fn add(document: &mut Value) -> Result<(), serde_json::Error> {
    let recorded: Map<String, Value> = serde_json::from_str(RECORDED)?;
    let shared = document
        .pointer("/components/responses")
        .cloned()
        .unwrap_or_default();
    let paths = document.get_mut("paths").and_then(Value::as_object_mut);
    let items = paths.into_iter().flat_map(|paths| paths.values_mut());
    for operation in items
        .filter_map(Value::as_object_mut)
        .flat_map(|item| item.values_mut())
    {
        let id = operation
            .get("operationId")
            .and_then(Value::as_str)
            .unwrap_or_default();
        if let Some(kept) = recorded.get(id) {
            parameters(operation, kept);
            request(operation, kept);
            responses(operation, kept, &shared);
        }
    }
    let shared = document
        .pointer_mut("/components/responses")
        .and_then(Value::as_object_mut);
    for response in shared.into_iter().flat_map(|shared| shared.values_mut()) {
        show_recorded(response, &recorded);
    }
    Ok(())
}

fn parameters(operation: &mut Value, kept: &Value) {
    let listed = operation.get_mut("parameters").and_then(Value::as_array_mut);
    for parameter in listed.into_iter().flatten().filter_map(Value::as_object_mut) {
        let name = parameter.get("name").and_then(Value::as_str).unwrap_or_default();
        let value = kept.get("parameters").and_then(|all| all.get(name)).cloned();
        if let Some(value) = value {
            parameter.insert("example".to_owned(), value);
        }
    }
}

fn request(operation: &mut Value, kept: &Value) {
    let content = operation
        .pointer_mut("/requestBody/content")
        .and_then(Value::as_object_mut);
    if let (Some(content), Some(examples)) = (content, kept.get("request")) {
        content.values_mut().for_each(|content| show(content, examples));
    }
}

fn responses(operation: &mut Value, kept: &Value, shared: &Value) {
    let listed = operation.get_mut("responses").and_then(Value::as_object_mut);
    for (status, response) in listed.into_iter().flatten() {
        let Some(examples) = kept.get("responses").and_then(|all| all.get(status)) else {
            continue;
        };
        if let Some(name) = response.get("$ref").and_then(Value::as_str) {
            if !OWN.contains(&status.as_str()) {
                continue;
            }
            let name = name.rsplit('/').next().unwrap_or_default();
            *response = shared.get(name).cloned().unwrap_or_default();
        }
        let media = if status.starts_with(['4', '5']) {
            PROBLEM
        } else {
            "application/json"
        };
        if let Some(content) = response
            .get_mut("content")
            .and_then(|content| content.get_mut(media))
        {
            show(content, examples);
        }
    }
}

fn show(content: &mut Value, examples: &Value) {
    if let Some(content) = content.as_object_mut() {
        content.shift_remove("example");
        content.insert("examples".to_owned(), examples.clone());
    }
}

/// A shared answer shows a problem that was really given, where one was.
fn show_recorded(response: &mut Value, recorded: &Map<String, Value>) {
    let examples = response
        .get_mut("content")
        .and_then(|content| content.get_mut(PROBLEM))
        .and_then(|content| content.get_mut("examples"))
        .and_then(Value::as_object_mut);
    for (code, example) in examples.into_iter().flatten() {
        let given = recorded
            .values()
            .filter_map(|kept| kept.get("responses")?.as_object())
            .flat_map(Map::values)
            .filter_map(Value::as_object)
            .flat_map(Map::values)
            .filter_map(|example| example.get("value"))
            .find(|value| value.get("code").and_then(Value::as_str) == Some(code));
        if let (Some(given), Some(example)) = (given, example.as_object_mut()) {
            example.insert("value".to_owned(), given.clone());
        }
    }
}
