//! Civil dates, zones and inspection intervals.
//!
//! A due date is a civil date in the yard's IANA zone: due on 31 January means fit through the end of that day
//! there. Month arithmetic saturates and is always computed from the anchor (31 January + 2 months = 31 March).
//! Zones come from the bundled database, so every process and device answers alike. No clock is read here.

use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp, ToSpan};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An IANA time zone that exists in the bundled database.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Zone {
    zone: TimeZone,
}

impl Zone {
    /// Coordinated universal time.
    pub fn utc() -> Self {
        Self { zone: TimeZone::UTC }
    }
    /// Looks the zone up by its IANA name. Offsets and POSIX rules are refused: they know no DST history.
    pub fn named(name: &str) -> Option<Self> {
        if name.is_empty() || name.len() > 64 {
            return None;
        }
        let zone = TimeZone::get(name).ok()?;
        zone.iana_name().is_some().then_some(Self { zone })
    }
    /// The IANA name.
    pub fn name(&self) -> &str {
        self.zone.iana_name().unwrap_or("UTC")
    }
    /// The civil date in this zone at an instant.
    pub fn date_at(&self, instant: Timestamp) -> Date {
        self.zone.to_datetime(instant).date()
    }
    /// The time that a clock in this zone shows at an instant.
    pub fn time_at(&self, instant: Timestamp) -> Time {
        self.zone.to_datetime(instant).time()
    }
    /// The instant at which a clock in this zone shows a time on a day. Where a gap leaves it out, as much later as the gap
    /// is long; where it comes twice, the first.
    pub fn instant(&self, day: Date, time: Time) -> Timestamp {
        day.to_datetime(time)
            .to_zoned(self.zone.clone())
            .map_or(Timestamp::MAX, |zoned| zoned.timestamp())
    }
    /// The first instant of a day in this zone (after a gap at midnight: the first that exists).
    pub fn start_of(&self, day: Date) -> Timestamp {
        day.to_zoned(self.zone.clone())
            .and_then(|midnight| midnight.start_of_day())
            .map_or(Timestamp::MAX, |start| start.timestamp())
    }
    /// The first instant after a day in this zone: a thing due on `day` is late from here.
    pub fn end_of(&self, day: Date) -> Timestamp {
        day.tomorrow().map_or(Timestamp::MAX, |next| self.start_of(next))
    }
}

impl Serialize for Zone {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.name())
    }
}
impl<'de> Deserialize<'de> for Zone {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = String::deserialize(deserializer)?;
        Self::named(&name).ok_or_else(|| {
            serde::de::Error::custom(format!(
                "{name:?} is not an IANA time zone, for example \"Europe/London\""
            ))
        })
    }
}
#[cfg(feature = "openapi")]
impl utoipa::PartialSchema for Zone {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::schema::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .description(Some("IANA time zone, for example `Europe/London`."))
            .max_length(Some(64))
            .into()
    }
}
#[cfg(feature = "openapi")]
impl utoipa::ToSchema for Zone {}

/// An inspection interval: hours (counted from the instant) or calendar days and months (counted from the day).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Interval {
    /// Hours from the inspection's instant.
    Hours(u16),
    /// Civil days from the inspection's day.
    Days(u16),
    /// Calendar months from the inspection's day, saturating at the month's end.
    Months(u16),
}

/// Longest interval that anybody may set, in months.
pub const MAX_INTERVAL_MONTHS: u16 = 240;

