//! Lift checks: may I lift this with that?

pub mod check;
