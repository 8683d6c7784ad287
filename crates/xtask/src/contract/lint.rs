//! The style of the contract: what a reader of it, and a generator of clients, can rely on everywhere.
//!
//! Each rule names the place that breaks it. Whether examples fit their schemas is looked at elsewhere.

use super::{Operation, items, members, operations, resolved, text};
use serde_json::Value;
use std::collections::BTreeSet;

/// Longest summary: it has to fit a line of a table of contents.
const MAX_SUMMARY: usize = 72;
/// Media type of problems.
const PROBLEM: &str = "application/problem+json";
/// Unit codes are case-sensitive words of somebody else (UCUM).
const UNITS: [&str; 3] = ["Cel", "[degF]", "N"];

/// Everything that breaks the style.
pub(super) fn problems(document: &Value) -> Vec<String> {
    let mut found = Vec::new();
    front(document, &mut found);
    paths(document, &mut found);
    let mut ids = BTreeSet::new();
    for operation in operations(document) {
        let place = operation.place();
        if !ids.insert(text(operation.value, "operationId")) {
            found.push(format!("{place}: operationId stands twice"));
        }
        words(document, operation.value, &place, &mut found);
        parameters(document, operation, &place, &mut found);
        answers(document, operation.value, &place, &mut found);
        permission(operation.value, &place, &mut found);
        for (media, content) in members(
            operation.value.get("requestBody").unwrap_or(&Value::Null),
            "content",
        ) {
            schema(
                content.get("schema"),
                &format!("{place}: body as {media}"),
                true,
                &mut found,
            );
        }
    }
    for (name, event) in members(document, "webhooks") {
        let operation = event.get("post").unwrap_or(&Value::Null);
        words(document, operation, &format!("event {name}"), &mut found);
    }
    components(document, &mut found);
    found
}

fn front(document: &Value, found: &mut Vec<String>) {
    let info = document.get("info").unwrap_or(&Value::Null);
    for name in ["title", "summary", "version", "description"] {
        if text(info, name).is_empty() {
            found.push(format!("info: no {name}"));
        }
    }
    if items(document, "servers").is_empty() {
        found.push("no servers".to_owned());
    }
    for tag in items(document, "tags") {
        if text(tag, "description").is_empty() {
            found.push(format!("tag {}: no description", text(tag, "name")));
        }
    }
}

/// Segments in kebab-case, parameters in snake_case, no slash at the end.
fn paths(document: &Value, found: &mut Vec<String>) {
    for (path, _) in members(document, "paths") {
        if path.len() > 1 && path.ends_with('/') {
            found.push(format!("{path}: ends with a slash"));
        }
        for segment in path.split('/').filter(|segment| !segment.is_empty()) {
            let parameter = segment.strip_prefix('{').and_then(|rest| rest.strip_suffix('}'));
            let good = match parameter {
                Some(name) => is_snake(name),
                // RFC 8615 keeps well-known names; a file's ending may follow.
                None => segment.trim_start_matches('.').split('.').all(is_kebab),
            };
            if !good {
                found.push(format!("{path}: {segment} is not in kebab-case"));
            }
        }
    }
}

fn words(document: &Value, operation: &Value, place: &str, found: &mut Vec<String>) {
    let id = text(operation, "operationId");
    if !is_snake(id) {
        found.push(format!("{place}: operationId {id:?} is not in snake_case"));
    }
    let summary = text(operation, "summary");
    if summary.is_empty() || summary.chars().count() > MAX_SUMMARY || summary.ends_with('.') {
        found.push(format!(
            "{place}: the summary is 1 to {MAX_SUMMARY} characters without a full stop"
        ));
    }
    let own = text(operation, "description")
        .split("Permission:")
        .next()
        .unwrap_or_default();
    if own.trim().is_empty() {
        found.push(format!("{place}: no description of its own"));
    }
    let known: Vec<&str> = items(document, "tags")
        .into_iter()
        .map(|tag| text(tag, "name"))
        .collect();
    let tags = items(operation, "tags");
    if tags.len() != 1
        || !tags
            .iter()
            .all(|tag| tag.as_str().is_some_and(|tag| known.contains(&tag)))
    {
        found.push(format!("{place}: exactly one of the described tags"));
    }
}

