//! Instants at which calendars go wrong: midnights, gaps and folds, ends of months, 29 February.

use crate::chance::Chance;
use clampward_domain::calendar::Zone;
use jiff::Timestamp;
use jiff::civil::{Date, date};
use jiff::tz::TimeZone;

pub const HOUR: i64 = 3600;
pub const DAY: i64 = 24 * HOUR;

/// Every IANA zone that the domain knows.
pub fn zones() -> Vec<String> {
    let mut all: Vec<String> = jiff::tz::db()
        .available()
        .map(|name| name.as_str().to_owned())
        .filter(|name| Zone::named(name).is_some())
        .collect();
    all.sort();
    all
}

pub fn instant(second: i64) -> Timestamp {
    Timestamp::from_second(second).unwrap()
}

/// The civil day in a zone.
pub fn day_at(zone: &Zone, second: i64) -> Date {
    zone.date_at(instant(second))
}

/// The next change of the clocks, if there is one within 400 days.
fn clocks_change(zone: &Zone, after: i64) -> Option<i64> {
    let zone = TimeZone::get(zone.name()).ok()?;
    let next = zone.following(instant(after)).next()?.timestamp().as_second();
    (next < after + 400 * DAY).then_some(next)
}

/// A trying instant near or after `near`.
pub fn trying(chance: &mut Chance, zone: &Zone, near: i64) -> i64 {
    let day = day_at(zone, near);
    let at_day = |chance: &mut Chance, day: Date| {
        let late = chance.pick(&[-1, 0, 1, 1800, HOUR, 2 * HOUR + 1800, 12 * HOUR, 23 * HOUR + 3599]);
        zone.start_of(day).as_second() + late
    };
    match chance.between(0, 5) {
        0 => at_day(chance, day),
        1 => at_day(chance, day.last_of_month()),
        2 => at_day(chance, day.first_of_month()),
        3 => match (0..4)
            .map(|more| day.year() + more)
            .find(|year| date(*year, 1, 1).in_leap_year() && date(*year, 2, 29) >= day)
        {
            Some(year) if zone.start_of(date(year, 2, 29)).as_second() < near + 400 * DAY => {
                at_day(chance, date(year, 2, 29))
            }
            Some(_) | None => near,
        },
        4 | 5 => match clocks_change(zone, near) {
            Some(change) => change + chance.pick(&[-HOUR, -1800, -1, 0, 1, 1799, HOUR - 1, HOUR]),
            None => near,
        },
        _ => near,
    }
}

/// Where a history begins: mostly in the years of use, some back in the years in which zones did stranger things.
pub fn beginning(chance: &mut Chance, zone: &Zone) -> i64 {
    let year = if chance.percent(12) {
        chance.between(1992, 2011)
    } else {
        chance.between(2012, 2040)
    };
    let year = i16::try_from(year).unwrap();
    let month = i8::try_from(chance.between(1, 12)).unwrap();
    let first = zone.start_of(date(year, month, 1)).as_second();
    let near = first + chance.between(0, 27 * DAY);
    if chance.percent(70) {
        trying(chance, zone, near)
    } else {
        near
    }
}
