//! Parts of the path and parameters of the query. Unknown ones are refused.

use super::gate::Gate;
use crate::reply::Failure;
use actix_web::dev::Payload;
use actix_web::error::QueryPayloadError;
use actix_web::{FromRequest, HttpMessage, HttpRequest, web};
use clampward_store::AsOf;
use clampward_wire::json::{ID_ADVICE, join, shape_error};
use clampward_wire::page::{DEFAULT_LIMIT, MAX_LIMIT, decode_key, encode_key};
use clampward_wire::problem::{self, FieldError, Problem};
use clampward_wire::time;
use jiff::Timestamp;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::fmt::Display;
use std::future::Future;
use std::pin::Pin;
use std::str::FromStr;
use utoipa::IntoParams;
use uuid::Uuid;

/// The variable parts of the path.
pub struct Path<T>(pub T);

/// The parameters of the query.
pub struct Query<T>(pub T);

/// Which page of a list.
#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PageParameters {
    /// `next` of the page before.
    #[param(max_length = 200)]
    pub after: Option<String>,
    /// Most items of the page.
    #[param(minimum = 1, maximum = 200, default = 50)]
    pub limit: Option<u32>,
}

impl PageParameters {
    /// A stream is the whole list: it has no pages.
    pub fn not_of_a_stream(&self) -> Result<(), Failure> {
        let given = [("/after", self.after.is_some()), ("/limit", self.limit.is_some())];
        let faults: Vec<FieldError> = given
            .into_iter()
            .filter(|(_, given)| *given)
            .map(|(pointer, _)| {
                let detail =
                    "CSV and JSON lines are the whole list: leave it out, or ask for application/json";
                FieldError::new(pointer, "not-of-a-stream", detail)
            })
            .collect();
        if faults.is_empty() {
            return Ok(());
        }
        Err(refused_all(faults))
    }
}

/// The key after which a page begins, of this list with these filters (`binding`), and its limit.
pub fn bound_page<K: FromStr>(page: &PageParameters, binding: &str) -> Result<(Option<K>, u32), Failure> {
    let limit = page.limit.unwrap_or(DEFAULT_LIMIT);
    if !(1..=MAX_LIMIT).contains(&limit) {
        return Err(refused(FieldError::new(
            "/limit",
            "out-of-range",
            format!("1 to {MAX_LIMIT}"),
        )));
    }
    let Some(text) = page.after.as_deref() else {
        return Ok((None, limit));
    };
    let given = decode_key(text).ok_or_else(foreign_key)?;
    let (key, of) = given.rsplit_once(' ').ok_or_else(foreign_key)?;
    if of != binding {
        let detail = "this key is of another list, or of this one with other filters: begin without it";
        return Err(refused(FieldError::new("/after", "foreign-key", detail)));
    }
    let key = key.parse().map_err(|_| foreign_key())?;
    Ok((Some(key), limit))
}

/// A key that is good for one list with one set of filters.
pub fn bound_key(key: &impl Display, binding: &str) -> String {
    encode_key(&format!("{key} {binding}"))
}

fn foreign_key() -> Failure {
    refused(FieldError::new(
        "/after",
        "invalid-key",
        "give the next of the page before, unchanged",
    ))
}

type Extracting<T> = Pin<Box<dyn Future<Output = Result<T, Failure>>>>;

impl<T: DeserializeOwned + 'static> FromRequest for Path<T> {
    type Error = Failure;
    type Future = Extracting<Self>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let gate = Gate::of(request);
        let steps = request.match_info().iter();
        let no_id = steps
            .filter(|(_, step)| step.parse::<Uuid>().is_err())
            .map(|(name, _)| format!("/{name}"))
            .next();
        let read = web::Path::<T>::extract(request);
        Box::pin(async move {
            Gate::passed(gate).await;
            let value = read.await.map_err(|_| {
                refused(FieldError::new(
                    no_id.unwrap_or_default(),
                    "invalid-value",
                    ID_ADVICE,
                ))
            })?;
            Ok(Self(value.into_inner()))
        })
    }
}

