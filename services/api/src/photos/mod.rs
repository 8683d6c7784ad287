//! Photos: where their bytes lie, what a photo has to be, and how an upload becomes one.
//!
//! The order in which things happen is what survives a stop at any point: a piece is stored before it counts; the whole is
//! looked at and stored before it is marked; what is not needed any more is taken away last. Whatever was left undone is
//! done by [`sweep`]. Nothing that somebody sent is decoded on an async thread, and only so much at once.

mod check;
mod finish;
mod format;
mod place;
pub mod sweep;

pub use check::Refused;
pub use finish::{Finished, PhotoError};
pub use format::Format;
pub use place::{InvalidPlace, Photos, Place};
