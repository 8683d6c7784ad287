//! A primary and its standby: what is lost with a machine, and what is not.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test fails by panicking")]

use clampward_testkit::postgres::{Pair, STANDBY};
use sqlx::{Connection, PgConnection};

async fn connect(pair: &Pair) -> PgConnection {
    PgConnection::connect(&pair.url("postgres")).await.unwrap()
}

async fn add(pair: &Pair, number: i32) {
    let mut connection = connect(pair).await;
    sqlx::query("insert into kept values ($1)")
        .bind(number)
        .execute(&mut connection)
        .await
        .unwrap();
}

async fn kept(pair: &Pair) -> Vec<i32> {
    let mut connection = connect(pair).await;
    sqlx::query_scalar("select number from kept order by number")
        .fetch_all(&mut connection)
        .await
        .unwrap()
}

/// Until the standby has everything.
async fn until_followed(pair: &Pair) {
    let mut connection = connect(pair).await;
    for _ in 0..10_000 {
        let caught_up: bool = sqlx::query_scalar(
            "select coalesce(bool_or(flush_lsn >= pg_current_wal_flush_lsn()), false) from pg_stat_replication
             where application_name = $1",
        )
        .bind(STANDBY)
        .fetch_one(&mut connection)
        .await
        .unwrap();
        if caught_up {
            return;
        }
        tokio::time::sleep(std::time::Duration::from_millis(2)).await;
    }
    panic!("the standby does not follow");
}

#[tokio::test]
async fn a_killed_server_keeps_everything_and_a_lost_machine_what_its_standby_has() {
    let mut pair = Pair::start().unwrap();
    let mut connection = connect(&pair).await;
    sqlx::raw_sql("create table kept (number int primary key)")
        .execute(&mut connection)
        .await
        .unwrap();
    drop(connection);
    add(&pair, 1).await;
    pair.kill_primary().unwrap();
    pair.start_primary().unwrap();
    assert_eq!(kept(&pair).await, [1]);

    until_followed(&pair).await;
    pair.cut_off().unwrap();
    add(&pair, 2).await;
    pair.fail_over().unwrap();
    assert_eq!(kept(&pair).await, [1]);
    pair.follow().unwrap();

    add(&pair, 3).await;
    until_followed(&pair).await;
    pair.cut_off().unwrap();
    add(&pair, 4).await;
    pair.restore().unwrap();
    assert_eq!(kept(&pair).await, [1, 3]);
    pair.follow().unwrap();
    until_followed(&pair).await;
}
