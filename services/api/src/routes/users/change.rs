//! `PATCH /v1/users/{id}`.

use super::check;
use super::view::{UserView, Yards};
use crate::extract::{Authorized, Json, Path};
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, Failure, changed, if_match};
use actix_web::{HttpRequest, patch};
use clampward_domain::ids::PersonId;
use clampward_domain::words::Role;
use clampward_store::people::AccountKind;
use clampward_wire::problem;
use serde::Deserialize;
use utoipa::ToSchema;

/// What changes; what is left out stays.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UserChange {
    /// E-mail address.
    #[schema(max_length = 254)]
    email: Option<String>,
    /// Name.
    #[schema(min_length = 1, max_length = 120)]
    name: Option<String>,
    /// Roles, all of them.
    #[schema(min_items = 1)]
    roles: Option<Vec<Role>>,
    /// The yards that the roles hold for.
    yards: Option<Yards>,
    /// Whether the person may sign in.
    enabled: Option<bool>,
}

impl UserChange {
    fn touches_grants(&self) -> bool {
        self.roles.is_some() || self.yards.is_some() || self.enabled.is_some()
    }
}

/// Change a person
///
/// Records a new version, which acts at once: also on tokens that were handed out before. Earlier versions stay on record.
/// Nobody changes their own roles, their own yards or whether they may sign in.
#[utoipa::path(
    operation_id = "change_user",
    tag = "People",
    params(("id" = PersonId, Path, description = "The person."), ("If-Match" = String, Header, description = "The account's ETag.")),
    request_body = UserChange,
    extensions(("x-permission" = json!(KeepPeople::NAME)),
        ("x-problems" = json!(["not-found", "own-grants", "email-taken", "version-missing", "version-stale"]))),
    responses((status = 200, description = "Recorded.", body = UserView, headers(("ETag" = String, description = "Over the bytes sent."))))
)]
#[patch("/v1/users/{id}")]
pub async fn change(
    call: Authorized<KeepPeople>,
    id: Path<PersonId>,
    body: Json<UserChange>,
    request: HttpRequest,
) -> Answer {
    call.everywhere()?;
    if id.0 == call.person() && body.0.touches_grants() {
        let detail = "Your own roles, yards and access are changed by another administrator.";
        return Err(Failure::new(problem::OWN_GRANTS, detail));
    }
    let account = call
        .store()
        .account_of(AccountKind::Person, id.0)
        .await?
        .ok_or_else(|| Failure::not_found("person"))?;
    if_match(&request, &UserView::from(account.clone()))?;
    let UserChange {
        email,
        name,
        roles,
        yards,
        enabled,
    } = body.0;
    let mut next = account.body;
    next.email = email.map_or(next.email, |email| email.trim().to_lowercase());
    next.name = name.unwrap_or(next.name);
    next.roles = roles.unwrap_or(next.roles);
    next.roles.sort_unstable();
    next.roles.dedup();
    next.yards = yards.map_or(next.yards, |yards| yards.0);
    next.enabled = enabled.unwrap_or(next.enabled);
    check(call.store(), &next).await?;
    let written = call
        .store()
        .change_account(call.new_id()?, call.person(), id.0, account.version, &next)
        .await?;
    changed(&UserView::from(written))
}
