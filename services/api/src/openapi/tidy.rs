//! Makes the published document short and readable: what is written out twice is named once, what nothing refers to goes.
//!
//! Works on the document's JSON and knows nothing of the operations; it never changes what a schema allows.

use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Where named schemas stand.
const SCHEMAS: &str = "#/components/schemas/";
/// Said of every list of words that answers bear.
const OPEN: &str = "Answers may bear words that are not listed yet.";

/// Tidies a whole document.
pub(super) fn tidy(document: &mut Value) {
    name_what_is_inlined(document);
    each_object(document, &mut describe_outside);
    each_object(document, &mut unwrap_lines);
    say_which_lists_are_open(document);
    while drop_unused(document) {}
}

/// Calls something with every JSON object, from the inside out.
fn each_object(value: &mut Value, change: &mut impl FnMut(&mut Map<String, Value>)) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(|item| each_object(item, change)),
        Value::Object(object) => {
            object.values_mut().for_each(|item| each_object(item, change));
            change(object);
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// What identifies a schema apart from its description; none for those too small to be worth a name.
fn identity(schema: &Map<String, Value>) -> Option<String> {
    if !(schema.contains_key("properties") || schema.contains_key("enum")) {
        return None;
    }
    let mut bare = schema.clone();
    bare.shift_remove("description");
    serde_json::to_string(&bare).ok()
}

/// A schema that stands in full where a named one is meant becomes a reference to it.
fn name_what_is_inlined(document: &mut Value) {
    let mut names: BTreeMap<String, Option<String>> = BTreeMap::new();
    let named = document.pointer("/components/schemas").and_then(Value::as_object);
    for (name, schema) in named.into_iter().flatten() {
        if let Some(identity) = schema.as_object().and_then(identity) {
            // Two names for one thing: neither is the one that is meant.
            names
                .entry(identity)
                .and_modify(|known| *known = None)
                .or_insert_with(|| Some(name.clone()));
        }
    }
    let named = document
        .pointer_mut("/components/schemas")
        .and_then(Value::as_object_mut);
    for schema in named.into_iter().flat_map(|schemas| schemas.values_mut()) {
        for part in schema
            .as_object_mut()
            .into_iter()
            .flat_map(|schema| schema.values_mut())
        {
            refer(part, &names);
        }
    }
    for section in ["paths", "webhooks"] {
        if let Some(section) = document.get_mut(section) {
            refer(section, &names);
        }
    }
}

fn refer(value: &mut Value, names: &BTreeMap<String, Option<String>>) {
    match value {
        Value::Array(items) => items.iter_mut().for_each(|item| refer(item, names)),
        Value::Object(object) => {
            let name = identity(object).and_then(|identity| names.get(&identity).cloned().flatten());
            match name {
                Some(name) => {
                    object.clear();
                    object.insert("$ref".to_owned(), Value::String(format!("{SCHEMAS}{name}")));
                }
                None => object.values_mut().for_each(|item| refer(item, names)),
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// A property that may be null is described itself, not one of its two halves.
fn describe_outside(schema: &mut Map<String, Value>) {
    if schema.contains_key("description") {
        return;
    }
    let Some(Value::Array(halves)) = schema.get_mut("oneOf") else {
        return;
    };
    if halves.len() != 2
        || !halves
            .iter()
            .any(|half| half.get("type") == Some(&Value::from("null")))
    {
        return;
    }
    let description = halves.iter_mut().find_map(|half| {
        half.get("$ref")?;
        half.as_object_mut()?.shift_remove("description")
    });
    if let Some(description) = description {
        let rest = std::mem::take(schema);
        schema.insert("description".to_owned(), description);
        schema.extend(rest);
    }
}

/// Texts are wrapped in the sources; readers wrap them as their page is wide.
fn unwrap_lines(object: &mut Map<String, Value>) {
    for name in ["description", "summary"] {
        let Some(Value::String(text)) = object.get_mut(name) else {
            continue;
        };
        let mut joined = String::with_capacity(text.len());
        let (mut fenced, mut fence_ended) = (false, false);
        for line in text.trim().lines() {
            let fence = line.starts_with("```");
            let stands_alone = line.is_empty()
                || fenced
                || fence
                || fence_ended
                || line.starts_with("- ")
                || line.starts_with('#')
                || line.starts_with('|');
            if !joined.is_empty() {
                joined.push(if stands_alone || joined.ends_with('\n') {
                    '\n'
                } else {
                    ' '
                });
            }
            joined.push_str(line);
            fenced ^= fence;
            fence_ended = fence && !fenced;
        }
        *text = joined.trim_end().to_owned();
    }
}

/// Lists of words in answers may grow: said at each of them, so that no reader of a schema alone misses it.
fn say_which_lists_are_open(document: &mut Value) {
    let mut answers = Vec::new();
    for section in ["/paths", "/components/responses"] {
        if let Some(section) = document.pointer(section) {
            responses(section, &mut answers);
        }
    }
    let schemas = document
        .pointer("/components/schemas")
        .cloned()
        .unwrap_or_default();
    let mut reached = BTreeSet::new();
    for answer in answers {
        reach(&answer, &schemas, &mut reached);
    }
    let named = document
        .pointer_mut("/components/schemas")
        .and_then(Value::as_object_mut);
    for (name, schema) in named.into_iter().flatten() {
        if reached.contains(name)
            && schema.get("enum").is_some()
            && let Some(Value::String(text)) = schema.get_mut("description")
        {
            let (what, words) = text.split_once("\n\n").unwrap_or((text.as_str(), ""));
            *text = format!("{what} {OPEN}\n\n{words}").trim().to_owned();
        }
    }
}

/// The bodies of answers.
fn responses(value: &Value, found: &mut Vec<Value>) {
    match value {
        Value::Array(items) => items.iter().for_each(|item| responses(item, found)),
        Value::Object(object) => {
            for (name, item) in object {
                if name == "responses" {
                    found.push(item.clone());
                } else if name != "requestBody" && name != "parameters" {
                    responses(item, found);
                }
            }
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// The names of schemas that a value refers to, directly or through others.
fn reach(value: &Value, schemas: &Value, reached: &mut BTreeSet<String>) {
    match value {
        Value::Array(items) => items.iter().for_each(|item| reach(item, schemas, reached)),
        Value::Object(object) => {
            let name = object.get("$ref").and_then(Value::as_str);
            if let Some(name) = name.and_then(|text| text.strip_prefix(SCHEMAS))
                && reached.insert(name.to_owned())
                && let Some(schema) = schemas.get(name)
            {
                reach(schema, schemas, reached);
            }
            object.values().for_each(|item| reach(item, schemas, reached));
        }
        Value::Null | Value::Bool(_) | Value::Number(_) | Value::String(_) => {}
    }
}

/// Drops named parts that nothing refers to; says whether there were any.
fn drop_unused(document: &mut Value) -> bool {
    let text = document.to_string();
    let mut dropped = false;
    let Some(components) = document.get_mut("components").and_then(Value::as_object_mut) else {
        return false;
    };
    for section in ["schemas", "responses", "parameters", "examples", "headers"] {
        let Some(parts) = components.get_mut(section).and_then(Value::as_object_mut) else {
            continue;
        };
        let before = parts.len();
        parts.retain(|name, _| text.contains(&format!("\"#/components/{section}/{name}\"")));
        dropped |= parts.len() != before;
    }
    dropped
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn tidied(mut document: Value) -> Value {
        tidy(&mut document);
        document
    }

    #[test]
    fn what_is_written_out_where_a_named_schema_is_meant_becomes_a_reference() {
        let word = json!({"type": "string", "description": "Hue.", "enum": ["red", "green"]});
        let elsewhere = json!({"type": "string", "description": "Another text.", "enum": ["red", "green"]});
        let document = tidied(json!({
            "paths": {"/v1/hues": {"get": {"parameters": [{"name": "hue", "schema": elsewhere}, {"schema": {"$ref": "#/components/schemas/Hue"}}]}}},
            "components": {"schemas": {"Hue": word}}
        }));
        let schema = document.pointer("/paths/~1v1~1hues/get/parameters/0/schema");
        assert_eq!(schema, Some(&json!({"$ref": "#/components/schemas/Hue"})));
        assert_eq!(
            document.pointer("/components/schemas/Hue"),
            Some(&word),
            "the named one stays whole"
        );
    }

    #[test]
    fn nothing_is_named_that_could_be_two_things() {
        let word = json!({"type": "string", "enum": ["red"]});
        let document = tidied(json!({
            "paths": {"/v1/hues": {"get": {"parameters": [{"schema": word}, {"schema": {"$ref": "#/components/schemas/A"}}, {"schema": {"$ref": "#/components/schemas/B"}}]}}},
            "components": {"schemas": {"A": word, "B": word}}
        }));
        assert_eq!(
            document.pointer("/paths/~1v1~1hues/get/parameters/0/schema"),
            Some(&word)
        );
    }

    #[test]
    fn a_property_that_may_be_null_is_described_itself() {
        let document = tidied(
            json!({"paths": {"x": {"oneOf": [{"$ref": "#/y", "description": "Why."}, {"type": "null"}]}}}),
        );
        assert_eq!(
            document.pointer("/paths/x"),
            Some(&json!({"description": "Why.", "oneOf": [{"$ref": "#/y"}, {"type": "null"}]}))
        );
    }

    #[test]
    fn parts_that_nothing_refers_to_go_and_those_that_only_they_referred_to() {
        let document = tidied(json!({
            "paths": {"a": {"$ref": "#/components/schemas/Kept"}},
            "components": {"schemas": {"Kept": {"type": "string"}, "Gone": {"$ref": "#/components/schemas/GoneToo"}, "GoneToo": {"type": "string"}}}
        }));
        assert_eq!(
            document.pointer("/components/schemas"),
            Some(&json!({"Kept": {"type": "string"}}))
        );
    }

    #[test]
    fn a_list_of_words_in_answers_is_said_to_be_open_and_one_in_requests_is_not() {
        let list = |text: &str| json!({"type": "string", "description": text, "enum": ["a"], "title": text});
        let document = tidied(json!({
            "paths": {"/v1/x": {"post": {
                "requestBody": {"$ref": "#/components/schemas/Asked"},
                "responses": {"200": {"$ref": "#/components/schemas/Told"}}
            }}},
            "components": {"schemas": {"Asked": list("Asked."), "Told": list("Told.\n\n- `a`: One.")}}
        }));
        assert_eq!(
            document.pointer("/components/schemas/Asked/description"),
            Some(&json!("Asked."))
        );
        assert_eq!(
            document.pointer("/components/schemas/Told/description"),
            Some(&json!(format!("Told. {OPEN}\n\n- `a`: One.")))
        );
    }

    #[test]
    fn lines_are_joined_but_lists_tables_and_code_stay() {
        let document =
            tidied(json!({"info": {"description": "One\ntwo.\n\n- a\n- b\n\n```\nx\ny\n```\nEnd\nhere."}}));
        assert_eq!(
            document.pointer("/info/description"),
            Some(&json!("One two.\n\n- a\n- b\n\n```\nx\ny\n```\nEnd here."))
        );
    }
}
