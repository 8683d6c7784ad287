//! When a clamp was used, as spans without a gap of a month: all that the idle rule needs, in bounded space.
//!
//! Joining days that lie less than a calendar month apart gives the same spans in whatever order the uses come.

use crate::calendar::Interval;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

/// A time of regular use.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Span {
    /// First day of use.
    pub first: Date,
    /// Last day of use.
    pub last: Date,
}

/// The uses of a clamp.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Uses {
    /// Spans, oldest first, at least a month apart.
    pub spans: Vec<Span>,
    /// Start of the first use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_at: Option<Timestamp>,
    /// End of the latest use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_at: Option<Timestamp>,
}

/// Uses closer together than this are one span. No rule set asks about a shorter gap (a test of theirs proves it).
pub(crate) const JOINED_WITHIN: Interval = Interval::Months(1);

impl Uses {
    /// Adds a period of use; its days, if there were any lifts, are those of the yard's zone.
    pub fn add(&mut self, from: Timestamp, until: Timestamp, days: Option<Span>) {
        self.first_at = Some(self.first_at.map_or(from, |first| first.min(from)));
        self.last_at = Some(self.last_at.map_or(until, |last| last.max(until)));
        self.spans.extend(days);
        self.spans.sort_by_key(|span| (span.first, span.last));
        let mut joined: Vec<Span> = Vec::with_capacity(self.spans.len());
        for span in self.spans.drain(..) {
            match joined.last_mut() {
                Some(before) if span.first < JOINED_WITHIN.after(before.last) => {
                    before.last = before.last.max(span.last)
                }
                Some(_) | None => joined.push(span),
            }
        }
        self.spans = joined;
    }

    /// The day on which the gap since the last use will have lasted this long.
    pub fn next_gap(&self, length: Interval) -> Option<Date> {
        self.spans.last().map(|span| length.after(span.last))
    }

    /// The latest day by `today` from which a gap had lasted this long: an inspection on or after it closes it.
    pub fn latest_gap(&self, length: Interval, today: Date) -> Option<Date> {
        let ends = self.spans.iter().skip(1).map(|next| next.first).chain([today]);
        self.spans
            .iter()
            .zip(ends)
            .map(|(span, end)| (length.after(span.last), end))
            .filter(|(reached, end)| reached <= end && *reached <= today)
            .map(|(reached, _)| reached)
            .max()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MONTH: Interval = Interval::Months(1);
    const YEAR: Interval = Interval::Months(12);

    fn day(text: &str) -> Date {
        text.parse().unwrap()
    }
    fn uses(days: &[(&str, &str)]) -> Uses {
        let mut uses = Uses::default();
        for (first, last) in days {
            uses.add(
                Timestamp::UNIX_EPOCH,
                Timestamp::UNIX_EPOCH,
                Some(Span {
                    first: day(first),
                    last: day(last),
                }),
            );
        }
        uses
    }

    #[test]
    fn idle_from_the_same_day_of_the_next_month_and_year() {
        // Worked example in the trade rules: last use 2025-03-10, frequent due before use from 2025-04-10, periodic
        // from 2026-03-10 (ASME B30.20-2013, 20-1.3.5).
        let uses = uses(&[("2025-03-01", "2025-03-10")]);
        assert_eq!(uses.latest_gap(MONTH, day("2025-04-09")), None);
        assert_eq!(uses.latest_gap(MONTH, day("2025-04-10")), Some(day("2025-04-10")));
        assert_eq!(uses.latest_gap(YEAR, day("2026-03-09")), None);
        assert_eq!(uses.latest_gap(YEAR, day("2026-03-10")), Some(day("2026-03-10")));
    }

    #[test]
    fn a_later_use_does_not_close_a_gap_and_order_does_not_matter() {
        let days = [
            ("2025-03-10", "2025-03-10"),
            ("2025-06-01", "2025-06-20"),
            ("2025-06-25", "2025-07-01"),
        ];
        let forward = uses(&days);
        let backward = uses(&days.iter().rev().copied().collect::<Vec<_>>());
        assert_eq!(forward, backward);
        assert_eq!(forward.spans.len(), 2);
        assert_eq!(
            forward.latest_gap(MONTH, day("2025-07-02")),
            Some(day("2025-04-10"))
        );
        // A use reported late fills the gap.
        let filled = uses(&[days[0], days[1], ("2025-04-05", "2025-05-15")]);
        assert_eq!(filled.latest_gap(MONTH, day("2025-06-21")), None);
    }
}
