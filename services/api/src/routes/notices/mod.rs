//! Notices: what people were told, and that they see to it.

pub mod acknowledge;
pub mod list;
pub mod read;
mod view;