fn parameters(document: &Value, operation: Operation<'_>, place: &str, found: &mut Vec<String>) {
    let mut named = BTreeSet::new();
    for parameter in items(operation.value, "parameters")
        .into_iter()
        .chain(items(operation.item, "parameters"))
    {
        let parameter = resolved(document, parameter);
        let name = text(parameter, "name");
        if text(parameter, "in") == "path" {
            named.insert(name);
        }
        if text(parameter, "description").is_empty() {
            found.push(format!("{place}: parameter {name} is not described"));
        }
        if parameter.get("schema").is_none() && parameter.get("content").is_none() {
            found.push(format!("{place}: parameter {name} has no schema"));
        }
        if text(parameter, "in") == "query" && !is_snake(name) {
            found.push(format!("{place}: parameter {name} is not in snake_case"));
        }
    }
    let wanted: BTreeSet<&str> = operation
        .path
        .split('/')
        .filter_map(|segment| segment.strip_prefix('{')?.strip_suffix('}'))
        .collect();
    if wanted != named {
        found.push(format!(
            "{place}: the path's parameters are {wanted:?}, described are {named:?}"
        ));
    }
}

fn answers(document: &Value, operation: &Value, place: &str, found: &mut Vec<String>) {
    let responses = members(operation, "responses");
    if !responses.iter().any(|(status, _)| status.starts_with('2')) {
        found.push(format!("{place}: no success"));
    }
    for (status, response) in responses {
        let response = resolved(document, response);
        let here = format!("{place}: {status}");
        if text(response, "description").is_empty() {
            found.push(format!("{here} is not described"));
        }
        let contents = members(response, "content");
        if status.starts_with('4') || status.starts_with('5') {
            if contents.len() != 1 || contents.iter().any(|(media, _)| media.as_str() != PROBLEM) {
                found.push(format!("{here} is not {PROBLEM} alone"));
            }
        // An answer to HEAD has no body (RFC 9110 section 9.3.2).
        } else if contents.is_empty() && (status == "200" || status == "201") && !place.starts_with("HEAD ") {
            found.push(format!("{here} has no content"));
        }
        for (name, header) in members(response, "headers") {
            if text(resolved(document, header), "description").is_empty() {
                found.push(format!("{here}: header {name} is not described"));
            }
        }
        for (media, content) in contents {
            let own = content.get("schema").or_else(|| content.get("itemSchema"));
            schema(own, &format!("{here} as {media}"), is_json(media), found);
        }
    }
    for problem in problem_pages(document, operation) {
        found.push(format!("{place}: {problem}"));
    }
}

/// Every problem in an example names the page of a code that the operation lists.
fn problem_pages(document: &Value, operation: &Value) -> Vec<String> {
    let codes: Vec<&str> = items(operation, "x-problems")
        .into_iter()
        .filter_map(Value::as_str)
        .collect();
    let mut found = Vec::new();
    for (_, response) in members(operation, "responses") {
        let content = resolved(document, response).pointer("/content/application~1problem+json");
        for (name, example) in members(content.unwrap_or(&Value::Null), "examples") {
            let value = resolved(document, example).get("value").unwrap_or(&Value::Null);
            let code = text(value, "code");
            if !codes.contains(&code) || text(value, "type") != format!("/problems/{code}") {
                found.push(format!("the example {name} is no problem that x-problems lists"));
            }
        }
    }
    found
}

fn permission(operation: &Value, place: &str, found: &mut Vec<String>) {
    let named = text(operation, "x-permission");
    let secured = !items(operation, "security").is_empty();
    if named.is_empty() || secured == (named == "public") {
        found.push(format!("{place}: permission {named:?} and security disagree"));
    }
}

