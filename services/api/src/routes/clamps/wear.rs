//! `GET /v1/clamps/{clamp_id}/wear`.

use crate::extract::{Authorized, Path, Query, refused};
use crate::permission::{Permission, ReadClamps};
use crate::plot::wear_svg;
use crate::reply::{Answer, Failure, ok};
use actix_web::http::header::ACCEPT;
use actix_web::{HttpRequest, HttpResponse, get};
use clampward_domain::criteria::criterion;
use clampward_domain::ids::ClampId;
use clampward_domain::wear::{WearTrend, trends};
use clampward_wire::problem::{FieldError, NOT_ACCEPTABLE, NOT_FOUND};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Media type of the plot.
const SVG: &str = "image/svg+xml";

/// Which wear point.
#[derive(Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Point {
    /// Only this criterion; needed for the plot where there are several.
    #[param(example = "shackle_eye_worn")]
    criterion: Option<String>,
    /// Only this place.
    place: Option<String>,
}

/// Wear of a clamp.
#[derive(Serialize, ToSchema)]
pub struct WearView {
    /// The clamp.
    clamp_id: ClampId,
    /// One per measured criterion and place.
    items: Vec<WearTrend>,
}

/// See a clamp's wear over time
///
/// Readings, straight-line fit since the part was renewed, one-sided 95 % prediction bound and the day on which that
/// bound is expected to reach the limit. With `Accept: image/svg+xml` the plot of one wear point.
#[utoipa::path(
    tag = "Clamps",
    params(("clamp_id" = ClampId, Path, description = "The clamp."), Point),
    extensions(("x-permission" = json!(ReadClamps::NAME)), ("x-problems" = json!(["not-found", "not-acceptable"]))),
    responses((status = 200, description = "Wear per measured criterion and place.", content(
        (WearView = "application/json"),
        (String = "image/svg+xml"),
    )))
)]
#[get("/v1/clamps/{clamp_id}/wear")]
pub async fn wear(
    call: Authorized<ReadClamps>,
    clamp_id: Path<ClampId>,
    point: Query<Point>,
    request: HttpRequest,
) -> Answer {
    if let Some(code) = &point.0.criterion
        && criterion(code).is_none()
    {
        let detail = "not a criterion: GET /v1/criteria lists them";
        return Err(refused(FieldError::new("/criterion", "unknown-word", detail)));
    }
    let (clamp, entries) = call
        .store()
        .clamp_with_entries(clamp_id.0, call.yards())
        .await?
        .ok_or_else(|| Failure::not_found("clamp"))?;
    let mut items = trends(&clamp.state, &entries, &clamp.reference, call.now());
    items.retain(|trend| {
        point
            .0
            .criterion
            .as_ref()
            .is_none_or(|criterion| *criterion == trend.criterion)
            && point
                .0
                .place
                .as_ref()
                .is_none_or(|place| trend.place.as_ref() == Some(place))
    });
    let wants_plot = request
        .headers()
        .get(ACCEPT)
        .and_then(|value| value.to_str().ok())
        .is_some_and(|accept| accept.contains(SVG));
    if !wants_plot {
        return ok(&WearView {
            clamp_id: clamp_id.0,
            items,
        });
    }
    let trend = match items.as_slice() {
        [only] => only,
        [] => {
            return Err(Failure::new(
                NOT_FOUND,
                "Nothing was measured there yet, so there is nothing to plot.",
            ));
        }
        several => {
            let names: Vec<_> = several.iter().map(|trend| trend.criterion.as_str()).collect();
            let detail = format!(
                "A plot shows one wear point: name it with ?criterion= ({}).",
                names.join(", ")
            );
            return Err(Failure::new(NOT_ACCEPTABLE, detail));
        }
    };
    let mark = clamp.state.asset_mark().unwrap_or_default();
    let title = format!("{mark}: {}", trend.criterion.replace('_', " "));
    let svg = wear_svg(trend, &title).map_err(|error| Failure::internal(&error))?;
    Ok(HttpResponse::Ok()
        .content_type(SVG)
        .insert_header(("Cache-Control", "no-store"))
        .body(svg))
}
