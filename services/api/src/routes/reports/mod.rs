//! Reports for the safety team and the ERP.

pub mod fleet;
pub mod inspections_due;
pub mod lockout_ageing;
pub mod out_of_service;
pub mod rejections;
mod view;

use crate::reply::{Answer, Form, resource, resource_of};
use actix_web::HttpRequest;
use actix_web::http::header::{CACHE_CONTROL, HeaderValue};
use serde::Serialize;

/// The forms of a report.
const FORMS: [Form; 2] = [Form::Json, Form::Csv];
/// The table's media type as it is answered.
const CSV_UTF8: &str = "text/csv; charset=utf-8";
/// A cache asks before it answers: a report is small and changes with every entry.
const ASK_FIRST: HeaderValue = HeaderValue::from_static("private, no-cache");

/// A report in the form that was asked for, with an ETag that holds as long as no number changes.
fn answer(
    request: &HttpRequest,
    report: &impl Serialize,
    table: impl FnOnce() -> Result<Vec<u8>, csv::Error>,
) -> Answer {
    let mut answer = match Form::asked(request, &FORMS)? {
        Form::Csv => {
            let bytes = table().map_err(|error| crate::reply::Failure::internal(&error))?;
            resource_of(request, CSV_UTF8, bytes)?
        }
        Form::Json | Form::NdJson => resource(request, report)?,
    };
    answer.headers_mut().insert(CACHE_CONTROL, ASK_FIRST);
    Ok(answer)
}
