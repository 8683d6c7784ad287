//! `GET /v1/reports/lock-out-ageing`.

use super::{answer, view};
use crate::extract::Authorized;
use crate::permission::{Permission, ReadReports};
use crate::reply::{Answer, table};
use actix_web::{HttpRequest, get};
use clampward_store::reports::AGE_BANDS;
use clampward_wire::report::{LockoutAgeGroup, LockoutAgeingReport};

const NOTE: &str = "A lock-out counts in each yard that may have its clamp, a clamp under each of its reasons; total_clamps counts each clamp once. A day is 24 hours from when it began to bar.";

/// Count lock-outs by their age
///
/// Lock-outs that bar clamps of your yards now, by yard, reason and age: up to 7 days, 14, 30, 90, and more. Retired clamps are
/// not counted. With `Accept: text/csv` the same as a table.
#[utoipa::path(
    operation_id = "report_lockout_ageing",
    tag = "Reports",
    extensions(("x-permission" = json!(ReadReports::NAME)), ("x-class" = json!("lists")), ("x-problems" = json!(["not-acceptable"]))),
    responses(
        (status = 200, description = "The counts.", content(
            (LockoutAgeingReport = "application/json"),
            (String = "text/csv", example = "yard_id,yard_code,yard_name,reason,over_days,up_to_days,lockouts,clamps,oldest\r\n01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10,PEL,Port Ellery,dropped,14,30,2,2,2026-02-09T16:00:00Z\r\n"),
        ), headers(("ETag" = String, description = "Over the bytes sent: the same as long as no number changes."))),
        (status = 304, description = "You have these numbers already."))
)]
#[get("/v1/reports/lock-out-ageing")]
pub async fn lockout_ageing(call: Authorized<ReadReports>, request: HttpRequest) -> Answer {
    let counted = call.store().lockout_ageing(call.yards()).await?;
    let mut items: Vec<LockoutAgeGroup> = counted
        .groups
        .into_iter()
        .filter_map(|group| {
            let (over_days, up_to_days) = *AGE_BANDS.get(group.band)?;
            Some(LockoutAgeGroup {
                yard: view::yard(group.yard, &counted.reference, counted.generated_at),
                reason: group.reason,
                over_days,
                up_to_days,
                lockouts: group.lockouts,
                clamps: group.clamps,
                oldest: group.oldest,
            })
        })
        .collect();
    items.sort_by_cached_key(|item| {
        (
            item.yard.code.clone(),
            item.yard.id,
            item.reason.clone(),
            item.over_days,
        )
    });
    let report = LockoutAgeingReport {
        items,
        total_clamps: counted.clamps,
        note: NOTE.to_owned(),
    };
    let heading = [
        "yard_id",
        "yard_code",
        "yard_name",
        "reason",
        "over_days",
        "up_to_days",
        "lockouts",
        "clamps",
        "oldest",
    ];
    answer(&request, &report, || {
        table(&heading, &report.items, |item, row| {
            view::yard_cells(Some(&item.yard), row);
            row.text(&item.reason)
                .plain(item.over_days)
                .maybe(item.up_to_days)
                .plain(item.lockouts)
                .plain(item.clamps)
                .plain(item.oldest);
        })
    })
}
