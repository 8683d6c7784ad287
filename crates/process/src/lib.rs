//! What every process of the house does alike: the clock that it reads, the secrets that it is told, and the environment
//! in which a mistyped name must not pass silently.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::indexing_slicing,
        reason = "a test fails by panicking"
    )
)]

pub mod clock;
pub mod environment;
pub mod secret;
