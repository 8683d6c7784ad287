//! What yards and models have in common on the wire: a head beside the fields, partial changes, first days.

use crate::reply::Failure;
use clampward_domain::calendar::Zone;
use clampward_domain::entry::InputError;
use clampward_store::reference::ReferenceError;
use clampward_wire::problem::{self, FieldError, Problem};
use clampward_wire::{json, time};
use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use serde::de::DeserializeOwned;
use serde_json::{Map, Value};
use utoipa::ToSchema;
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, Schema, SchemaFormat, Type};
use utoipa::openapi::{Object, RefOr};

impl From<ReferenceError> for Failure {
    fn from(error: ReferenceError) -> Self {
        match error {
            ReferenceError::CodeTaken => Self::new(problem::CODE_TAKEN, "Another yard bears this code."),
            ReferenceError::ModelTaken => Self::new(
                problem::MODEL_TAKEN,
                "The maker has a model of this name already.",
            ),
            ReferenceError::NotFound => Self::not_found("version"),
            ReferenceError::Stale => Self::new(
                problem::VERSION_STALE,
                "It was changed meanwhile: read it again and repeat your change.",
            ),
            ReferenceError::LaterVersionPending => Self::new(
                problem::VERSION_PENDING,
                "A version that starts later is recorded already.",
            ),
            ReferenceError::Store(error) => error.into(),
        }
    }
}

/// A partial change taken apart: when it starts, why, and the fields.
pub struct Change {
    /// First day, if it was named.
    pub starts_on: Option<Date>,
    /// Why.
    pub reason: Option<String>,
    fields: Map<String, Value>,
    faults: Vec<FieldError>,
}

/// Longest reason.
const MAX_REASON: usize = 500;

impl Change {
    /// Takes a body apart. What is wrong with the first day or the reason is said together with what is wrong with the
    /// fields, by [`Change::onto`].
    pub fn read(body: Value) -> Result<Self, Failure> {
        let Value::Object(mut fields) = body else {
            return Err(refused("", "wrong-type", "send a JSON object"));
        };
        let mut faults = Vec::new();
        let mut take = |name: &str| match fields.shift_remove(name) {
            None | Some(Value::Null) => None,
            Some(Value::String(text)) => Some(text),
            Some(_) => {
                faults.push(FieldError::new(format!("/{name}"), "wrong-type", "a text"));
                None
            }
        };
        let starts_on = take("starts_on");
        let reason = take("reason")
            .map(|reason| reason.trim().to_owned())
            .filter(|reason| !reason.is_empty());
        if reason
            .as_ref()
            .is_some_and(|reason| reason.chars().count() > MAX_REASON)
        {
            let detail = format!("at most {MAX_REASON} characters");
            faults.push(FieldError::new("/reason", "too-long", detail));
        }
        let starts_on = starts_on.and_then(|text| {
            let day = time::parse_day(&text);
            if day.is_none() {
                faults.push(FieldError::new("/starts_on", "time-malformed", time::DAY_ADVICE));
            }
            day
        });
        Ok(Self {
            starts_on,
            reason,
            fields,
            faults,
        })
    }
    /// The fields laid over what is there (RFC 7396): null takes a field away.
    pub fn onto<T: DeserializeOwned + ToSchema + 'static>(self, mut before: Value) -> Result<T, Failure> {
        let fields = Value::Object(self.fields);
        let mut faults = self.faults;
        faults.extend(json::unknown_fields::<T>(&fields));
        merge(&mut before, fields);
        match json::from_value(&before) {
            Ok(read) if faults.is_empty() => return Ok(read),
            Ok(_) => {}
            Err(error) => {
                let known: Vec<String> = faults.iter().map(|fault| fault.pointer.clone()).collect();
                let more = error.into_errors().into_iter();
                faults.extend(more.filter(|fault| !known.contains(&fault.pointer)));
            }
        }
        Err(Problem::input(faults).into())
    }
}

fn refused(pointer: &str, code: &'static str, detail: impl Into<String>) -> Failure {
    Problem::input(vec![FieldError::new(pointer, code, detail)]).into()
}

