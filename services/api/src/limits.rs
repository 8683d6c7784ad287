//! Every limit of the service in one table: name, value, unit, and what it bounds. Published at `GET /v1/limits`.
//!
//! A limit stands here and nowhere else: the code that keeps it reads its value from its row, and what an installation
//! may choose ([`Limits`]) starts from the row. Limits that another crate keeps are named by that crate's constant.
//! To add one: a row in [`TABLE`]; if it can be chosen, a field of [`Limits`] and a line in [`Limits::published`].

use crate::config::Limits;
use clampward_store::people;
use serde::Serialize;
use std::time::Duration;
use utoipa::ToSchema;

/// What a limit counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Unit {
    /// Bytes.
    Bytes,
    /// Characters (Unicode scalar values).
    Characters,
    /// Items of a list.
    Items,
    /// Levels of nesting.
    Levels,
    /// Requests.
    Requests,
    /// Passwords that are being checked.
    Passwords,
    /// Seconds.
    Seconds,
    /// Hours.
    Hours,
    /// Pixels.
    Pixels,
    /// Photos.
    Photos,
}

/// One limit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Limit {
    /// Its name, which stays.
    #[schema(examples("body_bytes"))]
    pub name: &'static str,
    /// Its value.
    #[schema(examples(1_048_576), maximum = 9_007_199_254_740_991_u64)]
    pub value: u64,
    /// What is counted.
    pub unit: Unit,
    /// What it bounds, and what happens beyond it.
    #[schema(examples("The body of a request after decompression; beyond it 413."))]
    pub bounds: &'static str,
}

impl Limit {
    /// As a number of things in memory.
    pub fn count(&self) -> usize {
        usize::try_from(self.value).unwrap_or(usize::MAX)
    }
    /// As a number of things in a request.
    pub fn number(&self) -> u32 {
        u32::try_from(self.value).unwrap_or(u32::MAX)
    }
    /// As a time.
    pub fn duration(&self) -> Duration {
        match self.unit {
            Unit::Hours => Duration::from_secs(self.value.saturating_mul(3600)),
            Unit::Bytes
            | Unit::Characters
            | Unit::Items
            | Unit::Levels
            | Unit::Requests
            | Unit::Passwords
            | Unit::Pixels
            | Unit::Photos
            | Unit::Seconds => Duration::from_secs(self.value),
        }
    }
    /// The same with the value that an installation chose.
    #[must_use]
    pub fn chosen(mut self, value: u64) -> Self {
        self.value = value;
        self
    }
}

/// A limit that another crate keeps.
#[expect(clippy::as_conversions, reason = "no narrowing; `From` is not const")]
const fn kept(value: usize) -> u64 {
    value as u64
}

/// A limit on a list that another crate keeps.
#[expect(clippy::as_conversions, reason = "no narrowing; `From` is not const")]
const fn kept_items(value: u32) -> u64 {
    value as u64
}

/// A time that another module or crate keeps.
const fn kept_time(value: i64) -> u64 {
    value.unsigned_abs()
}

macro_rules! limits {
    ($($constant:ident = $name:literal, $value:expr, $unit:ident, $bounds:literal;)+) => {
        $(#[doc = $bounds]
        pub const $constant: Limit =
            Limit { name: $name, value: $value, unit: Unit::$unit, bounds: $bounds };)+

        /// Every limit with its usual value.
        pub const TABLE: &[Limit] = &[$($constant),+];
    };
}

