//! `POST /v1/users`.

use super::view::{UserView, Yards};
use super::{check, hand_out_token};
use crate::extract::{Authorized, Json};
use crate::idempotency::Idempotent;
use crate::permission::{KeepPeople, Permission};
use crate::reply::{Answer, created};
use actix_web::post;
use clampward_domain::ids::PersonId;
use clampward_domain::words::Role;
use clampward_store::people::{AccountBody, AccountKind};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A new person.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewUser {
    /// E-mail address, one person's alone.
    #[schema(max_length = 254, examples("mara.lind@halvorsund.example"))]
    email: String,
    /// Name.
    #[schema(min_length = 1, max_length = 120, examples("Mara Lind"))]
    name: String,
    /// Roles.
    #[schema(min_items = 1)]
    roles: Vec<Role>,
    /// The yards that the roles hold for.
    yards: Yards,
}

/// The account and the token by which its person sets a password.
#[derive(Serialize, ToSchema)]
pub struct NewUserAnswer {
    /// The account.
    #[serde(flatten)]
    user: UserView,
    /// One-time token: hand it to the person; it is shown here only.
    #[schema(examples("cwp_Zt8sKpQe7uVrLdN4xT6kEfA5bGJ3mFqOaXh1C0yB2w9"))]
    set_password_token: String,
    /// Until when the token can be used.
    set_password_until: Timestamp,
}

/// Record a person
///
/// The account has no password: its person sets one with the one-time token, which this answer alone shows.
#[utoipa::path(
    operation_id = "create_user",
    tag = "People",
    request_body = NewUser,
    extensions(("x-permission" = json!(KeepPeople::NAME)), ("x-idempotent" = json!(true)), ("x-problems" = json!(["email-taken"]))),
    responses((status = 201, description = "Recorded.", body = NewUserAnswer, headers(
        ("Location" = String, description = "Where the account is."), ("ETag" = String, description = "Over the bytes sent."))))
)]
#[post("/v1/users")]
pub async fn create(call: Authorized<KeepPeople>, body: Json<NewUser>, once: Idempotent) -> Answer {
    once.run(call, async |call| record(call, body.0).await).await
}

async fn record(call: &Authorized<KeepPeople>, new: NewUser) -> Answer {
    let NewUser {
        email,
        name,
        mut roles,
        yards,
    } = new;
    call.everywhere()?;
    roles.sort_unstable();
    roles.dedup();
    let body = AccountBody {
        kind: AccountKind::Person,
        email: email.trim().to_lowercase(),
        name,
        roles,
        yards: yards.0,
        enabled: true,
    };
    check(call.store(), &body).await?;
    let person = PersonId::new(call.new_id()?);
    let account = call
        .store()
        .create_account(call.new_id()?, call.person(), person, &body)
        .await?;
    let (set_password_token, set_password_until) =
        hand_out_token(call.store(), person, call.limits().set_password_hours).await?;
    let answer = NewUserAnswer {
        user: account.into(),
        set_password_token,
        set_password_until,
    };
    created(&format!("/v1/users/{person}"), &answer)
}