/// RFC 7396, but a quantity is one value: its number never goes with the unit that was there before.
fn merge(target: &mut Value, patch: Value) {
    let Value::Object(patch) = patch else {
        *target = patch;
        return;
    };
    let is_quantity = patch.contains_key("value") || patch.contains_key("unit");
    if !target.is_object() || is_quantity {
        *target = Value::Object(Map::new());
    }
    if let Value::Object(fields) = target {
        for (name, value) in patch {
            if value.is_null() {
                fields.shift_remove(&name);
            } else {
                merge(fields.entry(name).or_insert(Value::Null), value);
            }
        }
    }
}

/// The first day of a new version: tomorrow, or the day that was named if it is later than today and within a year.
pub fn first_day(named: Option<Date>, zone: &Zone, now: Timestamp) -> Result<Date, Failure> {
    let today = zone.date_at(now);
    let tomorrow = today.tomorrow().unwrap_or(Date::MAX);
    match named {
        Some(day) if day <= today => {
            let detail = format!(
                "today is {today} there: a version starts on a later day, so that nobody is judged by two"
            );
            Err(refused("/starts_on", "not-later", detail))
        }
        Some(day) if today.saturating_add(1.year()) < day => {
            let detail = format!("today is {today} there: a version starts within a year");
            Err(refused("/starts_on", "too-far", detail))
        }
        Some(day) => Ok(day),
        None => Ok(tomorrow),
    }
}

/// Refuses faulty particulars, naming each.
pub fn well_formed(errors: Vec<InputError>) -> Result<(), Failure> {
    if errors.is_empty() {
        return Ok(());
    }
    Err(Problem::input(errors.into_iter().map(FieldError::from).collect()).into())
}

/// The schema of a version as it is answered: its head beside its fields, open for more.
pub fn answered(fields: RefOr<Schema>) -> RefOr<Schema> {
    let RefOr::T(Schema::Object(mut object)) = fields else {
        return fields;
    };
    object.additional_properties = None;
    add(&mut object, "id", text(Some(KnownFormat::Uuid), "Its id."), true);
    add(
        &mut object,
        "version",
        ObjectBuilder::new()
            .schema_type(Type::Integer)
            .minimum(Some(1))
            .description(Some("Version, from 1."))
            .build(),
        true,
    );
    add(
        &mut object,
        "starts_on",
        nullable_day("First day of this version; null for the first, which holds from its recording."),
        true,
    );
    add(
        &mut object,
        "starts_at",
        text(Some(KnownFormat::DateTime), "In force from here on."),
        true,
    );
    add(
        &mut object,
        "recorded_at",
        text(Some(KnownFormat::DateTime), "When it was recorded."),
        true,
    );
    RefOr::T(Schema::Object(object))
}

/// The schema of a partial change: every field optional, with the first day and the reason.
pub fn partial(fields: RefOr<Schema>) -> RefOr<Schema> {
    let RefOr::T(Schema::Object(mut object)) = fields else {
        return fields;
    };
    object.required.clear();
    add(
        &mut object,
        "starts_on",
        text(
            Some(KnownFormat::Date),
            "First day of the new version, later than today and within a year; tomorrow if left out.",
        ),
        false,
    );
    add(&mut object, "reason", reason(), false);
    RefOr::T(Schema::Object(object))
}

/// The schema of something new, with a reason beside its fields.
pub fn with_reason(fields: RefOr<Schema>) -> RefOr<Schema> {
    let RefOr::T(Schema::Object(mut object)) = fields else {
        return fields;
    };
    add(&mut object, "reason", reason(), false);
    RefOr::T(Schema::Object(object))
}

fn reason() -> Object {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .max_length(Some(MAX_REASON))
        .description(Some("Why."))
        .build()
}

fn add(object: &mut Object, name: &str, schema: Object, required: bool) {
    object
        .properties
        .insert(name.to_owned(), RefOr::T(Schema::Object(schema)));
    if required {
        object.required.push(name.to_owned());
    }
}
fn text(format: Option<KnownFormat>, description: &str) -> Object {
    let format = format.map(SchemaFormat::KnownFormat);
    ObjectBuilder::new()
        .schema_type(Type::String)
        .format(format)
        .description(Some(description))
        .build()
}
fn nullable_day(description: &str) -> Object {
    let kinds = utoipa::openapi::schema::SchemaType::from_iter([Type::String, Type::Null]);
    let format = Some(SchemaFormat::KnownFormat(KnownFormat::Date));
    ObjectBuilder::new()
        .schema_type(kinds)
        .format(format)
        .description(Some(description))
        .build()
}
