//! Brings a database to the present schema, and lets the service sign in. Run by the owner, never by the service.

use crate::StoreError;
use sqlx::{AssertSqlSafe, Connection, PgConnection};

pub(crate) static MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations");

/// Applies every migration that is missing and, with a password, lets `clampward_service` sign in by it.
///
/// `owner_url` names a role that owns the database and may create roles.
pub async fn migrate(owner_url: &str, service_password: Option<&str>) -> Result<(), StoreError> {
    let mut connection = PgConnection::connect(owner_url).await?;
    MIGRATIONS.run(&mut connection).await?;
    if let Some(password) = service_password {
        let statement: String =
            sqlx::query_scalar("-- migrate.service_password\nselect format('alter role clampward_service login password %L', $1::text)")
                .bind(password)
                .fetch_one(&mut connection)
                .await?;
        // Quoted by the database itself in the line above: a role's password takes no parameter.
        sqlx::raw_sql(AssertSqlSafe(statement))
            .execute(&mut connection)
            .await?;
    }
    connection.close().await?;
    Ok(())
}
