//! Everything in a body that does not fit the published schema of its type: what deserialising does not say, because
//! it stops at the first fault.
//!
//! It says less than the schema where the schema offers several forms. It decides whether a body is taken in one thing
//! only: an object is never read from a list.

use super::place::Place;
use super::plain::{DECIMAL_IN_QUOTES, ID_ADVICE, given, wanted};
use super::{MAX_FAULTS, quoted};
use crate::problem::FieldError;
use clampward_domain::quantity::parse_decimal;
use serde_json::{Map, Value};
use std::any::TypeId;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};
use utoipa::ToSchema;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::Schema;
use uuid::Uuid;

/// What of a value does not fit the schema of `T`.
pub(super) fn faults<T: ToSchema + 'static>(value: &Value) -> Vec<FieldError> {
    look::<T>(value, Sought::Everything)
}

/// Where a list stands for an object: deserialising would take it, by the order of the fields.
pub(super) fn lists_for_objects<T: ToSchema + 'static>(value: &Value) -> Vec<FieldError> {
    look::<T>(value, Sought::ListsForObjects)
}

/// Fields of a partial change that the schema of the whole does not know, also those that are to be taken away.
pub fn unknown_fields<T: ToSchema + 'static>(value: &Value) -> Vec<FieldError> {
    let mut faults = look::<T>(value, Sought::Everything);
    faults.retain(|fault| fault.code == "unknown-field");
    faults
}

fn look<T: ToSchema + 'static>(value: &Value, sought: Sought) -> Vec<FieldError> {
    let published = Published::of::<T>();
    let mut walk = Walk {
        schemas: &published.named,
        sought,
        faults: Vec::new(),
    };
    walk.look(&published.root, value, &Place::Root);
    walk.faults
}

/// A type's schema and those that it refers to.
struct Published {
    root: Value,
    named: BTreeMap<String, Value>,
}

/// Made once for each type.
static PUBLISHED: Mutex<BTreeMap<TypeId, Arc<Published>>> = Mutex::new(BTreeMap::new());

impl Published {
    fn of<T: ToSchema + 'static>() -> Arc<Self> {
        let mut known = PUBLISHED.lock().unwrap_or_else(PoisonError::into_inner);
        let published = known
            .entry(TypeId::of::<T>())
            .or_insert_with(|| Arc::new(Self::make::<T>()));
        Arc::clone(published)
    }
    fn make<T: ToSchema>() -> Self {
        let mut named = Vec::new();
        T::schemas(&mut named);
        Self {
            root: plain(&T::schema()),
            named: named
                .into_iter()
                .map(|(name, schema)| (name, plain(&schema)))
                .collect(),
        }
    }
}

fn plain(schema: &RefOr<Schema>) -> Value {
    serde_json::to_value(schema).unwrap_or_default()
}

#[derive(Clone, Copy, PartialEq)]
enum Sought {
    Everything,
    ListsForObjects,
}

struct Walk<'a> {
    schemas: &'a BTreeMap<String, Value>,
    sought: Sought,
    faults: Vec<FieldError>,
}

