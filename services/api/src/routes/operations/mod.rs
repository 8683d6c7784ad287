//! Health, limits, help and keys: what needs no sign-in.

pub mod healthz;
pub mod help;
pub mod jwks;
pub mod limits;
pub mod readyz;
