//! The worker: reads the ledger and the calendar on, and tells people, and programs, what they need to know.
//!
//! Any number of workers may run; none leads. Each piece of work is one transaction that somebody else's lock passes by, or
//! a mail or a delivery under a lease, so that a worker may die between any two lines: what was begun is done again by whoever comes next,
//! under the id that it had. What is told to whom the domain decides, how it reads [`letter`].

#![cfg_attr(
    test,
    allow(
        clippy::unwrap_used,
        clippy::indexing_slicing,
        reason = "a test fails by panicking"
    )
)]

pub mod backoff;
pub mod letter;
pub mod post;
pub mod webhook;
pub mod worker;

pub use letter::Letter;
pub use post::{Post, PostError, PostOptions};
pub use webhook::{Caller, CallerOptions};
pub use worker::{Settings, Worker};
