//! What crosses a boundary: requests, responses and problem documents, with their schemas.
//!
//! Bodies of entries are the domain's own types; this crate adds what only the wire knows: strict JSON, strict
//! times, problem documents after RFC 9457, pages of lists. It knows no HTTP framework, no SQL and no clock, so that
//! a device and the service read the same bytes alike.

pub mod clamp;
pub mod entry;
pub mod json;
pub mod page;
pub mod problem;
pub mod report;
pub mod sync;
pub mod time;
