//! What a yard sets about its notices. What is not set is common practice.

use jiff::civil::Time;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An hour and a minute on a clock (`"06:00"`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HourAndMinute(pub(super) Time);

impl std::str::FromStr for HourAndMinute {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let two = |part: &str| {
            let digits = part.len() == 2 && part.bytes().all(|byte| byte.is_ascii_digit());
            digits.then(|| part.parse::<i8>().ok()).flatten()
        };
        let time = text
            .split_once(':')
            .and_then(|(hour, minute)| Time::new(two(hour)?, two(minute)?, 0, 0).ok());
        time.map(Self)
            .ok_or_else(|| format!("{text:?} is no hour and minute, for example \"06:00\""))
    }
}
impl std::fmt::Display for HourAndMinute {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:02}:{:02}", self.0.hour(), self.0.minute())
    }
}
impl Serialize for HourAndMinute {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}
impl<'de> Deserialize<'de> for HourAndMinute {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = String::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}
#[cfg(feature = "openapi")]
impl utoipa::PartialSchema for HourAndMinute {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        utoipa::openapi::schema::ObjectBuilder::new()
            .schema_type(utoipa::openapi::schema::Type::String)
            .description(Some("Hour and minute on a clock, for example `06:00`."))
            .pattern(Some("^([01][0-9]|2[0-3]):[0-5][0-9]$"))
            .examples(["06:00"])
            .into()
    }
}
#[cfg(feature = "openapi")]
impl utoipa::ToSchema for HourAndMinute {}

/// Most leads of a yard.
pub const MAX_LEADS: usize = 5;
/// The longest time ahead, or of silence, in days.
pub const MAX_DAYS: u16 = 366;
/// What a yard sets about its notices.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields, default)]
pub struct NoticePolicy {
    /// Days ahead at which an inspection that falls due is told.
    pub due_soon_days: Vec<u16>,
    /// When the morning digest leaves, on the yard's clock.
    pub digest_at: HourAndMinute,
    /// Days after which an open lock-out counts as old.
    pub lockout_days: u16,
    /// Days ahead at which the date of a defect is told.
    pub defect_days: u16,
    /// Days without a word of a tablet after which it is told.
    pub tablet_days: u16,
    /// Days ahead at which the end of a competence is told.
    pub competence_days: u16,
}

/// Common practice, ours to choose: nobody's rule.
impl Default for NoticePolicy {
    fn default() -> Self {
        Self {
            due_soon_days: vec![14, 3],
            digest_at: HourAndMinute(Time::constant(6, 0, 0, 0)),
            lockout_days: 14,
            defect_days: 3,
            tablet_days: 3,
            competence_days: 30,
        }
    }
}

impl NoticePolicy {
    /// Whether it says nothing but what is usual.
    pub fn is_usual(&self) -> bool {
        *self == Self::default()
    }
    /// The longest time ahead at which an inspection is told.
    pub fn longest_lead(&self) -> u16 {
        self.due_soon_days.iter().copied().max().unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_hour_and_a_minute_are_written_one_way() {
        for text in ["00:00", "06:00", "23:59"] {
            let time: HourAndMinute = text.parse().unwrap();
            assert_eq!(time.to_string(), text);
        }
        for text in [
            "",
            "6:00",
            "06:0",
            "24:00",
            "06:60",
            "06:00:00",
            " 06:00",
            "+6:00",
            "-1:00",
            "06.00",
            "٠٦:٠٠",
        ] {
            assert!(text.parse::<HourAndMinute>().is_err(), "{text:?}");
        }
    }
}
