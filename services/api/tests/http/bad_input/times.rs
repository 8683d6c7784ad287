//! Instants and days that do not exist or mean two things.

use super::Field::{Day, Instant};
use super::{instead, invalid, try_everywhere};

// Source: RFC 3339 sections 5.6 and 5.7 (`:60` is grammar, but no clock here has it); the rest is the stricter profile.
#[actix_web::test]
async fn an_instant_is_rfc_3339_in_its_strict_form() {
    let instant = |what, text: &str| {
        invalid(
            what,
            Instant,
            instead(&format!("\"{text}\"")),
            "",
            "time-malformed",
        )
    };
    try_everywhere(&[
        instant("30 February", "2025-02-30T09:00:00Z"),
        instant("29 February of a common year", "2025-02-29T09:00:00Z"),
        instant("a leap second", "2016-12-31T23:59:60Z"),
        instant("a 61st second", "2025-03-14T08:00:60Z"),
        instant("a lower-case t", "2025-03-14t08:00:00Z"),
        instant("a lower-case z", "2025-03-14T08:00:00z"),
        instant("a space for T", "2025-03-14 08:00:00Z"),
        instant("no offset", "2025-03-14T08:00:00"),
        instant("an offset without a colon", "2025-03-14T08:00:00+0100"),
        instant("a zone's name", "2025-03-14T08:00:00+01:00[Europe/Oslo]"),
        instant("the year 1", "0001-01-01T00:00:00Z"),
        instant("the year 9999", "9999-12-31T23:59:59Z"),
        instant("a fifth digit of the year", "+12025-03-14T08:00:00Z"),
        instant("24 o'clock", "2025-03-14T24:00:00Z"),
        instant("a day", "2025-03-14"),
        instant("nanoseconds", "2025-03-14T08:00:00.123456789Z"),
        instant("seconds since 1970", "1741942800"),
    ])
    .await;
}

#[actix_web::test]
async fn a_day_exists_and_is_written_in_one_form() {
    let day = |what, text: &str| invalid(what, Day, instead(&format!("\"{text}\"")), "", "time-malformed");
    try_everywhere(&[
        day("30 February", "2025-02-30"),
        day("29 February of a common year", "2025-02-29"),
        day("the year 1", "0001-01-01"),
        day("the year 9999", "9999-12-31"),
        day("another order", "14-03-2025"),
        day("slashes", "2025/03/14"),
        day("without zeros", "2025-3-14"),
        day("an instant", "2025-03-14T00:00:00Z"),
        day("a week", "2025-W11-5"),
        day("nothing", ""),
    ])
    .await;
}
