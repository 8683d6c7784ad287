//! Reports for the safety team and the ERP.

pub mod out_of_service;
mod view;
