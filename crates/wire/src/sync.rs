//! What synchronisation carries: pushes and their results, pulls, snapshots, devices and the keys of people on them.
//!
//! The service and the field client share these types, so that both read the same bytes alike. A push reads its
//! entries one by one ([`push::PushEntry`]): a malformed one is answered by its index and never spoils the others.

pub mod device;
pub mod pull;
pub mod push;
