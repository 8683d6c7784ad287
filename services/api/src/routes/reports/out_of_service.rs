//! `GET /v1/reports/out-of-service`.

use super::{FORMS, answer, view};
use crate::extract::{Authorized, Query, as_of, refused};
use crate::permission::{Permission, ReadReports};
use crate::reply::{Answer, Failure, Form};
use actix_web::http::header::{HeaderName, HeaderValue};
use actix_web::{HttpRequest, get};
use clampward_store::reports::{GroupBy, MAX_GROUPS};
use clampward_wire::problem::FieldError;
use clampward_wire::report::{Grouping, OutOfServiceReport};
use serde::de::{Error, MapAccess, Visitor};
use serde::{Deserialize, Deserializer};
use std::fmt::{self, Formatter};
use utoipa::IntoParams;

/// Header with the highest position of the ledger that is counted.
const POSITION: HeaderName = HeaderName::from_static("clampward-position");
/// Header with the instant of the count.
const GENERATED_AT: HeaderName = HeaderName::from_static("clampward-generated-at");

/// What is counted, and how it is grouped.
#[derive(Default, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// Any of `yard`, `reason`, `model` and `wll_band` in any order, with commas between them or the parameter once for
    /// each; the groups come in that order of keys. Left out: only the total.
    #[param(value_type = Option<Vec<Grouping>>, style = Form, explode, example = json!(["yard", "reason"]))]
    group_by: Vec<String>,
    /// What was true then: an instant, or a day, meaning its end in each clamp's yard. Left out: now. A later time says
    /// what will be, should nothing more be recorded.
    #[param(example = "2026-03-01")]
    as_of: Option<String>,
}

/// Generated clients repeat the parameter, people write commas: both are read.
impl<'de> Deserialize<'de> for Asked {
    fn deserialize<D: Deserializer<'de>>(reader: D) -> Result<Self, D::Error> {
        reader.deserialize_map(AskedReader)
    }
}

struct AskedReader;

impl<'de> Visitor<'de> for AskedReader {
    type Value = Asked;

    fn expecting(&self, formatter: &mut Formatter<'_>) -> fmt::Result {
        formatter.write_str("the parameters of the report")
    }
    fn visit_map<A: MapAccess<'de>>(self, mut pairs: A) -> Result<Asked, A::Error> {
        let mut asked = Asked::default();
        while let Some((name, value)) = pairs.next_entry::<String, String>()? {
            match name.as_str() {
                "group_by" => asked.group_by.push(value),
                "as_of" if asked.as_of.is_none() => asked.as_of = Some(value),
                "as_of" => return Err(A::Error::duplicate_field("as_of")),
                other => return Err(A::Error::unknown_field(other, &["group_by", "as_of"])),
            }
        }
        Ok(asked)
    }
}

/// Count clamps that are out of service
///
/// Clamps that a lock-out bars, and in columns of their own those that are out only because an inspection is overdue,
/// that await their first inspection, or that are not fit for another reason. Retired clamps are not counted. Only clamps
/// of your yards count, in the yard that had them at the time asked about.
///
/// A clamp with several lock-outs counts under each of its reasons, and one whose place is in doubt in each of its yards:
/// `total_clamps` counts each clamp once. WLL bands are up to 1 t, 3 t, 5 t, 10 t, and more; the upper bound belongs to the
/// band.
///
/// Past and present rest on everything that is known now, late entries included. With a day, a clamp that moved between
/// yards of different time zones within hours of that midnight counts by the end of the day in each; give an instant
/// where that matters. The numbers alone make the body and its ETag, so that `If-None-Match` answers 304 as long as no
/// number changes; the headers `Clampward-Position` and `Clampward-Generated-At` say how fresh that is. With
/// `Accept: text/csv` the same as a table, whose last row is the total.
#[utoipa::path(
    operation_id = "report_out_of_service",
    tag = "Reports",
    params(Asked),
    extensions(("x-permission" = json!(ReadReports::NAME)), ("x-class" = json!("lists")), ("x-problems" = json!(["not-acceptable"]))),
    responses(
        (status = 200, description = "The counts.", content(
            (OutOfServiceReport = "application/json"),
            (String = "text/csv", example = "row,yard_id,yard_code,yard_name,tagged_out,overdue,awaiting_initial_inspection,not_fit\r\ngroup,01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10,PEL,Port Ellery,3,2,0,0\r\ntotal,,,,3,2,0,0\r\n"),
        ), headers(
            ("ETag" = String, description = "Over the bytes sent: the same as long as no number changes."),
            ("Clampward-Position" = u64, description = "Highest position of the ledger that is counted."),
            ("Clampward-Generated-At" = String, description = "When it was counted."),
        )),
        (status = 304, description = "You have these numbers already."))
)]
#[get("/v1/reports/out-of-service")]
pub async fn out_of_service(
    call: Authorized<ReadReports>,
    asked: Query<Asked>,
    request: HttpRequest,
) -> Answer {
    // What cannot be answered in the form asked for is not counted.
    Form::asked(&request, &FORMS)?;
    let grouping = grouping(&asked.0.group_by)?;
    let group_by: Vec<GroupBy> = grouping.iter().map(|grouping| in_store(*grouping)).collect();
    let at = asked
        .0
        .as_of
        .as_deref()
        .map(|text| as_of("/as_of", text))
        .transpose()?;
    let counted = call.store().out_of_service(call.yards(), &group_by, at).await?;
    if counted.is_cut {
        let detail = format!("more than {MAX_GROUPS} groups: group by less");
        return Err(refused(FieldError::new("/group_by", "too-many-groups", detail)));
    }
    let (position, generated_at) = (counted.position, counted.generated_at);
    let report = view::report(counted, grouping, asked.0.as_of);
    let mut answer = answer(&request, &report, || view::csv(&report))?;
    let headers = answer.headers_mut();
    headers.insert(POSITION, HeaderValue::from(position));
    if let Ok(value) = HeaderValue::from_str(&generated_at.to_string()) {
        headers.insert(GENERATED_AT, value);
    }
    Ok(answer)
}

/// What to group by, each word once.
fn grouping(given: &[String]) -> Result<Vec<Grouping>, Failure> {
    let mut wanted = Vec::new();
    let words = given.iter().flat_map(|text| text.split(','));
    for word in words.filter(|word| !word.is_empty()) {
        let found = Grouping::ALL
            .iter()
            .find(|(known, _)| *known == word)
            .map(|(_, found)| *found)
            .ok_or_else(|| {
                let detail = "yard, reason, model or wll_band, with commas between them";
                refused(FieldError::new("/group_by", "unknown-word", detail))
            })?;
        if !wanted.contains(&found) {
            wanted.push(found);
        }
    }
    Ok(wanted)
}

fn in_store(grouping: Grouping) -> GroupBy {
    match grouping {
        Grouping::Yard => GroupBy::Yard,
        Grouping::Reason => GroupBy::Reason,
        Grouping::Model => GroupBy::Model,
        Grouping::WllBand => GroupBy::WllBand,
    }
}
