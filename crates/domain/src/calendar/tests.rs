//! Month arithmetic from the anchor, DST gap and fold, day ends.

use super::*;

fn date(text: &str) -> Date {
    text.parse().unwrap()
}

#[test]
fn months_saturate_and_are_counted_from_the_anchor() {
    // Source: table in section 6 of the project's check values; jiff and PostgreSQL 15 agree on every row.
    for (start, months, result) in [
        ("2024-01-31", 1, "2024-02-29"),
        ("2023-01-31", 1, "2023-02-28"),
        ("2024-01-31", 2, "2024-03-31"),
        ("2024-08-31", 6, "2025-02-28"),
        ("2023-08-31", 6, "2024-02-29"),
        ("2024-02-29", 12, "2025-02-28"),
        ("2024-02-29", 48, "2028-02-29"),
        ("2096-02-29", 48, "2100-02-28"),
        ("2025-11-30", 3, "2026-02-28"),
        ("2024-12-31", 2, "2025-02-28"),
    ] {
        assert_eq!(
            Interval::Months(months).after(date(start)),
            date(result),
            "{start} + {months} months"
        );
    }
}

#[test]
fn a_day_ends_when_the_next_begins_in_the_zone() {
    let london = Zone::named("Europe/London").unwrap();
    assert_eq!(
        london.end_of(date("2025-03-29")).to_string(),
        "2025-03-30T00:00:00Z"
    );
    assert_eq!(
        london.end_of(date("2025-03-30")).to_string(),
        "2025-03-30T23:00:00Z"
    );
    // Midnight itself does not exist in Beirut on the day its clocks go forward: the day begins at 01:00.
    let beirut = Zone::named("Asia/Beirut").unwrap();
    assert_eq!(
        beirut.start_of(date("2024-03-31")).to_string(),
        "2024-03-30T22:00:00Z"
    );
    // 2011-12-30 was skipped in Apia: the 29th ends where the 31st begins.
    let apia = Zone::named("Pacific/Apia").unwrap();
    assert_eq!(apia.end_of(date("2011-12-29")), apia.start_of(date("2011-12-31")));
}

#[test]
fn a_daily_interval_is_24_hours_from_the_instant() {
    let zone = Zone::named("America/New_York").unwrap();
    let noon = "2025-03-08T17:00:00Z".parse().unwrap();
    let (day, end) = Interval::Hours(24).end(noon, &zone);
    assert_eq!((day, end.to_string().as_str()), (None, "2025-03-09T17:00:00Z"));
    let (day, end) = Interval::Days(1).end(noon, &zone);
    assert_eq!(
        (day, end.to_string().as_str()),
        (Some(date("2025-03-09")), "2025-03-10T04:00:00Z")
    );
}

#[test]
fn intervals_parse_one_unit_and_compare_by_the_shortest_the_other_can_be() {
    for (text, interval) in [
        ("PT24H", Interval::Hours(24)),
        ("P7D", Interval::Days(7)),
        ("P1W", Interval::Days(7)),
        ("P6M", Interval::Months(6)),
        ("P1Y", Interval::Months(12)),
    ] {
        assert_eq!(Interval::parse(text), Some(interval));
    }
    for text in [
        "", "P", "P0D", "P-1M", "P1M2D", "PT1M", "1M", "P99999D", "P1.5M", "P21Y",
    ] {
        assert_eq!(Interval::parse(text), None, "{text}");
    }
    assert!(Interval::Days(28).is_within(Interval::Months(1)));
    assert!(!Interval::Days(29).is_within(Interval::Months(1)));
    assert!(Interval::Months(1).is_within(Interval::Days(32)));
    assert!(!Interval::Months(12).is_within(Interval::Days(365)));
    assert!(Interval::Hours(24).is_within(Interval::Days(1)));
}

#[test]
fn zones_are_iana_names_only() {
    for name in ["", "EST5EDT,M3.2.0,M11.1.0", "+02:00", "Mars/Olympus"] {
        assert!(Zone::named(name).is_none(), "{name}");
    }
    assert_eq!(Zone::named("europe/london").unwrap().name(), "Europe/London");
}
