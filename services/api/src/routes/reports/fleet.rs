//! `GET /v1/reports/fleet`.

use super::{answer, view};
use crate::extract::Authorized;
use crate::permission::{Permission, ReadReports};
use crate::reply::{Answer, table};
use actix_web::{HttpRequest, get};
use clampward_store::reports::FleetGroup as Counted;
use clampward_wire::report::{FleetCounts, FleetGroup, FleetReport};

const NOTE: &str = "A clamp counts in each yard that may have it; total_clamps counts each clamp once. Retired clamps are not counted.";

fn counts(counted: &Counted) -> FleetCounts {
    FleetCounts {
        clamps: counted.clamps,
        fit: counted.fit(),
        out: view::counts(counted.out),
    }
}

/// Count the fleet
///
/// Clamps of your yards that are not retired, by yard and model: how many there are, how many are fit, and how many are not by
/// why. With `Accept: text/csv` the same as a table, whose last row is the total.
#[utoipa::path(
    operation_id = "report_fleet",
    tag = "Reports",
    extensions(("x-permission" = json!(ReadReports::NAME)), ("x-class" = json!("lists")), ("x-problems" = json!(["not-acceptable"]))),
    responses(
        (status = 200, description = "The counts.", content(
            (FleetReport = "application/json"),
            (String = "text/csv", example = "row,yard_id,yard_code,yard_name,model_id,maker,model,clamps,fit,tagged_out,overdue,awaiting_initial_inspection,not_fit\r\ngroup,01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a10,PEL,Port Ellery,01970e2c-7f3a-7b1e-9c55-2f6f0c8d4a11,Ostvik Klammer,OK-V3,12,9,2,1,0,0\r\ntotal,,,,,,,12,9,2,1,0,0\r\n"),
        ), headers(("ETag" = String, description = "Over the bytes sent: the same as long as no number changes."))),
        (status = 304, description = "You have these numbers already."))
)]
#[get("/v1/reports/fleet")]
pub async fn fleet(call: Authorized<ReadReports>, request: HttpRequest) -> Answer {
    let counted = call.store().fleet_report(call.yards()).await?;
    let (reference, at) = (&counted.reference, counted.generated_at);
    let mut items: Vec<FleetGroup> = counted
        .groups
        .iter()
        .map(|((yard, model), group)| FleetGroup {
            yard: view::yard(*yard, reference, at),
            model: model.map(|model| view::model(model, reference, at)),
            counts: counts(group),
        })
        .collect();
    items.sort_by_cached_key(|item| {
        let model = item.model.as_ref();
        (
            item.yard.code.clone(),
            item.yard.id,
            model.map(|model| (model.maker.clone(), model.model.clone(), model.id)),
        )
    });
    let report = FleetReport {
        items,
        total_clamps: counts(&counted.total),
        note: NOTE.to_owned(),
    };
    let heading = [
        "row",
        "yard_id",
        "yard_code",
        "yard_name",
        "model_id",
        "maker",
        "model",
        "clamps",
        "fit",
        "tagged_out",
        "overdue",
        "awaiting_initial_inspection",
        "not_fit",
    ];
    let rows: Vec<Option<&FleetGroup>> = report.items.iter().map(Some).chain([None]).collect();
    answer(&request, &report, || {
        table(&heading, &rows, |item, row| {
            row.plain(if item.is_some() { "group" } else { "total" });
            view::yard_cells(item.map(|item| &item.yard), row);
            view::model_cells(item.and_then(|item| item.model.as_ref()), row);
            let counts = item.map_or(&report.total_clamps, |item| &item.counts);
            row.plain(counts.clamps)
                .plain(counts.fit)
                .plain(counts.out.tagged_out)
                .plain(counts.out.overdue)
                .plain(counts.out.awaiting_initial_inspection)
                .plain(counts.out.not_fit);
        })
    })
}
