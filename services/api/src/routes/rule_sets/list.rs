//! `GET /v1/rule-sets`.

use crate::extract::Authorized;
use crate::permission::{Permission, ReadReference};
use crate::reply::{Answer, resource};
use actix_web::{HttpRequest, get};
use clampward_domain::rule_set::{RuleSet, all};
use clampward_wire::page::Page;

/// Rule sets
///
/// Every version of every rule set, complete: each figure with its source and how sure we are of it. The employer's
/// competent person, the maker's instructions and local law decide.
#[utoipa::path(
    operation_id = "list_rule_sets",
    tag = "Reference data",
    extensions(("x-permission" = json!(ReadReference::NAME))),
    responses(
        (status = 200, description = "All of them.", body = Page<RuleSet>, headers(("ETag" = String, description = "Over the bytes sent."))),
        (status = 304, description = "You have these bytes already."))
)]
#[get("/v1/rule-sets")]
pub async fn list(_call: Authorized<ReadReference>, request: HttpRequest) -> Answer {
    resource(
        &request,
        &Page {
            items: all().to_vec(),
            next: None,
        },
    )
}
