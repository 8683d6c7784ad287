//! `GET /v1/reports/rejections`.

use super::{answer, view};
use crate::extract::{Authorized, Query, day, refused};
use crate::permission::{Permission, ReadReports};
use crate::reply::{Answer, table};
use actix_web::{HttpRequest, get};
use clampward_domain::calendar::Zone;
use clampward_store::reports::{RejectedBy, RejectedKey};
use clampward_wire::problem::FieldError;
use clampward_wire::report::{RejectionGroup, RejectionGrouping, RejectionsReport};
use jiff::ToSpan;
use rust_decimal::Decimal;
use serde::Deserialize;
use utoipa::IntoParams;

/// Days that are counted if nothing else is asked for.
const USUAL_DAYS: i64 = 365;

const NOTE: &str = "A rejection is a finding that locked a clamp out, by when it counts; days are those of UTC. Retired clamps count as well; a clamp counts in each yard that may have it now, and the totals count everything once.";

/// Which rejections, and how they are grouped.
#[derive(Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Asked {
    /// What they are grouped by; left out: the criterion.
    group_by: Option<RejectionGrouping>,
    /// First day; left out: a year before the last one.
    #[param(value_type = Option<jiff::civil::Date>, example = "2025-04-01")]
    from: Option<String>,
    /// Last day; left out: today.
    #[param(value_type = Option<jiff::civil::Date>, example = "2026-03-31")]
    until: Option<String>,
}

/// Count rejections
///
/// Findings that locked clamps of your yards out over a time, by criterion, component, model, maker or yard, the most frequent
/// first, with the share that each has together with those above it: what to look at first. With `Accept: text/csv` the same as
/// a table.
#[utoipa::path(
    operation_id = "report_rejections",
    tag = "Reports",
    params(Asked),
    extensions(("x-permission" = json!(ReadReports::NAME)), ("x-class" = json!("lists")), ("x-problems" = json!(["not-acceptable"]))),
    responses(
        (status = 200, description = "The counts.", content(
            (RejectionsReport = "application/json"),
            (String = "text/csv", example = "criterion,rejections,clamps,cumulative_percent\r\nshackle_eye_worn,5,4,62.5\r\nlock_fails,3,3,100.0\r\n"),
        ), headers(("ETag" = String, description = "Over the bytes sent: the same as long as no number changes."))),
        (status = 304, description = "You have these numbers already."))
)]
#[get("/v1/reports/rejections")]
pub async fn rejections(call: Authorized<ReadReports>, asked: Query<Asked>, request: HttpRequest) -> Answer {
    let now = call.store().now();
    let utc = Zone::utc();
    let until = match asked.0.until.as_deref() {
        Some(text) => day("/until", text)?,
        None => utc.date_at(now),
    };
    let from = match asked.0.from.as_deref() {
        Some(text) => day("/from", text)?,
        None => until.checked_sub((USUAL_DAYS - 1).days()).unwrap_or(until),
    };
    if from > until {
        return Err(refused(FieldError::new("/from", "out-of-order", "from ≤ until")));
    }
    let group_by = asked.0.group_by.unwrap_or(RejectionGrouping::Criterion);
    let by = match group_by {
        RejectionGrouping::Criterion => RejectedBy::Criterion,
        RejectionGrouping::Component => RejectedBy::Component,
        RejectionGrouping::Model => RejectedBy::Model,
        RejectionGrouping::Maker => RejectedBy::Maker,
        RejectionGrouping::Yard => RejectedBy::Yard,
    };
    let store = call.store();
    let counted = store
        .rejections(call.yards(), by, utc.start_of(from), utc.end_of(until))
        .await?;
    let all: u64 = counted.groups.iter().map(|group| group.rejections).sum();
    let mut so_far = 0_u64;
    let items = counted
        .groups
        .into_iter()
        .map(|group| {
            so_far = so_far.saturating_add(group.rejections);
            let mut item = RejectionGroup {
                criterion: None,
                component: None,
                model: None,
                maker: None,
                yard: None,
                rejections: group.rejections,
                clamps: group.clamps,
                cumulative_percent: percent(so_far, all),
            };
            match (group.key, group_by) {
                (RejectedKey::Model(model), _) => {
                    item.model = model.map(|model| view::model(model, &counted.reference, now));
                }
                (RejectedKey::Yard(yard), _) => item.yard = Some(view::yard(yard, &counted.reference, now)),
                (RejectedKey::Word(word), RejectionGrouping::Component) => item.component = Some(word),
                (RejectedKey::Word(word), RejectionGrouping::Maker) => item.maker = Some(word),
                (RejectedKey::Word(word), _) => item.criterion = Some(word),
            }
            item
        })
        .collect();
    let report = RejectionsReport {
        from,
        until,
        group_by,
        items,
        total_rejections: counted.rejections,
        total_clamps: counted.clamps,
        note: NOTE.to_owned(),
    };
    answer(&request, &report, || csv(&report))
}

/// With one decimal, rounded to even.
fn percent(part: u64, whole: u64) -> String {
    if whole == 0 {
        return "0.0".to_owned();
    }
    let share = Decimal::from(part) * Decimal::ONE_HUNDRED / Decimal::from(whole);
    format!("{:.1}", share.round_dp(1))
}

fn csv(report: &RejectionsReport) -> Result<Vec<u8>, csv::Error> {
    let mut heading: Vec<&str> = match report.group_by {
        RejectionGrouping::Criterion => vec!["criterion"],
        RejectionGrouping::Component => vec!["component"],
        RejectionGrouping::Model => vec!["model_id", "maker", "model"],
        RejectionGrouping::Maker => vec!["maker"],
        RejectionGrouping::Yard => vec!["yard_id", "yard_code", "yard_name"],
    };
    heading.extend(["rejections", "clamps", "cumulative_percent"]);
    table(&heading, &report.items, |item, row| {
        match report.group_by {
            RejectionGrouping::Criterion => {
                row.maybe_text(item.criterion.as_deref());
            }
            RejectionGrouping::Component => {
                row.maybe_text(item.component.as_deref());
            }
            RejectionGrouping::Maker => {
                row.maybe_text(item.maker.as_deref());
            }
            RejectionGrouping::Model => view::model_cells(item.model.as_ref(), row),
            RejectionGrouping::Yard => view::yard_cells(item.yard.as_ref(), row),
        }
        row.plain(item.rejections)
            .plain(item.clamps)
            .plain(&item.cumulative_percent);
    })
}