impl Interval {
    /// When the interval that began at `anchor` ends: the last day (if it is counted in days) and the first instant
    /// at which it is over.
    pub fn end(self, anchor: Timestamp, zone: &Zone) -> (Option<Date>, Timestamp) {
        match self {
            Self::Hours(hours) => {
                let end = anchor
                    .checked_add(i64::from(hours).hours())
                    .unwrap_or(Timestamp::MAX);
                (None, end)
            }
            Self::Days(_) | Self::Months(_) => {
                let day = self.after(zone.date_at(anchor));
                (Some(day), zone.end_of(day))
            }
        }
    }
    /// The last day of the interval that began on `anchor` (hours count as whole days, rounded down).
    pub fn after(self, anchor: Date) -> Date {
        anchor.checked_add(self.span()).unwrap_or(Date::MAX)
    }
    fn span(self) -> Span {
        match self {
            Self::Hours(hours) => Span::new().days(i64::from(hours) / 24),
            Self::Days(days) => Span::new().days(i64::from(days)),
            Self::Months(months) => Span::new().months(i64::from(months)),
        }
    }
    /// Whether this interval ends no later than `other` from every possible anchor. Between months and days the
    /// shortest the months can be decides.
    pub fn is_within(self, other: Self) -> bool {
        match (self, other) {
            (Self::Hours(a), Self::Hours(b))
            | (Self::Days(a), Self::Days(b))
            | (Self::Months(a), Self::Months(b)) => a <= b,
            (a, b) => a.longest_hours() <= b.shortest_hours(),
        }
    }
    // A day has 23 to 25 hours, n months have between ⌊n·30.4⌋−2 and ⌈n·30.5⌉+1 days (n = 1: 28 to 31).
    fn longest_hours(self) -> u32 {
        match self {
            Self::Hours(hours) => u32::from(hours),
            Self::Days(days) => u32::from(days) * 24,
            Self::Months(months) => (u32::from(months) * 61).div_ceil(2).saturating_add(1) * 24,
        }
    }
    fn shortest_hours(self) -> u32 {
        match self {
            Self::Hours(hours) => u32::from(hours),
            Self::Days(days) => u32::from(days) * 24,
            Self::Months(months) => (u32::from(months) * 304 / 10).saturating_sub(2) * 24,
        }
    }
    /// Parses an ISO 8601 duration of one unit: `PT24H`, `P7D`, `P1W`, `P6M`, `P1Y`.
    pub fn parse(text: &str) -> Option<Self> {
        let body = text.strip_prefix('P')?;
        let number = |part: &str| {
            part.bytes()
                .all(|byte| byte.is_ascii_digit())
                .then(|| part.parse::<u16>().ok())
                .flatten()
        };
        let interval = if let Some(hours) = body.strip_prefix('T').and_then(|rest| rest.strip_suffix('H')) {
            Self::Hours(number(hours)?)
        } else if let Some(days) = body.strip_suffix('D') {
            Self::Days(number(days)?)
        } else if let Some(weeks) = body.strip_suffix('W') {
            Self::Days(number(weeks)?.checked_mul(7)?)
        } else if let Some(months) = body.strip_suffix('M') {
            Self::Months(number(months)?)
        } else {
            Self::Months(number(body.strip_suffix('Y')?)?.checked_mul(12)?)
        };
        let (Self::Hours(n) | Self::Days(n) | Self::Months(n)) = interval;
        let fits = match interval {
            Self::Months(months) => months <= MAX_INTERVAL_MONTHS,
            Self::Hours(_) | Self::Days(_) => true,
        };
        (n > 0 && fits).then_some(interval)
    }
}

impl std::fmt::Display for Interval {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Hours(hours) => write!(f, "PT{hours}H"),
            Self::Days(days) => write!(f, "P{days}D"),
            Self::Months(months) if months % 12 == 0 => write!(f, "P{}Y", months / 12),
            Self::Months(months) => write!(f, "P{months}M"),
        }
    }
}
impl Serialize for Interval {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
impl<'de> Deserialize<'de> for Interval {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        Self::parse(&text).ok_or_else(|| {
            serde::de::Error::custom(format!(
                "{text:?} is not an interval of one unit in ISO 8601 form, for example \"PT24H\", \"P7D\", \"P6M\", \"P1Y\""
            ))
        })
    }
}
#[cfg(feature = "openapi")]
impl utoipa::PartialSchema for Interval {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::schema::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .description(Some(
                "ISO 8601 duration of one unit: `PT24H`, `P7D`, `P6M`, `P1Y`.",
            ))
            .pattern(Some("^P(T[0-9]{1,5}H|[0-9]{1,5}[DWMY])$"))
            .into()
    }
}
#[cfg(feature = "openapi")]
impl utoipa::ToSchema for Interval {}

#[cfg(test)]
mod tests;
