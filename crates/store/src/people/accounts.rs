//! Accounts: a person with roles and yards, in versions. A change appends a ledger row and acts at once.

use super::PeopleError;
use super::sessions::{Ending, end_families};
use crate::reference::{ReferenceRow, record, word, words};
use crate::{Store, StoreError, Tx};
use clampward_domain::ids::{PersonId, YardId};
use clampward_domain::reference::YardScope;
use clampward_domain::words::Role;
use jiff::Timestamp;
use jiff_sqlx::{Timestamp as SqlTimestamp, ToSqlx};
use serde::Serialize;
use sqlx::{FromRow, PgConnection};
use std::str::FromStr;
use uuid::Uuid;

/// Whose an account is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum AccountKind {
    /// A person's, who signs in by password.
    #[default]
    Person,
    /// A program's, which signs in by a secret. It has no competence and no password.
    Service,
    /// A device's, which signs in by its key. It has no competence and no password, and writes nothing in its own name.
    Device,
}

impl AccountKind {
    /// The word of the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::Person => "person",
            Self::Service => "service",
            Self::Device => "device",
        }
    }
    fn is_person(&self) -> bool {
        *self == Self::Person
    }
}

impl FromStr for AccountKind {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "person" => Ok(Self::Person),
            "service" => Ok(Self::Service),
            "device" => Ok(Self::Device),
            other => Err(format!("{other} is no kind of account")),
        }
    }
}

/// What an account says, in one version.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct AccountBody {
    /// Whose it is; never changes.
    #[serde(skip_serializing_if = "AccountKind::is_person")]
    pub kind: AccountKind,
    /// E-mail address, lower case.
    pub email: String,
    /// Name.
    pub name: String,
    /// Roles.
    pub roles: Vec<Role>,
    /// The yards that the roles hold for.
    pub yards: YardScope,
    /// Whether the person may sign in.
    pub enabled: bool,
}

/// An account as it is now.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Account {
    /// The person.
    pub id: PersonId,
    /// Version, from 1; also the version of their grants.
    pub version: u64,
    /// What it says.
    pub body: AccountBody,
    /// When this version was recorded.
    pub recorded_at: Timestamp,
}

/// What a request needs to know of its caller.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Access {
    /// Whether the person may sign in.
    pub enabled: bool,
    /// Version of the grants.
    pub grants_version: u64,
    /// Roles.
    pub roles: Vec<Role>,
    /// Yards.
    pub yards: YardScope,
    /// Whether the session goes on. A token is never valid beyond its session's end by the clock, so that here only
    /// counts whether somebody ended it.
    pub session_goes_on: bool,
}

#[derive(FromRow)]
struct AccessRow {
    enabled: bool,
    version: i32,
    roles: Vec<String>,
    all_yards: bool,
    yards: Vec<Uuid>,
    session_goes_on: bool,
}

#[derive(FromRow)]
pub(super) struct AccountRow {
    person_id: Uuid,
    version: i32,
    email: String,
    name: String,
    enabled: bool,
    roles: Vec<String>,
    all_yards: bool,
    yards: Vec<Uuid>,
    recorded_at: SqlTimestamp,
    kind: String,
}

impl AccountRow {
    pub(super) fn read(self) -> Result<Account, StoreError> {
        Ok(Account {
            id: PersonId::new(self.person_id),
            version: u64::from(self.version.unsigned_abs()),
            body: AccountBody {
                kind: word("person", "kind", self.person_id, &self.kind)?,
                roles: words("person_version", "roles", self.person_id, &self.roles)?,
                yards: scope(self.all_yards, self.yards),
                email: self.email,
                name: self.name,
                enabled: self.enabled,
            },
            recorded_at: self.recorded_at.to_jiff(),
        })
    }
}

pub(crate) fn scope(all: bool, yards: Vec<Uuid>) -> YardScope {
    if all {
        YardScope::All
    } else {
        YardScope::Some(yards.into_iter().map(YardId::new).collect())
    }
}

