//! The operations: one per file, named after what it does.
//!
//! To add one:
//! 1. Write `routes/<thing>/<verb>.rs` with one handler: `#[utoipa::path(…)]` above `#[get("/v1/…")]`. The doc comment's
//!    first line is the summary, the rest the description; give `operation_id`, `tag`, the success response with a description and an
//!    example, `extensions(("x-permission" = json!(P::NAME)), ("x-problems" = json!(["…"])))` with the codes that are
//!    this operation's own. Problems that follow from its shape (sign-in, body, parameters) are added by themselves.
//! 2. Its first argument is `Authorized<P>` (or `Public`, deliberately); then `Path`, `Query`, `Json`. The permission is
//!    a row of `permission.rs`, a new problem code a row of the table in `clampward_wire::problem`.
//! 3. It answers through `reply`: `ok`, `created`, `resource` (ETag), `changed`. It holds no SQL and no rule.
//! 4. List it in [`register`]; run the tests, which compare the published contract and try every operation as every role.

pub mod auth;
pub mod bulletins;
pub mod clamps;
pub mod competences;
pub mod criteria;
pub mod device_enrolments;
pub mod devices;
pub mod held_entries;
pub mod lift_checks;
pub mod models;
pub mod notices;
pub mod oauth;
pub mod operations;
pub mod photos;
pub mod reports;
pub mod rule_sets;
pub mod service_accounts;
pub mod sync;
pub mod users;
pub mod versions;
pub mod webhook_endpoints;
pub mod yards;

use utoipa_actix_web::service_config::ServiceConfig;

/// Every operation of the contract.
pub fn register(config: &mut ServiceConfig) {
    config
        .service(operations::healthz::healthz)
        .service(operations::readyz::readyz)
        .service(operations::help::help)
        .service(operations::jwks::jwks)
        .service(operations::limits::limits)
        .service(auth::token::token)
        .service(auth::refresh::refresh)
        .service(auth::revoke::revoke)
        .service(auth::set_password::set_password)
        .service(auth::me::me)
        .service(oauth::token::token)
        .service(users::create::create)
        .service(users::list::list)
        .service(users::read::read)
        .service(users::change::change)
        .service(users::renew_token::renew_token)
        .service(service_accounts::create::create)
        .service(service_accounts::list::list)
        .service(service_accounts::read::read)
        .service(service_accounts::change::change)
        .service(service_accounts::create_secret::create_secret)
        .service(service_accounts::list_secrets::list_secrets)
        .service(service_accounts::revoke_secret::revoke_secret)
        .service(device_enrolments::create::create)
        .service(device_enrolments::list::list)
        .service(device_enrolments::withdraw::withdraw)
        .service(devices::enrol::enrol)
        .service(devices::list::list)
        .service(devices::read::read)
        .service(devices::change::change)
        .service(devices::revoke::revoke)
        .service(devices::create_signing_key::create_signing_key)
        .service(devices::list_signing_keys::list_signing_keys)
        .service(devices::withdraw_signing_key::revoke_signing_key)
        .service(competences::create::create)
        .service(competences::list::list)
        .service(competences::revoke::revoke)
        .service(yards::create::create)
        .service(yards::list::list)
        .service(yards::read::read)
        .service(yards::change::change)
        .service(models::create::create)
        .service(models::list::list)
        .service(models::read::read)
        .service(models::change::change)
        .service(rule_sets::list::list)
        .service(criteria::list::list)
        .configure(clamps::register)
        .service(sync::push::push)
        .service(sync::receipts::receipts)
        .service(sync::import::import)
        .service(held_entries::list::list)
        .service(held_entries::read::read)
        .service(held_entries::place::place)
        .service(held_entries::dismiss::dismiss)
        .service(notices::list::list)
        .service(notices::read::read)
        .service(notices::acknowledge::acknowledge)
        .service(bulletins::open::open)
        .service(bulletins::preview::preview)
        .service(bulletins::list::list)
        .service(bulletins::read::read)
        .service(bulletins::progress::progress)
        .service(bulletins::clamps::clamps)
        .service(bulletins::not_found::not_found)
        .service(bulletins::close::close)
        .service(webhook_endpoints::create::create)
        .service(webhook_endpoints::list::list)
        .service(webhook_endpoints::read::read)
        .service(webhook_endpoints::change::change)
        .service(webhook_endpoints::remove::remove)
        .service(webhook_endpoints::create_secret::create_secret)
        .service(webhook_endpoints::status::status)
        .service(webhook_endpoints::test::test)
        .service(webhook_endpoints::redeliver::redeliver)
        .service(webhook_endpoints::deliveries::deliveries)
        .service(photos::list::list)
        .service(photos::offset::offset)
        .service(photos::upload::send)
        .service(photos::read::read)
        .service(reports::out_of_service::out_of_service)
        .service(reports::inspections_due::inspections_due)
        .service(reports::lockout_ageing::lockout_ageing)
        .service(reports::fleet::fleet)
        .service(reports::rejections::rejections)
        .service(lift_checks::check::lift_check)
        .service(sync::config::config)
        .service(sync::changes::changes)
        .service(sync::snapshot::snapshot)
        .service(sync::digest::digest)
        .service(sync::events::events);
}
