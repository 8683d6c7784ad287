//! Parts of the path and parameters of the query. Unknown ones are refused.

use super::gate::Gate;
use crate::reply::Failure;
use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest, web};
use clampward_wire::json::shape_error;
use clampward_wire::page::{DEFAULT_LIMIT, MAX_LIMIT, decode_key};
use clampward_wire::problem::{self, FieldError, Problem};
use clampward_wire::time;
use jiff::Timestamp;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::future::Future;
use std::pin::Pin;
use std::str::FromStr;
use utoipa::IntoParams;

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
    /// The key after which the page begins, and its limit.
    pub fn read<K: FromStr>(&self) -> Result<(Option<K>, u32), Failure> {
        page(self.after.as_deref(), self.limit)
    }
}

/// Reads the parameters that every list has.
pub fn page<K: FromStr>(after: Option<&str>, limit: Option<u32>) -> Result<(Option<K>, u32), Failure> {
    let limit = limit.unwrap_or(DEFAULT_LIMIT);
    if !(1..=MAX_LIMIT).contains(&limit) {
        return Err(refused(FieldError::new(
            "/limit",
            "out-of-range",
            format!("1 to {MAX_LIMIT}"),
        )));
    }
    let foreign = || {
        refused(FieldError::new(
            "/after",
            "invalid-key",
            "give the next of the page before, unchanged",
        ))
    };
    let key = after
        .map(|text| {
            decode_key(text)
                .and_then(|key| key.parse().ok())
                .ok_or_else(foreign)
        })
        .transpose()?;
    Ok((key, limit))
}

type Extracting<T> = Pin<Box<dyn Future<Output = Result<T, Failure>>>>;

impl<T: DeserializeOwned + 'static> FromRequest for Path<T> {
    type Error = Failure;
    type Future = Extracting<Self>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let gate = Gate::of(request);
        let names: Vec<String> = request
            .match_info()
            .iter()
            .map(|(name, _)| name.to_owned())
            .collect();
        let read = web::Path::<T>::extract(request);
        Box::pin(async move {
            Gate::passed(gate).await;
            let value = read.await.map_err(|error| {
                let pointer = names.first().map(|name| format!("/{name}")).unwrap_or_default();
                refused(FieldError::new(
                    pointer,
                    "invalid-value",
                    format!("{error}: ids are UUIDs"),
                ))
            })?;
            Ok(Self(value.into_inner()))
        })
    }
}

impl<T: DeserializeOwned + 'static> FromRequest for Query<T> {
    type Error = Failure;
    type Future = Extracting<Self>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let gate = Gate::of(request);
        let query = request.query_string().to_owned();
        Box::pin(async move {
            Gate::passed(gate).await;
            if query.contains("%00") {
                let detail = "the character NUL cannot be kept: leave it out";
                return Err(refused(FieldError::new("", "nul-character", detail)));
            }
            let value = web::Query::<T>::from_query(&query).map_err(|error| {
                let text = error.to_string();
                let message = text.strip_prefix("Query deserialize error: ").unwrap_or(&text);
                refused(shape_error("", message))
            })?;
            Ok(Self(value.into_inner()))
        })
    }
}

/// An instant in the strict form.
pub fn instant(pointer: &str, text: &str) -> Result<Timestamp, Failure> {
    time::parse(text).ok_or_else(|| refused(FieldError::new(pointer, "not-a-time", time::ADVICE)))
}

/// A refusal of a parameter.
pub fn refused(error: FieldError) -> Failure {
    let detail = format!("{}: {}", error.pointer.trim_start_matches('/'), error.detail);
    Problem::new(problem::INVALID_PARAMETERS, detail)
        .with_errors(vec![error])
        .into()
}
