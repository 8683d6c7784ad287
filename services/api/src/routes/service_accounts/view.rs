//! Service accounts and their secrets on the wire.

use crate::reply::{Cells, Columns};
use crate::routes::users::view::Yards;
use clampward_domain::ids::PersonId;
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use clampward_store::people::{Account, SecretRecord};
use jiff::Timestamp;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// A service account.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ServiceAccountView {
    /// The account; also its `client_id`, and what it records names it by this id.
    pub id: PersonId,
    /// Version, from 1.
    #[schema(minimum = 1)]
    pub version: u64,
    /// What it is for.
    #[schema(examples("Plant ERP, nightly counts"))]
    pub name: String,
    /// Always `integration`.
    pub roles: Vec<Role>,
    /// The yards that it sees.
    pub yards: Yards,
    /// Whether it may sign in.
    pub enabled: bool,
    /// When this version was recorded.
    pub recorded_at: Timestamp,
}

impl From<Account> for ServiceAccountView {
    fn from(account: Account) -> Self {
        Self {
            id: account.id,
            version: account.version,
            name: account.body.name,
            roles: account.body.roles,
            yards: Yards(account.body.yards),
            enabled: account.body.enabled,
            recorded_at: account.recorded_at,
        }
    }
}

impl Columns for ServiceAccountView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "version",
        "name",
        "roles",
        "yards",
        "enabled",
        "recorded_at",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .plain(self.version)
            .text(&self.name)
            .words(&self.roles);
        match &self.yards.0 {
            YardScope::All => row.plain("all"),
            YardScope::Some(yards) => row.words(yards),
        };
        row.plain(self.enabled).plain(self.recorded_at);
    }
}

/// What is known of a secret: not the secret.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct SecretView {
    /// The secret's id.
    pub id: Uuid,
    /// Its first characters, to tell it from another.
    #[schema(examples("cws_Zt8s"))]
    pub shown: String,
    /// Since when.
    pub created_at: Timestamp,
    /// By whom.
    pub created_by: PersonId,
    /// Valid until.
    pub expires_at: Timestamp,
    /// Withdrawn since; null while it is not.
    #[schema(required = true)]
    pub revoked_at: Option<Timestamp>,
    /// When a token was last got by it; null while it never was.
    #[schema(required = true)]
    pub last_used_at: Option<Timestamp>,
}

impl From<SecretRecord> for SecretView {
    fn from(secret: SecretRecord) -> Self {
        Self {
            id: secret.id,
            shown: secret.shown,
            created_at: secret.created_at,
            created_by: secret.created_by,
            expires_at: secret.expires_at,
            revoked_at: secret.revoked_at,
            last_used_at: secret.last_used_at,
        }
    }
}

/// A secret that was just handed out.
#[derive(Serialize, ToSchema)]
pub struct HandedOutSecret {
    /// The account, as the OAuth client.
    pub client_id: PersonId,
    /// The secret: it is shown here only.
    #[schema(examples("cws_Zt8sKpQe7uVrLdN4xT6kEfA5bGJ3mFqOaXh1C0yB2w9"))]
    pub client_secret: String,
    /// The secret's id, for withdrawing it.
    pub secret_id: Uuid,
    /// Valid until.
    pub secret_expires_at: Timestamp,
}
