//! The device's database: one SQLite file, durable at each commit.
//!
//! The journal's tables only ever move forward; the mirror's are thrown away and filled anew when their form changes.
//! What is told to a person as kept has been through a commit here.

use crate::failure::{Done, Failure};
use crate::private;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};
use serde::Serialize;
use serde::de::DeserializeOwned;
use std::path::Path;
use std::time::Duration;

/// The form of the journal's tables.
const JOURNAL_VERSION: i64 = 3;
/// The form of the mirror's tables; together with the form of the states in it.
const MIRROR_VERSION: u32 = 3;

const JOURNAL: &str = "
create table if not exists setting (name text primary key, value text not null) strict, without rowid;
create table journal (
    entry_id text primary key,
    device_number integer not null,
    device_seq integer not null,
    clamp_id text,
    mark_key text,
    kind text not null,
    restricts integer not null,
    format integer not null,
    raw text not null,
    state text not null check (state in ('unsent', 'recorded', 'held', 'refused')),
    again integer not null default 0,
    position integer,
    settled_at text,
    result text,
    unique (device_number, device_seq)
) strict;
create index journal_clamp on journal (clamp_id);
create index journal_mark on journal (mark_key);
create table signer (
    person_id text primary key,
    email text not null,
    name text not null,
    key_id text not null,
    expires_at text not null,
    salt text not null,
    nonce text not null,
    sealed text not null,
    failed integer not null default 0,
    waits_boot text,
    waits_until_ms integer
) strict;
";

/// The second form: which pull an entry's position is older than, and keys that the service may have ended.
const JOURNAL_2: &str = "
alter table journal add column after_pull integer not null default 0;
alter table signer add column in_doubt integer not null default 0;
";

/// The third form: what shows an entry (that the service can no longer lose it, or that its row came), how often it did not
/// get through by itself, and the state of one that a person dismissed, for which the table is made anew.
const JOURNAL_3: &str = "
create table journal_3 (
    entry_id text primary key,
    device_number integer not null,
    device_seq integer not null,
    clamp_id text,
    mark_key text,
    kind text not null,
    restricts integer not null,
    format integer not null,
    raw text not null,
    state text not null check (state in ('unsent', 'recorded', 'held', 'refused', 'dismissed')),
    again integer not null default 0,
    position integer,
    settled_at text,
    result text,
    after_pull integer not null default 0,
    stable integer not null default 0,
    seen integer not null default 0,
    put_off integer not null default 0,
    unique (device_number, device_seq)
) strict;
insert into journal_3 (entry_id, device_number, device_seq, clamp_id, mark_key, kind, restricts, format, raw, state,
                       again, position, settled_at, result, after_pull)
select entry_id, device_number, device_seq, clamp_id, mark_key, kind, restricts, format, raw, state,
       again, position, settled_at, result, after_pull
  from journal;
drop table journal;
alter table journal_3 rename to journal;
create index journal_clamp on journal (clamp_id);
create index journal_mark on journal (mark_key);
";

const MIRROR: &str = "
drop table if exists yard;
drop table if exists clamp;
drop table if exists clamp_yard;
drop table if exists reference;
drop table if exists shadow_yard;
drop table if exists shadow_clamp;
drop table if exists shadow_reference;
create table yard (
    yard_id text primary key, cursor text not null, known_position integer not null, known_at text not null,
    pull integer not null
) strict, without rowid;
create table clamp (
    clamp_id text primary key, generation integer not null, position integer not null,
    reference_version integer not null, pull integer not null,
    mark text, mark_key text, look_alike_key text, retired integer not null, state text not null
) strict;
create index clamp_mark on clamp (mark_key);
create index clamp_look_alike on clamp (look_alike_key);
create table clamp_yard (
    yard_id text not null, clamp_id text not null, primary key (yard_id, clamp_id)
) strict, without rowid;
create index clamp_yard_clamp on clamp_yard (clamp_id);
create table reference (
    kind text not null, id text not null, generation integer not null, changes integer not null,
    changed_at integer not null, value text not null, primary key (kind, id)
) strict, without rowid;
create table shadow_yard (
    yard_id text primary key, generation integer not null, head text not null, after text
) strict, without rowid;
create table shadow_clamp (
    yard_id text not null, clamp_id text not null, position integer not null, reference_version integer not null,
    mark text, mark_key text, look_alike_key text, retired integer not null, state text not null,
    primary key (yard_id, clamp_id)
) strict, without rowid;
create table shadow_reference (
    yard_id text not null, kind text not null, id text not null, changes integer not null,
    changed_at integer not null, value text not null, primary key (yard_id, kind, id)
) strict, without rowid;
";