limits! {
    // A request.
    ADDRESS = "address_bytes", 8 << 10, Bytes,
        "The address of a request with its query; beyond it 414.";
    HEADERS = "header_bytes", 16 << 10, Bytes,
        "Names and values of all headers of a request; beyond it 431.";
    BODY = "body_bytes", 1 << 20, Bytes,
        "The body of a request, as sent and after decompression; beyond it 413.";
    PUSH_BYTES = "push_bytes", kept(clampward_wire::sync::push::MAX_BYTES), Bytes,
        "The body of a push, as sent and after decompression; beyond it 413.";
    PUSH_ENTRIES = "push_entries", kept(clampward_wire::sync::push::MAX_ENTRIES), Items,
        "Entries of one push; beyond it 413.";
    PUSH_ENTRY_BYTES = "push_entry_bytes", kept(clampward_wire::sync::push::MAX_ENTRY_BYTES), Bytes,
        "One entry of a push; a larger one is held, with as much of it as this.";
    HELD_ENTRIES = "held_entries", kept_items(clampward_store::sync::held::MAX_HELD), Items,
        "Entries of one device that are held at once and restrict nothing; a further one is answered `retry` and waits on the device. What may restrict is held however many there are.";
    JSON_DEPTH = "json_depth", kept(clampward_wire::json::MAX_DEPTH), Levels,
        "Nesting of a JSON body; beyond it 400.";
    JSON_FAULTS = "json_faults", kept(clampward_wire::json::MAX_FAULTS), Items,
        "Faults of a body that are named at once; when they are put right, more may be named.";
    REQUEST_ID = "request_id_bytes", 64, Bytes,
        "A client's own X-Request-Id; a longer one is not logged.";
    PAGE = "page_items", kept_items(clampward_wire::page::MAX_LIMIT), Items,
        "Items of one page of a list; a larger `limit` is refused with 400.";
    PAGE_USUAL = "page_items_usual", kept_items(clampward_wire::page::DEFAULT_LIMIT), Items,
        "Items of a page if `limit` is left out.";
    REPORT_GROUPS = "report_groups", kept(clampward_store::reports::MAX_GROUPS), Items,
        "Groups of one report; one with more is refused with 400: group by less.";
    COMPRESSED = "compressed_from_bytes", 1 << 10, Bytes,
        "Smaller answers are sent as they are, whatever Accept-Encoding says.";

    // Time.
    REQUEST_HEAD = "request_head_seconds", 5, Seconds,
        "How long a client may take to send the head of a request; beyond it 408.";
    REQUEST = "request_seconds", 10, Seconds,
        "How long a request may take until its answer begins, the sending of its body included; beyond it 503.";
    KEEP_ALIVE = "keep_alive_seconds", 75, Seconds,
        "How long an idle connection is kept.";
    DISCONNECT = "disconnect_seconds", 1, Seconds,
        "How long a connection that is being closed may take.";
    DRAIN = "drain_seconds", 5, Seconds,
        "Told to stop: how long `/readyz` says so before new connections are refused.";
    SHUTDOWN = "shutdown_seconds", 20, Seconds,
        "Told to stop: how long requests under way may still take after new connections are refused.";
    STREAM_READER = "stream_reader_seconds", 30, Seconds,
        "How long a list as CSV or JSON lines waits for its reader to take what is ready; beyond it, it breaks off.";
    READINESS = "readiness_seconds", 2, Seconds,
        "How old an answer of `/readyz` about the database may be.";

    KEPT_ANSWER = "idempotency_key_hours", clampward_store::once::KEPT_HOURS.unsigned_abs(), Hours,
        "How long the first answer under an Idempotency-Key is kept; after that, the same key does it again.";

    // Requests under way in one process, by class.
    EXPORTS = "exports_at_once", 4, Requests,
        "Exports under way; beyond it 503 `overloaded`.";
    LISTS = "lists_at_once", 48, Requests,
        "Lists and reports under way; beyond it 503 `overloaded`.";
    WRITES = "writes_at_once", 96, Requests,
        "Writes and single resources under way; beyond it 503 `overloaded`.";
    SIGN_INS = "sign_ins_at_once", 96, Requests,
        "Sign-ins and what else needs none, under way; they take no other room; beyond it 503 `overloaded`.";
    FITNESS = "fitness_at_once", 512, Requests,
        "Fitness questions, lift checks and tag-outs under way; nothing else takes this room; beyond it 503 `overloaded`.";
    EXPORTS_TOGETHER = "exports_while_fewer", 32, Requests,
        "An export begins only while fewer exports, lists and writes together are under way.";
    LISTS_TOGETHER = "lists_while_fewer", 64, Requests,
        "A list or report begins only while fewer exports, lists and writes together are under way.";
    WRITES_TOGETHER = "writes_while_fewer", 128, Requests,
        "A write begins only while fewer exports, lists and writes together are under way.";

    STREAM_PLACE = "stream_place_seconds", 600, Seconds,
        "How long an answer that is streamed counts as under way; a client may go on reading beyond it.";

    // Synchronisation.
    PULL_CURSORS = "pull_cursors", 50, Items,
        "Cursors of one pull; beyond it 400.";
    PULL_ROWS = "pull_rows", kept_items(clampward_store::feed::MAX_ROWS), Items,
        "Rows of one page of changes or events, all cursors together; a larger `limit` is refused with 400.";
    PULL_ROWS_USUAL = "pull_rows_usual", 200, Items,
        "Rows of such a page if `limit` is left out.";
    PULL_BYTES = "pull_bytes", kept_items(clampward_store::feed::MAX_PAGE_BYTES), Bytes,
        "Entries of such a page together; a page with one entry may be larger.";
    PULL_WAIT = "pull_wait_seconds", 25, Seconds,
        "How long a pull may wait for something to happen; a larger `wait` is refused with 400.";
    PULLS_WAITING = "pulls_waiting", 4096, Requests,
        "Pulls of one process that wait; beyond it they are answered at once.";
    CURSOR = "cursor_hours", kept_time(clampward_store::feed::RETENTION_DAYS * 24), Hours,
        "How long a cursor is good that was not moved although something happened; after that 410.";

    // Requests of one person or service account.
    QUOTA = "quota_requests", 1000, Requests,
        "Requests that one person or service account may send at once, and within `quota_seconds`; beyond it 429.";
    QUOTA_WINDOW = "quota_seconds", 10, Seconds,
        "Within this time a used-up quota is whole again, little by little.";

    // Photos.
    PHOTO_BYTES = "photo_bytes", 20 << 20, Bytes,
        "A photo; a longer one is refused with 413 before any of it is taken.";
    PHOTO_PIECE = "photo_piece_bytes", 1 << 20, Bytes,
        "A piece of a photo; a longer one is refused with 413.";
    PHOTO_PIXELS = "photo_pixels", 50_000_000, Pixels,
        "Width times height of a photo; with more 422.";
    PHOTO_DECODED = "photo_decoded_bytes", 150_000_000, Bytes,
        "A photo as it is decoded: its pixels times the bytes of one; with more 422.";
    PHOTO_VIEW = "photo_view_edge_pixels", 2560, Pixels,
        "The longer edge of the copy for viewing; a larger photo is made smaller.";
    PHOTO_CHECKS = "photo_checks_at_once", 1, Photos,
        "Photos that one process looks at and decodes at once; beyond it they wait, then 503, and are looked at later.";
    PHOTO_UPLOADS = "photo_uploads_open", clampward_store::photos::MAX_OPEN_UPLOADS.unsigned_abs(), Photos,
        "Unfinished uploads of one account; beyond it 409.";
    PHOTO_UPLOAD_KEPT = "photo_upload_kept_hours", 30 * 24, Hours,
        "How long the pieces of an unfinished upload are kept; after that it starts anew.";

    // Sign-in.
    HASH_SLOTS = "password_checks_at_once", 2, Passwords,
        "Passwords that are checked at once: as many as there are processors, unless chosen otherwise.";
    HASH_QUEUE = "password_checks_waiting", 40, Passwords,
        "Passwords that may wait for their check; whoever has fewer there takes the place of whoever has most; beyond it 429.";
    FAMILIAR = "familiar_sign_ins", 10_000, Items,
        "Accounts with the addresses that they signed in from before, who go first in that queue; beyond it all are forgotten.";
    ACCOUNT_CHECKS = "password_checks_per_account", 4, Passwords,
        "Sign-ins to one account under way, of which one password is checked at a time; beyond it 429.";
    DELAY_LONGEST = "sign_in_delay_seconds", kept_time(people::LONGEST_DELAY_SECONDS), Seconds,
        "The longest wait after attempts to sign in to an account without success; it grows 1, 2, 4 … from the fifth on, and nobody is barred for good; before it is over 429.";
    DELAY_FORGOTTEN = "sign_in_forgotten_hours", kept_time(people::FORGET_HOURS), Hours,
        "An account without an attempt for so long starts anew.";
    ACCESS_TOKEN = "access_token_seconds", kept_time(crate::sign_in::ACCESS_TOKEN_SECONDS), Seconds,
        "How long an access token is valid.";
    SESSION = "session_hours", kept_time(crate::sign_in::SESSION_HOURS), Hours,
        "How long a session lasts, however often it is renewed.";
    REFRESH_GRACE = "refresh_grace_seconds", kept_time(people::REFRESH_GRACE_SECONDS), Seconds,
        "How long a used refresh token may be sent again where the answer was lost.";
    PASSWORD_SHORTEST = "password_characters_least", kept(crate::sign_in::MIN_PASSWORD_CHARS), Characters,
        "Characters that a new password has at least; with fewer 422.";
    PASSWORD_LONGEST = "password_characters_most", kept(crate::sign_in::MAX_PASSWORD_CHARS), Characters,
        "Characters that a new password has at most; with more 422.";
    ACCESS_TOKEN_BYTES = "access_token_bytes", kept(crate::sign_in::MAX_TOKEN_BYTES), Bytes,
        "A longer access token is not looked at; beyond it 401.";
    SERVICE_SECRETS = "service_secrets_valid", kept_time(people::MAX_VALID_SECRETS), Items,
        "Secrets of a service account that are valid at once; beyond it 409.";
    SERVICE_SECRET = "service_secret_hours", 365 * 24, Hours,
        "How long a secret of a service account is valid at most.";
    ASSERTION = "client_assertion_seconds", kept_time(clampward_wire::sync::device::ASSERTION_SECONDS), Seconds,
        "How far ahead an assertion of a device may end; beyond it 401.";
    ASSERTION_BYTES = "client_assertion_bytes", kept(crate::sign_in::MAX_ASSERTION_BYTES), Bytes,
        "A longer assertion is not looked at; beyond it 400 or 422.";
    ENROLMENT_CODE = "enrolment_code_hours", 24, Hours,
        "How long a code by which a device enrols is valid.";
    DEVICE_KEY = "device_key_hours", 10 * 365 * 24, Hours,
        "How long the key of a device is valid, unless the device is revoked.";
    DEVICE_YARDS = "device_yards", 50, Items,
        "Yards of one device; beyond it 422.";
    SIGNING_KEY = "signing_key_hours", 30 * 24, Hours,
        "How long a person may sign on a device with one key.";
    KEY_PUBLISHED = "signing_key_published_hours", kept_time(crate::sign_in::PUBLISHED_HOURS), Hours,
        "How long a new signing key is published before it signs, unless chosen otherwise.";
    SET_PASSWORD = "set_password_hours", 72, Hours,
        "How long a one-time token to set a password is valid.";
}