impl<'a> Walk<'a> {
    fn add(&mut self, place: &Place<'_>, code: &'static str, detail: String) {
        if self.sought == Sought::Everything && !self.is_full() {
            self.faults.push(FieldError::new(place.pointer(), code, detail));
        }
    }
    /// Whether there is enough to say.
    fn is_full(&self) -> bool {
        self.faults.len() >= MAX_FAULTS
    }
    fn look(&mut self, schema: &Value, value: &Value, place: &Place<'_>) {
        let is_plain = !value.is_array() && !value.is_object();
        if self.is_full() || (is_plain && self.sought == Sought::ListsForObjects) {
            return;
        }
        let schemas = self.schemas;
        let Some(schema) = resolved(schemas, schema) else {
            return;
        };
        for part in list(schema, "allOf") {
            self.look(part, value, place);
        }
        let forms: Vec<&Value> = list(schema, "oneOf")
            .iter()
            .chain(list(schema, "anyOf"))
            .collect();
        if !forms.is_empty() {
            // Only where one form alone can be meant, its faults are known: by its type, or by the names of its fields.
            let mut fitting: Vec<&Value> = forms
                .into_iter()
                .filter_map(|form| resolved(schemas, form))
                .filter(|form| has_type(form, value))
                .collect();
            if fitting.len() > 1 {
                fitting.retain(|form| has_names(form, value));
                if fitting.is_empty() {
                    return;
                }
            }
            match fitting.as_slice() {
                [only] => self.look(only, value, place),
                [] => self.wrong_type(schema, value, place),
                [_, ..] => {}
            }
            return;
        }
        if !has_type(schema, value) {
            return self.wrong_type(schema, value, place);
        }
        match value {
            Value::Object(fields) => self.object(schema, fields, place),
            Value::Array(items) => {
                if let Some(of) = schema.get("items") {
                    for (index, item) in items.iter().enumerate() {
                        self.look(of, item, &Place::Item(place, index));
                    }
                }
            }
            Value::String(text) => self.text(schema, text, place),
            Value::Null | Value::Bool(_) | Value::Number(_) => {}
        }
    }
    fn wrong_type(&mut self, schema: &Value, value: &Value, place: &Place<'_>) {
        let detail = format!("{}, not {}", wanted(schema), given(value));
        if self.sought == Sought::ListsForObjects && value.is_array() && !self.is_full() {
            self.faults
                .push(FieldError::new(place.pointer(), "wrong-type", detail));
        } else {
            self.add(place, "wrong-type", detail);
        }
    }
    fn object(&mut self, schema: &Value, fields: &Map<String, Value>, place: &Place<'_>) {
        let known = schema.get("properties").and_then(Value::as_object);
        for (name, value) in fields {
            let here = Place::Field(place, name);
            match known.and_then(|known| known.get(name)) {
                Some(of) if is_decimal(known, name) => self.decimal(of, value, &here),
                Some(of) => self.look(of, value, &here),
                None => match schema.get("additionalProperties") {
                    Some(Value::Bool(false)) => {
                        let names: Vec<&str> = known
                            .into_iter()
                            .flatten()
                            .map(|(name, _)| name.as_str())
                            .collect();
                        let detail = format!("{name} is not known here: {} are", names.join(", "));
                        self.add(&here, "unknown-field", detail);
                    }
                    Some(of @ Value::Object(_)) => self.look(of, value, &here),
                    Some(_) | None => {}
                },
            }
        }
        let needed = list(schema, "required").iter().filter_map(Value::as_str);
        for name in needed.filter(|name| !fields.contains_key(*name)) {
            self.add(
                &Place::Field(place, name),
                "missing-field",
                format!("{name} is needed"),
            );
        }
    }
    fn text(&mut self, schema: &Value, text: &str, place: &Place<'_>) {
        let words: Vec<&str> = list(schema, "enum").iter().filter_map(Value::as_str).collect();
        if !words.is_empty() && !words.contains(&text) {
            let detail = format!("{:?} is not known here: write {}", quoted(text), words.join(", "));
            self.add(place, "unknown-word", detail);
        }
        let is_id = schema.get("format").is_some_and(|format| format == "uuid");
        if is_id && Uuid::parse_str(text).is_err() {
            self.add(place, "invalid-value", ID_ADVICE.to_owned());
        }
    }
    fn decimal(&mut self, schema: &Value, value: &Value, place: &Place<'_>) {
        match value {
            Value::String(text) => {
                if let Err(error) = parse_decimal(text) {
                    self.add(place, "invalid-value", error.to_string());
                }
            }
            other if has_type(schema, other) => {}
            other => {
                let detail = format!("{DECIMAL_IN_QUOTES}, not {}", given(other));
                self.add(place, "wrong-type", detail);
            }
        }
    }
}

/// The schema itself where another one is named.
fn resolved<'a>(schemas: &'a BTreeMap<String, Value>, schema: &'a Value) -> Option<&'a Value> {
    match schema.get("$ref").and_then(Value::as_str) {
        Some(name) => schemas.get(name.rsplit('/').next().unwrap_or(name)),
        None => Some(schema),
    }
}

fn list<'a>(schema: &'a Value, name: &str) -> &'a [Value] {
    schema
        .get(name)
        .and_then(Value::as_array)
        .map_or(&[], Vec::as_slice)
}

/// Whether this is the number of a quantity.
fn is_decimal(known: Option<&Map<String, Value>>, name: &str) -> bool {
    name == "value" && known.is_some_and(|known| known.len() == 2 && known.contains_key("unit"))
}

/// Whether the schema knows the names of all the fields that are given.
fn has_names(schema: &Value, value: &Value) -> bool {
    let (Some(known), Some(given)) = (schema.get("properties"), value.as_object()) else {
        return false;
    };
    given.keys().all(|name| known.get(name).is_some())
}

/// Whether a value has one of the types that the schema names; where it names none, it has.
fn has_type(schema: &Value, value: &Value) -> bool {
    let fits = |name: &str| match value {
        Value::Null => name == "null",
        Value::Bool(_) => name == "boolean",
        Value::Number(_) => name == "integer" || name == "number",
        Value::String(_) => name == "string",
        Value::Array(_) => name == "array",
        Value::Object(_) => name == "object",
    };
    match schema.get("type") {
        Some(Value::String(name)) => fits(name),
        Some(Value::Array(names)) => names.iter().filter_map(Value::as_str).any(fits),
        Some(_) | None => true,
    }
}
