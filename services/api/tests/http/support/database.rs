//! Behind the service's back: its database, for holding a row and for verifying everything at the end.

use super::TestApp;
use clampward_store::{Store, StoreOptions};
use sqlx::{Connection, PgConnection};

/// Most looks at who waits.
const MAX_LOOKS: usize = 20_000;

/// A clamp's row that nobody can lock meanwhile.
pub struct Held(PgConnection);

impl Held {
    pub async fn let_go(mut self) {
        sqlx::raw_sql("commit")
            .execute(&mut self.0)
            .await
            .expect("a commit");
    }
}

impl TestApp {
    async fn owner(&self) -> PgConnection {
        PgConnection::connect(&self.database.owner_url)
            .await
            .expect("the owner")
    }
    /// Has everything told that the ledger gives reason to, as the worker does.
    pub async fn tell(&self) {
        let store = self.store().await;
        while store
            .notices_of_entries()
            .await
            .expect("notices")
            .is_some_and(|read| read.has_more)
        {}
        store.close().await;
    }
    /// Has everything held that open bulletins are about, as the worker does.
    pub async fn hold(&self) {
        let store = self.store().await;
        while store.catch_for_bulletins().await.expect("caught").has_more {}
        while store.hold_for_bulletins().await.expect("held").has_more {}
        store.close().await;
    }
    /// Has every endpoint told of what there is to tell, as the worker does where all of it is taken.
    pub async fn deliver(&self) {
        let store = self.store().await;
        while store.read_on_for_webhooks().await.expect("read") {}
        let token = uuid::Uuid::from_u128(1);
        let lease = jiff::SignedDuration::from_mins(1);
        while let Some(delivery) = store.claim_delivery(token, lease).await.expect("a delivery") {
            assert!(store.delivered(&delivery, token, 204).await.expect("noted"));
        }
        store.close().await;
    }
    /// A notice to somebody about a clamp of a yard, as the worker raises it.
    pub async fn notice(&self, recipient: &str, clamp: &str, yard: &str) -> String {
        let mut owner = self.owner().await;
        let id: uuid::Uuid = sqlx::query_scalar(
            "insert into notice (id, kind, subject, recipient, level, form, clamp_id, yard_id, yards, about, since, raised_at,
                                 leaves_at, over_if_settled)
             values (gen_random_uuid(), 'tagged_out', gen_random_uuid(), $1, 0, 'at_once', $2, $3, array[$3], '{}', now(),
                     now(), now(), false) returning id",
        )
        .bind(recipient.parse::<uuid::Uuid>().expect("a person's id"))
        .bind(clamp.parse::<uuid::Uuid>().expect("a clamp's id"))
        .bind(yard.parse::<uuid::Uuid>().expect("a yard's id"))
        .fetch_one(&mut owner)
        .await
        .expect("a notice");
        id.to_string()
    }
    /// Holds a clamp's row, so that whoever records about it waits.
    pub async fn hold_clamp(&self, clamp: &str) -> Held {
        let mut owner = self.owner().await;
        sqlx::raw_sql("begin")
            .execute(&mut owner)
            .await
            .expect("a transaction");
        let clamp: uuid::Uuid = clamp.parse().expect("a clamp's id");
        let held = sqlx::query("select from clamp where id = $1 for no key update")
            .bind(clamp)
            .execute(&mut owner)
            .await
            .expect("a lock");
        assert_eq!(held.rows_affected(), 1);
        Held(owner)
    }
    /// Changes something behind the service's back.
    pub async fn as_owner(&self, statement: &'static str) {
        let mut owner = self.owner().await;
        sqlx::raw_sql(statement).execute(&mut owner).await.expect("done");
    }
    /// Holds a table, so that whoever reads it waits.
    pub async fn hold_table(&self, table: &'static str) -> Held {
        let mut owner = self.owner().await;
        let lock = format!("begin; lock table {table} in access exclusive mode");
        sqlx::raw_sql(sqlx::AssertSqlSafe(lock))
            .execute(&mut owner)
            .await
            .expect("a lock");
        Held(owner)
    }
    /// Holds a table against whoever writes to it; it can be read.
    pub async fn hold_writes(&self, table: &'static str) -> Held {
        let mut owner = self.owner().await;
        let lock = format!("begin; lock table {table} in share mode");
        sqlx::raw_sql(sqlx::AssertSqlSafe(lock))
            .execute(&mut owner)
            .await
            .expect("a lock");
        Held(owner)
    }
    /// Until one of the service's transactions waits for a lock.
    pub async fn until_somebody_waits(&self) {
        self.until_waiting(1).await;
    }
    /// Until so many wait for a lock.
    pub async fn until_waiting(&self, wanted: i64) {
        let mut owner = self.owner().await;
        for _ in 0..MAX_LOOKS {
            let waiting: i64 = sqlx::query_scalar(
                "select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'",
            )
            .fetch_one(&mut owner)
            .await
            .expect("a count");
            if waiting >= wanted {
                return;
            }
        }
        panic!("nobody waits");
    }
    /// Until no look at a photo is noted that has not come to its end.
    pub async fn until_no_photo_is_looked_at(&self) {
        let mut owner = self.owner().await;
        // A look at a photo takes seconds where others want the processor, too.
        for _ in 0..20 * MAX_LOOKS {
            let looks: i64 = sqlx::query_scalar("select coalesce(sum(looks), 0)::bigint from photo_upload")
                .fetch_one(&mut owner)
                .await
                .expect("a sum");
            if looks == 0 {
                return;
            }
        }
        panic!("a look that came to no end is noted");
    }
    /// Accounts and addresses that somebody tried to sign in to without success.
    pub async fn tried_accounts(&self) -> i64 {
        sqlx::query_scalar("select count(*) from sign_in_throttle")
            .fetch_one(&mut self.owner().await)
            .await
            .expect("a count")
    }
    /// Attempts to sign in without success that are remembered, of all accounts.
    pub async fn attempts_without_success(&self) -> i64 {
        sqlx::query_scalar("select coalesce(sum(attempts), 0)::bigint from sign_in_throttle")
            .fetch_one(&mut self.owner().await)
            .await
            .expect("a sum")
    }
    /// A session of a person under the person's own id, for tokens that a test signs itself.
    pub async fn open_session(&self, person: &str) {
        let person: uuid::Uuid = person.parse().expect("a person's id");
        let opened = sqlx::query(
            "insert into session_family (id, person_id, started_at, expires_at) values ($1, $1, '2000-01-01', '2100-01-01')",
        )
        .bind(person)
        .execute(&mut self.owner().await)
        .await
        .expect("a session");
        assert_eq!(opened.rows_affected(), 1);
    }
    /// More clamps like one that is fit and never was locked out: copies of what is stored of it, under ids of their own.
    pub async fn copies_of(&self, clamp: &str, count: i32) {
        let mut owner = self.owner().await;
        let clamp: uuid::Uuid = clamp.parse().expect("a clamp's id");
        let copied = sqlx::query(
            "with copies as (
               insert into clamp
               select (jsonb_populate_record(c, jsonb_build_object('id', gen_random_uuid()))).*
                 from clamp as c cross join generate_series(1, $2) where c.id = $1
               returning id)
             insert into stream_head (stream, seq, position) select id, 1, 1 from copies",
        )
        .bind(clamp)
        .bind(count)
        .execute(&mut owner)
        .await
        .expect("copies");
        assert_eq!(copied.rows_affected(), u64::from(count.unsigned_abs()));
    }
    /// Holds the ledger's head, so that whoever appends waits.
    pub async fn hold_ledger(&self) -> Held {
        let mut owner = self.owner().await;
        sqlx::raw_sql("begin; select from ledger_head for update")
            .execute(&mut owner)
            .await
            .expect("a lock");
        Held(owner)
    }
    /// Everything that is kept of first answers, as the database has it.
    pub async fn kept_answers(&self) -> Vec<Vec<u8>> {
        let mut owner = self.owner().await;
        sqlx::query_scalar("select id || fingerprint || sealed from kept_answer")
            .fetch_all(&mut owner)
            .await
            .expect("rows")
    }
    /// The store, as the service has it.
    pub async fn store(&self) -> Store {
        Store::connect(StoreOptions {
            url: self.database.service_url.clone(),
            max_connections: 2,
            clock: self.clock.clone(),
        })
        .await
        .expect("the store")
    }
    /// How much is stored: the ledger's position and the number of lift checks.
    pub async fn stored(&self) -> (i64, i64) {
        let mut owner = self.owner().await;
        sqlx::query_as("select position, (select count(*) from lift_check) from ledger_head")
            .fetch_one(&mut owner)
            .await
            .expect("a count")
    }
    /// Works off every clamp that waits to be reassessed, as the service does in the background.
    pub async fn reassess(&self) {
        let store = Store::connect(StoreOptions {
            url: self.database.service_url.clone(),
            max_connections: 2,
            clock: self.clock.clone(),
        })
        .await
        .expect("the store");
        while store.reassess_pending(50).await.expect("reassessed") > 0 {}
    }
    /// Chains, seals, positions and projections are whole.
    pub async fn verify(&self) {
        let store = Store::connect(StoreOptions {
            url: self.database.service_url.clone(),
            max_connections: 2,
            clock: self.clock.clone(),
        })
        .await
        .expect("the store");
        let report = store.verify().await.expect("a report");
        assert_eq!(report.violations, vec![]);
    }
}