/// What [`AccountRow`] reads of `person p` and `person_version v`.
pub(super) const ACCOUNT_COLUMNS: &str = "v.person_id, v.version, v.email, v.name, v.enabled, v.roles, v.all_yards, v.yards, v.recorded_at, p.kind";
const ACCOUNT: &str = "from person p join person_version v on v.person_id = p.id and v.version = p.version";

impl Store {
    /// Roles and yards of a person at this moment, and whether one of their sessions goes on.
    pub async fn access_of(&self, person: PersonId, session: Uuid) -> Result<Option<Access>, StoreError> {
        let row: Option<AccessRow> = sqlx::query_as(
            "-- people.access
             select v.enabled, v.version, v.roles, v.all_yards, v.yards,
                    (f.id is not null and f.ended_at is null) as session_goes_on
               from person p
               join person_version v on v.person_id = p.id and v.version = p.version
               left join session_family f on f.id = $2 and f.person_id = p.id
              where p.id = $1",
        )
        .bind(person.uuid())
        .bind(session)
        .fetch_optional(&self.inner.reader)
        .await?;
        row.map(|row| {
            Ok(Access {
                enabled: row.enabled,
                grants_version: u64::from(row.version.unsigned_abs()),
                roles: words("person_version", "roles", person.uuid(), &row.roles)?,
                yards: scope(row.all_yards, row.yards),
                session_goes_on: row.session_goes_on,
            })
        })
        .transpose()
    }
    /// An account as it is now.
    pub async fn account(&self, person: PersonId) -> Result<Option<Account>, StoreError> {
        let mut connection = self.inner.reader.acquire().await?;
        current(&mut connection, person).await
    }
    /// An account of a kind as it is now.
    pub async fn account_of(&self, kind: AccountKind, id: PersonId) -> Result<Option<Account>, StoreError> {
        let account = self.account(id).await?;
        Ok(account.filter(|account| account.body.kind == kind))
    }
    /// Accounts of a kind in the order of their ids, after `after`.
    pub async fn accounts(
        &self,
        kind: AccountKind,
        after: Option<PersonId>,
        limit: u32,
    ) -> Result<Vec<Account>, StoreError> {
        let sql = sqlx::AssertSqlSafe(format!(
            "-- people.accounts\nselect {ACCOUNT_COLUMNS} {ACCOUNT} where p.kind = $3 and ($1::uuid is null or p.id > $1) order by p.id limit $2"
        ));
        let rows: Vec<AccountRow> = sqlx::query_as(sql)
            .bind(after.map(PersonId::uuid))
            .bind(i64::from(limit))
            .bind(kind.code())
            .fetch_all(&self.inner.reader)
            .await?;
        rows.into_iter().map(AccountRow::read).collect()
    }
    /// Records a new person. `row_id` is the ledger row's; `by` is who does it, or the person themselves for the first
    /// administrator.
    pub async fn create_account(
        &self,
        row_id: Uuid,
        by: PersonId,
        person: PersonId,
        body: &AccountBody,
    ) -> Result<Account, PeopleError> {
        self.run_tx("people.create_account", async |tx| {
            create(self, tx, row_id, by, person, body).await
        })
        .await
    }
    /// Records the first administrator: refused where one is enabled already, unless another one is wanted.
    pub async fn create_administrator(
        &self,
        row_id: Uuid,
        person: PersonId,
        body: &AccountBody,
        password_hash: &str,
        another: bool,
    ) -> Result<Account, PeopleError> {
        self.run_tx("people.create_administrator", async |tx| {
            let exists: bool = sqlx::query_scalar(
                "-- people.administrator_exists
                 select exists (select from person p join person_version v on v.person_id = p.id and v.version = p.version
                                 where v.enabled and 'administrator' = any (v.roles))",
            )
            .fetch_one(&mut **tx)
            .await?;
            if exists && !another {
                return Err(PeopleError::AdministratorExists);
            }
            let account = create(self, tx, row_id, person, person, body).await?;
            super::sign_in::write_password(tx, person, password_hash).await?;
            Ok(account)
        })
        .await
    }
    /// Records a new version of an account, if `expected` is still the current one. Closing it ends its sessions and the
    /// one-time tokens that were handed out.
    pub async fn change_account(
        &self,
        row_id: Uuid,
        by: PersonId,
        person: PersonId,
        expected: u64,
        body: &AccountBody,
    ) -> Result<Account, PeopleError> {
        self.run_tx("people.change_account", async |tx| {
            let before = locked(tx, person).await?.ok_or(PeopleError::NotFound)?;
            if before.version != expected {
                return Err(PeopleError::Stale);
            }
            if !body.enabled {
                end_families(tx, person, Ending::AccountClosed).await?;
                super::sign_in::use_up_tokens(tx, person).await?;
            }
            write(self, tx, row_id, by, person, before.version + 1, body).await
        })
        .await
    }
}

