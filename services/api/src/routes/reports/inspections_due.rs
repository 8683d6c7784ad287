//! `GET /v1/reports/inspections-due`.

use super::{answer, view};
use crate::extract::{Authorized, Query, day, refused};
use crate::permission::{Permission, ReadReports};
use crate::reply::{Answer, table};
use actix_web::{HttpRequest, get};
use clampward_domain::calendar::Zone;
use clampward_wire::problem::FieldError;
use clampward_wire::report::{InspectionsDueGroup, InspectionsDueReport};
use jiff::ToSpan;
use serde::Deserialize;
use utoipa::IntoParams;

/// Days ahead that are counted if nothing else is asked for, and at most.
const USUAL_DAYS: i64 = 30;
const MOST_DAYS: i64 = 731;

const NOTE: &str = "A clamp counts once for each inspection, and in each yard that may have it. Retired clamps are not counted.";

/// Until when.
#[derive(Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Until {
    /// The last day that is counted, at most two years ahead; left out: in 30 days.
    #[param(value_type = Option<jiff::civil::Date>, example = "2026-04-01")]
    until: Option<String>,
}

/// Count inspections that fall due
///
/// Clamps of your yards whose frequent or periodic inspection falls due until a day, the overdue ones among them, by yard,
/// kind of inspection and day: what inspectors are needed for. A day is one in the clamp's yard. With `Accept: text/csv` the
/// same as a table.
#[utoipa::path(
    operation_id = "report_inspections_due",
    tag = "Reports",
    params(Until),
    extensions(("x-permission" = json!(ReadReports::NAME)), ("x-class" = json!("lists")), ("x-problems" = json!(["not-acceptable"]))),
    responses(
        (status = 200, description = "The counts.", content(
            (InspectionsDueReport = "application/json"),
            (String = "text/csv", example = "yard_id,yard_code,yard_name,inspection,due_on,overdue,clamps,barred\r\n01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10,PEL,Port Ellery,frequent,2026-03-14,false,3,1\r\n"),
        ), headers(("ETag" = String, description = "Over the bytes sent: the same as long as no number changes."))),
        (status = 304, description = "You have these numbers already."))
)]
#[get("/v1/reports/inspections-due")]
pub async fn inspections_due(
    call: Authorized<ReadReports>,
    asked: Query<Until>,
    request: HttpRequest,
) -> Answer {
    let today = Zone::utc().date_at(call.store().now());
    let ahead = |days: i64| today.checked_add(days.days()).unwrap_or(today);
    let until = match asked.0.until.as_deref() {
        Some(text) => day("/until", text)?,
        None => ahead(USUAL_DAYS),
    };
    if until > ahead(MOST_DAYS) {
        let detail = "at most two years ahead";
        return Err(refused(FieldError::new("/until", "out-of-range", detail)));
    }
    let counted = call.store().inspections_due(call.yards(), until).await?;
    let mut items: Vec<InspectionsDueGroup> = counted
        .groups
        .into_iter()
        .map(|group| InspectionsDueGroup {
            yard: view::yard(group.yard, &counted.reference, counted.generated_at),
            inspection: group.inspection,
            due_on: group.due_on,
            overdue: group.is_overdue,
            clamps: group.clamps,
            barred: group.barred,
        })
        .collect();
    items.sort_by_cached_key(|item| (item.yard.code.clone(), item.yard.id, item.due_on, item.inspection));
    let report = InspectionsDueReport {
        until,
        items,
        note: NOTE.to_owned(),
    };
    let heading = [
        "yard_id",
        "yard_code",
        "yard_name",
        "inspection",
        "due_on",
        "overdue",
        "clamps",
        "barred",
    ];
    answer(&request, &report, || {
        table(&heading, &report.items, |item, row| {
            view::yard_cells(Some(&item.yard), row);
            row.plain(item.inspection)
                .plain(item.due_on)
                .plain(item.overdue)
                .plain(item.clamps)
                .plain(item.barred);
        })
    })
}
