//! Competences: what a person's word counts for, dated, recorded and withdrawn by somebody else.

pub mod create;
pub mod list;
pub mod revoke;
pub mod view;
