//! What every process of the house does alike: the clock that it reads, the secrets that it is told, the environment in
//! which a mistyped name must not pass silently, how it is told to stop, how an error is written
//! down, where it may call out to, and what it signs with there.

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::indexing_slicing,
        reason = "a test fails by panicking"
    )
)]

mod causes;
pub mod clock;
pub mod environment;
pub mod secret;
mod stop;
pub mod targets;
pub mod webhook_keys;

pub use causes::chain;
pub use stop::told_to_stop;
