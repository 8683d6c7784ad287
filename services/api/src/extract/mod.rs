//! Extractors: what a handler gets, parsed and allowed, or a problem.
//!
//! [`Authorized`] comes first in a handler's arguments: bodies and parameters are looked at only after it has let the
//! caller in, so that somebody who may not come in learns nothing about the input. [`LookedUp`] is the same for the
//! hot path, with the clamp. Nobody but [`Authorized`] and [`Public`] hands out the store, so that a handler without a permission does not compile.

mod authorized;
mod gate;
mod json;
mod looked_up;
mod octets;
mod parameters;
mod public;
mod services;

pub use authorized::{Authorized, Caller};
pub(crate) use gate::Gate;
pub(crate) use json::BodyDigest;
pub use json::{Json, PartialJson, RawJson};
pub use looked_up::LookedUp;
pub use octets::Octets;
pub use parameters::{PageParameters, Path, Query, as_of, bound_key, bound_page, day, instant, refused};
pub use public::{NoQuery, Public};
pub use services::Services;
