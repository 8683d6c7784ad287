//! Every test has a database to itself.

use super::*;

async fn scalar(url: &str, statement: &'static str) -> Result<i64, sqlx::Error> {
    let mut connection = PgConnection::connect(url).await?;
    sqlx::query_scalar(statement).fetch_one(&mut connection).await
}

#[tokio::test]
async fn two_databases_at_once_see_nothing_of_each_other() {
    let (one, other) = tokio::join!(TestDatabase::new(), TestDatabase::new());
    let mut connection = PgConnection::connect(&one.owner_url).await.unwrap();
    sqlx::raw_sql("create table only_here (n int)")
        .execute(&mut connection)
        .await
        .unwrap();
    let count = "select count(*) from pg_class where relname = 'only_here'";
    assert_eq!(scalar(&one.owner_url, count).await.unwrap(), 1);
    assert_eq!(scalar(&other.owner_url, count).await.unwrap(), 0);
}

#[tokio::test]
async fn the_service_logs_in_and_owns_nothing() {
    let database = TestDatabase::new().await;
    let owned = "select count(*) from pg_class where relowner = current_user::regrole";
    assert_eq!(scalar(&database.service_url, owned).await.unwrap(), 0);
    let power = "select count(*) from pg_roles where rolname = current_user and (rolsuper or rolbypassrls)";
    assert_eq!(scalar(&database.service_url, power).await.unwrap(), 0);
}

#[tokio::test]
async fn a_database_is_gone_after_its_test_even_with_connections_open() {
    let database = TestDatabase::new().await;
    let (name, admin) = (database.name.clone(), database.admin.clone());
    let open = PgConnection::connect(&database.owner_url).await.unwrap();
    drop(database);
    let mut connection = PgConnection::connect_with(&admin).await.unwrap();
    assert!(!exists(&mut connection, &name).await.unwrap());
    drop(open);
}

#[tokio::test]
async fn an_empty_database_holds_no_table() {
    let database = TestDatabase::empty().await;
    let tables = "select count(*) from pg_tables where schemaname = 'public'";
    assert_eq!(scalar(&database.owner_url, tables).await.unwrap(), 0);
}

#[tokio::test]
async fn a_missing_database_is_created_once_and_odd_names_are_refused() {
    let name = format!(
        "clampward_test_{:016x}",
        RandomState::new().build_hasher().finish()
    );
    let url = server().url();
    assert!(ensure_database(url, &name).await.unwrap());
    assert!(!ensure_database(url, &name).await.unwrap());
    for odd in ["", "a;b", "Ä", "a b"] {
        assert!(ensure_database(url, odd).await.is_err(), "{odd}");
    }
    let mut connection = PgConnection::connect(url).await.unwrap();
    sqlx::raw_sql(AssertSqlSafe(format!("drop database {name}")))
        .execute(&mut connection)
        .await
        .unwrap();
}

#[test]
fn the_template_is_named_after_the_content_of_the_migrations() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("0001_a.sql");
    std::fs::write(&file, "select 1").unwrap();
    let before = template_name(folder.path()).unwrap();
    assert_eq!(template_name(folder.path()).unwrap(), before);
    std::fs::write(&file, "select 2").unwrap();
    let changed = template_name(folder.path()).unwrap();
    std::fs::rename(&file, folder.path().join("0002_a.sql")).unwrap();
    let renamed = template_name(folder.path()).unwrap();
    assert!(before != changed && changed != renamed && before != renamed);
}

#[test]
fn a_url_for_another_role_keeps_the_server_and_hides_no_odd_password() {
    let url = url_as("postgres://a:b@127.0.0.1:5999/one", "other", "p@:/ß", Some("two")).unwrap();
    let options: PgConnectOptions = url.parse().unwrap();
    assert_eq!((options.get_host(), options.get_port()), ("127.0.0.1", 5999));
    assert_eq!(
        (options.get_username(), options.get_database()),
        ("other", Some("two"))
    );
    assert!(url.contains("p%40%3A%2F%C3%9F"), "{url}");
}
