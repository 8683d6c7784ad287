//! OAuth 2.0 for service accounts: client credentials and nothing else.

pub mod client;
pub mod token;
