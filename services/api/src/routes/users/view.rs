//! Accounts on the wire.

use crate::reply::{Cells, Columns};
use clampward_domain::ids::{PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use clampward_store::people::Account;
use jiff::Timestamp;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{ArrayBuilder, ObjectBuilder, OneOfBuilder, Schema, Type};
use utoipa::{PartialSchema, ToSchema};

/// Which yards roles hold for: `"all"`, or a list of ids.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Yards(pub YardScope);

impl Serialize for Yards {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match &self.0 {
            YardScope::All => serializer.serialize_str("all"),
            YardScope::Some(yards) => serializer.collect_seq(yards),
        }
    }
}

impl<'de> Deserialize<'de> for Yards {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        match serde_json::Value::deserialize(deserializer)? {
            serde_json::Value::String(text) if text == "all" => Ok(Self(YardScope::All)),
            serde_json::Value::Array(items) => {
                let mut yards: Vec<YardId> = items
                    .into_iter()
                    .map(|item| {
                        serde_json::from_value(item).map_err(|_| D::Error::custom("ids of yards are UUIDs"))
                    })
                    .collect::<Result<_, _>>()?;
                yards.sort_unstable();
                yards.dedup();
                Ok(Self(YardScope::Some(yards)))
            }
            _ => Err(D::Error::custom("write \"all\" or a list of yard ids")),
        }
    }
}

impl PartialSchema for Yards {
    fn schema() -> RefOr<Schema> {
        let all = ObjectBuilder::new()
            .schema_type(Type::String)
            .enum_values(Some(["all"]))
            .build();
        let some = ArrayBuilder::new()
            .items(YardId::schema())
            .max_items(Some(1000))
            .build();
        OneOfBuilder::new()
            .item(all)
            .item(some)
            .description(Some("`\"all\"`, or a list of yard ids."))
            .into()
    }
}
impl ToSchema for Yards {}

/// An account.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct UserView {
    /// The person.
    pub id: PersonId,
    /// Version, from 1.
    #[schema(minimum = 1)]
    pub version: u64,
    /// E-mail address.
    #[schema(examples("mara.lind@halvorsund.example"))]
    pub email: String,
    /// Name.
    #[schema(examples("Mara Lind"))]
    pub name: String,
    /// Roles.
    pub roles: Vec<Role>,
    /// The yards that the roles hold for.
    pub yards: Yards,
    /// Whether the person may sign in.
    pub enabled: bool,
    /// When this version was recorded.
    pub recorded_at: Timestamp,
}

impl From<Account> for UserView {
    fn from(account: Account) -> Self {
        Self {
            id: account.id,
            version: account.version,
            email: account.body.email,
            name: account.body.name,
            roles: account.body.roles,
            yards: Yards(account.body.yards),
            enabled: account.body.enabled,
            recorded_at: account.recorded_at,
        }
    }
}

impl Columns for UserView {
    const NAMES: &'static [&'static str] = &[
        "id",
        "version",
        "email",
        "name",
        "roles",
        "yards",
        "enabled",
        "recorded_at",
    ];
    fn cells(&self, row: &mut Cells<'_>) {
        row.plain(self.id)
            .plain(self.version)
            .text(&self.email)
            .text(&self.name)
            .words(&self.roles);
        match &self.yards.0 {
            YardScope::All => row.plain("all"),
            YardScope::Some(yards) => row.words(yards),
        };
        row.plain(self.enabled).plain(self.recorded_at);
    }
}
