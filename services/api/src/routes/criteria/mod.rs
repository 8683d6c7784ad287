//! The rejection criteria: what an inspector is asked.

pub mod list;