fn components(document: &Value, found: &mut Vec<String>) {
    let everything = document.to_string();
    let components = document.get("components").unwrap_or(&Value::Null);
    for section in [
        "schemas",
        "responses",
        "parameters",
        "examples",
        "headers",
        "requestBodies",
    ] {
        for (name, part) in members(components, section) {
            if !everything.contains(&format!("\"#/components/{section}/{name}\"")) {
                found.push(format!("{section}/{name}: nothing refers to it"));
            }
            if section == "schemas" {
                if text(part, "description").is_empty() {
                    found.push(format!("schema {name} is not described"));
                }
                inside(part, &format!("schema {name}"), found);
            }
        }
    }
    references(document, document, found);
}

fn references(document: &Value, value: &Value, found: &mut Vec<String>) {
    match value {
        Value::Array(list) => list.iter().for_each(|item| references(document, item, found)),
        Value::Object(object) => {
            if let Some(reference) = object.get("$ref").and_then(Value::as_str)
                && reference
                    .strip_prefix('#')
                    .and_then(|pointer| document.pointer(pointer))
                    .is_none()
            {
                found.push(format!("{reference} leads nowhere"));
            }
            object.values().for_each(|item| references(document, item, found));
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// A schema that stands in an operation: named, or too small to need a name.
fn schema(schema: Option<&Value>, place: &str, wanted: bool, found: &mut Vec<String>) {
    let Some(schema) = schema else {
        if wanted {
            found.push(format!("{place} has no schema"));
        }
        return;
    };
    let empty = schema
        .as_object()
        .is_some_and(|schema| schema.keys().all(|name| name == "description"));
    if empty {
        found.push(format!("{place}: a schema that says nothing"));
    }
    if schema.get("properties").is_some() && schema.get("title").is_none() {
        found.push(format!("{place}: an object without a name or title"));
    }
    inside(schema, place, found);
}

/// What holds for every schema, however deep it lies.
fn inside(schema: &Value, place: &str, found: &mut Vec<String>) {
    for (name, property) in members(schema, "properties") {
        let here = format!("{place}.{name}");
        if !is_snake(name) {
            found.push(format!("{here} is not in snake_case"));
        }
        // A reference is described by what it refers to.
        if text(property, "description").is_empty() && property.get("$ref").is_none() {
            found.push(format!("{here} is not described"));
        }
        inside(property, &here, found);
    }
    for word in items(schema, "enum").into_iter().filter_map(Value::as_str) {
        let plain = word.bytes().all(|byte| !byte.is_ascii_uppercase())
            || UNITS.contains(&word)
            || word.contains('N');
        if !plain {
            found.push(format!("{place}: the word {word} has capitals"));
        }
    }
    for name in ["items", "additionalProperties", "propertyNames", "not"] {
        if let Some(part) = schema.get(name) {
            nameless(part, &format!("{place}[]"), found);
        }
    }
    // What is put together of a named part and fields of its own bears the name of the whole.
    for part in items(schema, "allOf") {
        inside(part, place, found);
    }
    for name in ["oneOf", "anyOf", "prefixItems"] {
        for part in items(schema, name) {
            nameless(part, &format!("{place} ({name})"), found);
        }
    }
}

fn nameless(part: &Value, place: &str, found: &mut Vec<String>) {
    if part.get("properties").is_some() && text(part, "title").is_empty() {
        found.push(format!("{place}: an object without a name or title"));
    }
    inside(part, place, found);
}

/// Whether a media type is one JSON document; lines of JSON are described in words.
fn is_json(media: &str) -> bool {
    media == "application/json" || media.ends_with("+json")
}

fn is_snake(name: &str) -> bool {
    is_words(name, '_')
}

fn is_kebab(name: &str) -> bool {
    is_words(name, '-')
}

fn is_words(name: &str, between: char) -> bool {
    name.split(between).all(|word| {
        !word.is_empty()
            && word
                .bytes()
                .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit())
    }) && name.starts_with(|first: char| first.is_ascii_lowercase())
}

#[cfg(test)]
mod tests;
