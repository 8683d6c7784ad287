//! Clamps: their entries, and the questions about them.

pub mod amend;
pub mod classify;
mod columns;
pub mod confirm;
pub mod fitness;
pub mod history;
pub mod inspect;
pub mod issue;
pub mod list;
pub mod proof_test;
pub mod read;
pub mod receive;
pub(crate) mod record;
pub mod register;
pub mod repair;
pub mod retire;
pub mod return_to_service;
pub mod tag_out;
pub mod transfer;
pub mod use_clamp;
mod view;
pub mod wear;

pub(crate) use record::failure;

use utoipa_actix_web::service_config::ServiceConfig;

/// Every operation on clamps.
pub fn register(config: &mut ServiceConfig) {
    config
        .service(register::register)
        .service(list::list)
        .service(read::read)
        .service(history::history)
        .service(fitness::fitness)
        .service(fitness::fitness_by_mark)
        .service(wear::wear)
        .service(inspect::inspect)
        .service(tag_out::tag_out)
        .service(repair::repair)
        .service(proof_test::proof_test)
        .service(return_to_service::return_to_service)
        .service(confirm::confirm_return)
        .service(confirm::confirm_amendment)
        .service(transfer::transfer)
        .service(classify::classify)
        .service(issue::issue)
        .service(receive::receive)
        .service(amend::amend)
        .service(retire::retire)
        .service(use_clamp::use_clamp);
}
