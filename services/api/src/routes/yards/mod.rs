//! Yards: reference data in dated versions.

pub mod change;
pub mod create;
pub mod list;
pub mod read;
pub mod view;
