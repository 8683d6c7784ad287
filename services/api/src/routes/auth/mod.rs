//! Sign-in: tokens, sessions, passwords, and who one is.

pub mod me;
pub mod refresh;
pub mod revoke;
pub mod set_password;
pub mod token;

use serde::Deserialize;
use utoipa::ToSchema;

/// A refresh token.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RefreshRequest {
    /// The refresh token of the last answer.
    #[schema(examples("cwr_5bGJ3mFqOaXh1C0yB2w9Zt8sKpQe7uVrLdN4xT6kEfA"))]
    pub refresh_token: String,
}