impl Limits {
    /// The table as it holds in this installation.
    pub fn published(&self) -> Vec<Limit> {
        let chosen = [
            HASH_SLOTS.chosen(kept(self.hash_slots)),
            SET_PASSWORD.chosen(self.set_password_hours.unsigned_abs()),
            REQUEST.chosen(self.request.as_secs()),
            DRAIN.chosen(self.drain.as_secs()),
            EXPORTS.chosen(kept(self.exports)),
            LISTS.chosen(kept(self.lists)),
            SIGN_INS.chosen(kept(self.sign_ins)),
            WRITES.chosen(kept(self.writes)),
            FITNESS.chosen(kept(self.fitness)),
            QUOTA.chosen(kept_items(self.quota)),
            QUOTA_WINDOW.chosen(self.quota_window.as_secs()),
        ];
        let as_chosen = |row: &Limit| chosen.iter().find(|chosen| chosen.name == row.name);
        TABLE
            .iter()
            .map(|row| as_chosen(row).copied().unwrap_or(*row))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    //! The table is one.

    use super::*;

    #[test]
    fn every_limit_has_a_name_of_its_own_a_value_and_a_reason() {
        for (index, row) in TABLE.iter().enumerate() {
            assert!(row.value > 0, "{}", row.name);
            assert!(row.bounds.ends_with('.'), "{}", row.name);
            let twice = TABLE.iter().skip(index + 1).any(|other| other.name == row.name);
            assert!(!twice, "{}", row.name);
        }
    }

    #[test]
    fn what_an_installation_chooses_is_what_is_published() {
        let chosen = Limits {
            hash_slots: 7,
            exports: 3,
            quota: 11,
            request: Duration::from_secs(4),
            ..Limits::default()
        };
        let published = chosen.published();
        assert_eq!(published.len(), TABLE.len());
        for (name, value) in [
            ("password_checks_at_once", 7),
            ("exports_at_once", 3),
            ("quota_requests", 11),
            ("request_seconds", 4),
            ("body_bytes", 1 << 20),
        ] {
            let row = published.iter().find(|row| row.name == name).unwrap();
            assert_eq!(row.value, value, "{name}");
        }
    }

    #[test]
    fn lower_classes_are_refused_first() {
        let together = [EXPORTS_TOGETHER, LISTS_TOGETHER, WRITES_TOGETHER].map(|row| row.value);
        assert!(together.is_sorted_by(|lower, higher| lower < higher));
        // A class alone never takes the room that the next one has left.
        for (own, together) in [
            (EXPORTS, EXPORTS_TOGETHER),
            (LISTS, LISTS_TOGETHER),
            (WRITES, WRITES_TOGETHER),
        ] {
            assert!(own.value < together.value, "{}", own.name);
        }
    }
}
