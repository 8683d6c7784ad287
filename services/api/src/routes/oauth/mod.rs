//! OAuth 2.0 for service accounts and devices: client credentials, proven by a secret or by an assertion, and nothing else.

pub mod client;
pub mod token;