/// The open database.
pub struct Database {
    connection: Connection,
}

impl Database {
    /// Opens the file, or makes it: for its owner only, as is everything that SQLite puts beside it.
    pub fn open(path: &Path) -> Done<Self> {
        private::database(path)?;
        let connection = Connection::open(path)?;
        connection.busy_timeout(Duration::from_secs(10))?;
        // Readers go on while a synchronisation writes; a commit has reached the disk before it returns.
        connection.pragma_update(None, "journal_mode", "wal")?;
        connection.pragma_update(None, "synchronous", "full")?;
        connection.pragma_update(None, "foreign_keys", true)?;
        connection.set_prepared_statement_cache_capacity(64);
        let mut database = Self { connection };
        database.bring_up_to_date()?;
        Ok(database)
    }

    fn bring_up_to_date(&mut self) -> Done {
        let version = |connection: &Connection| {
            connection.query_row("select user_version from pragma_user_version", [], |row| {
                row.get::<_, i64>(0)
            })
        };
        let form = (MIRROR_VERSION, clampward_wire::sync::pull::STATE_FORMAT);
        let known = version(&self.connection)?;
        if known > JOURNAL_VERSION {
            return Err(Failure::Newer(known));
        }
        if known == JOURNAL_VERSION && self.setting::<(u32, u32)>("mirror_form")? == Some(form) {
            return Ok(());
        }
        self.write(|transaction| {
            let known = version(transaction)?;
            if known < 1 {
                transaction.execute_batch(JOURNAL)?;
            }
            if known < 2 {
                transaction.execute_batch(JOURNAL_2)?;
            }
            if known < 3 {
                transaction.execute_batch(JOURNAL_3)?;
            }
            transaction.pragma_update(None, "user_version", JOURNAL_VERSION)?;
            if setting::<(u32, u32)>(transaction, "mirror_form")? != Some(form) {
                transaction.execute_batch(MIRROR)?;
                set(transaction, "mirror_form", &form)?;
            }
            Ok(())
        })
    }

    /// Reads.
    pub fn connection(&self) -> &Connection {
        &self.connection
    }

    /// One transaction: all of it, or nothing. It has reached the disk when this returns.
    pub fn write<T>(&mut self, work: impl FnOnce(&Connection) -> Done<T>) -> Done<T> {
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)?;
        let done = work(&transaction)?;
        transaction.commit()?;
        Ok(done)
    }

    /// A setting.
    pub fn setting<T: DeserializeOwned>(&self, name: &str) -> Done<Option<T>> {
        setting(&self.connection, name)
    }
}

/// A setting; nothing in a database without settings.
pub fn setting<T: DeserializeOwned>(connection: &Connection, name: &str) -> Done<Option<T>> {
    let text: Option<String> = connection
        .prepare_cached("select value from setting where name = ?1")?
        .query_row(params![name], |row| row.get(0))
        .optional()?;
    text.map(|text| serde_json::from_str(&text).map_err(|error| Failure::unreadable(name, error)))
        .transpose()
}

/// Sets a setting.
pub fn set(connection: &Connection, name: &str, value: &impl Serialize) -> Done {
    connection
        .prepare_cached(
            "insert into setting (name, value) values (?1, ?2)
             on conflict (name) do update set value = excluded.value",
        )?
        .execute(params![name, serde_json::to_string(value)?])?;
    Ok(())
}