pub(super) async fn create(
    store: &Store,
    tx: &mut Tx,
    row_id: Uuid,
    by: PersonId,
    person: PersonId,
    body: &AccountBody,
) -> Result<Account, PeopleError> {
    sqlx::query(
        "-- people.insert_person\ninsert into person (id, email, version, kind) values ($1, $2, 1, $3)",
    )
    .bind(person.uuid())
    .bind(&body.email)
    .bind(body.kind.code())
    .execute(&mut **tx)
    .await?;
    write(store, tx, row_id, by, person, 1, body).await
}

/// Appends the ledger row and writes the version that it stands for.
pub(super) async fn write(
    store: &Store,
    tx: &mut Tx,
    row_id: Uuid,
    by: PersonId,
    person: PersonId,
    version: u64,
    body: &AccountBody,
) -> Result<Account, PeopleError> {
    let reference = store.reference_in(tx).await?;
    let number = i32::try_from(version).map_err(|_| PeopleError::Stale)?;
    sqlx::query("-- people.update_person\nupdate person set email = $2, version = $3 where id = $1")
        .bind(person.uuid())
        .bind(&body.email)
        .bind(number)
        .execute(&mut **tx)
        .await?;
    let row = ReferenceRow {
        id: row_id,
        subject: person.uuid(),
        kind: "person",
        by,
        version: Some(version),
        body,
    };
    let place = record(tx, &row, Vec::new(), reference.version).await?;
    let roles: Vec<&str> = body.roles.iter().map(|role| role.code()).collect();
    let yards: Vec<Uuid> = match &body.yards {
        YardScope::All => Vec::new(),
        YardScope::Some(yards) => yards.iter().map(|yard| yard.uuid()).collect(),
    };
    sqlx::query(
        "-- people.insert_version
         insert into person_version (person_id, version, email, name, enabled, roles, all_yards, yards, position, recorded_at, recorded_by)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)",
    )
    .bind(person.uuid())
    .bind(number)
    .bind(&body.email)
    .bind(&body.name)
    .bind(body.enabled)
    .bind(&roles)
    .bind(matches!(body.yards, YardScope::All))
    .bind(&yards)
    .bind(place.position.cast_signed())
    .bind(place.recorded_at.to_sqlx())
    .bind(by.uuid())
    .execute(&mut **tx)
    .await?;
    if version > 1 {
        crate::reference::queue_entries_of(tx, person, place.position).await?;
    }
    Ok(Account {
        id: person,
        version,
        body: body.clone(),
        recorded_at: place.recorded_at,
    })
}

async fn current(connection: &mut PgConnection, person: PersonId) -> Result<Option<Account>, StoreError> {
    let sql = sqlx::AssertSqlSafe(format!(
        "-- people.account\nselect {ACCOUNT_COLUMNS} {ACCOUNT} where p.id = $1"
    ));
    let row: Option<AccountRow> = sqlx::query_as(sql)
        .bind(person.uuid())
        .fetch_optional(connection)
        .await?;
    row.map(AccountRow::read).transpose()
}

pub(super) async fn locked(tx: &mut Tx, person: PersonId) -> Result<Option<Account>, StoreError> {
    sqlx::query("-- people.lock\nselect 1 from person where id = $1 for no key update")
        .bind(person.uuid())
        .execute(&mut **tx)
        .await?;
    current(tx, person).await
}