/// Says that an operation looks at its query: without it, every query is refused.
#[derive(Clone, Copy)]
struct QueryIsRead;

impl<T: DeserializeOwned + 'static> FromRequest for Query<T> {
    type Error = Failure;
    type Future = Extracting<Self>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let gate = Gate::of(request);
        request.extensions_mut().insert(QueryIsRead);
        let query = request.query_string().to_owned();
        Box::pin(async move {
            Gate::passed(gate).await;
            Ok(Self(read_query(&query)?))
        })
    }
}

/// Refuses a query that the operation does not look at: a parameter that is left out silently would be believed to act.
/// To be asked only when every extractor of the operation was started.
pub(super) fn no_unread_query(request: &HttpRequest) -> Result<(), Failure> {
    if request.extensions().contains::<QueryIsRead>() {
        return Ok(());
    }
    // Nothing is known here, so that the first of them is refused.
    read_query::<NoParameters>(request.query_string()).map(|NoParameters {}| ())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NoParameters {}

/// Reads the parameters; every faulty one is named.
fn read_query<T: DeserializeOwned>(query: &str) -> Result<T, Failure> {
    if query.contains("%00") {
        let detail = "the character NUL cannot be kept: leave it out";
        return Err(refused(FieldError::new("", "nul-character", detail)));
    }
    let error = match web::Query::<T>::from_query(query) {
        Ok(read) => return Ok(read.into_inner()),
        Err(error) => message(error),
    };
    // The reader does not say which parameter it stumbled over: each is read alone.
    let faults: Vec<FieldError> = query
        .split('&')
        .filter(|pair| !pair.is_empty())
        .filter_map(|pair| {
            let message = web::Query::<T>::from_query(pair).err().map(message)?;
            if message.starts_with("missing field") {
                return None;
            }
            let pairs = web::Query::<Vec<(String, String)>>::from_query(pair).ok()?;
            let name = pairs.first().map(|(name, _)| name.as_str()).unwrap_or_default();
            Some(shape_error(&join("", name), &message))
        })
        .collect();
    Err(refused_all(if faults.is_empty() {
        vec![shape_error("", &error)]
    } else {
        faults
    }))
}

/// What the reader of queries says of a fault.
fn message(error: QueryPayloadError) -> String {
    let text = error.to_string();
    text.strip_prefix("Query deserialize error: ")
        .unwrap_or(&text)
        .to_owned()
}

/// An instant in the strict form.
pub fn instant(pointer: &str, text: &str) -> Result<Timestamp, Failure> {
    time::parse(text).ok_or_else(|| refused(FieldError::new(pointer, "not-a-time", time::ADVICE)))
}

/// A time that is asked about: an instant, or the end of a day in the clamp's yard.
pub fn as_of(pointer: &str, text: &str) -> Result<AsOf, Failure> {
    if let Some(day) = time::parse_day(text) {
        return Ok(AsOf::EndOf(day));
    }
    time::parse(text).map(AsOf::Instant).ok_or_else(|| {
        let advice = format!("{}; or a day: {}", time::ADVICE, time::DAY_ADVICE);
        refused(FieldError::new(pointer, "not-a-time", advice))
    })
}

/// A parameter that names a day.
pub fn day(pointer: &str, text: &str) -> Result<jiff::civil::Date, Failure> {
    time::parse_day(text).ok_or_else(|| refused(FieldError::new(pointer, "not-a-day", time::DAY_ADVICE)))
}

/// A refusal of a parameter.
pub fn refused(error: FieldError) -> Failure {
    refused_all(vec![error])
}

fn refused_all(errors: Vec<FieldError>) -> Failure {
    let details: Vec<String> = errors
        .iter()
        .map(|error| match error.pointer.trim_start_matches('/') {
            "" => error.detail.clone(),
            name => format!("{name}: {}", error.detail),
        })
        .collect();
    Problem::new(problem::INVALID_PARAMETERS, details.join("; "))
        .with_errors(errors)
        .into()
}
