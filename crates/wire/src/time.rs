//! Instants on the wire: RFC 3339 in a stricter profile than parsers commonly accept.
//!
//! Upper-case `T` and `Z`, an offset always, seconds from 00 to 59 (a leap second has no instant of its own), at most
//! six digits of fraction, because the ledger keeps microseconds. This module reads no clock.

use jiff::Timestamp;
use jiff::civil::{Date, date};

/// First day that is taken: no clamp is older, and whatever lies before is mistyped.
pub const FIRST_DAY: Date = date(1900, 1, 1);
/// Last day that is taken.
pub const LAST_DAY: Date = date(2199, 12, 31);

/// What a day has to look like.
pub const DAY_ADVICE: &str = "write a day as YYYY-MM-DD, from 1900-01-01 to 2199-12-31";

/// Parses a day in the form `YYYY-MM-DD` within the days that are taken.
pub fn parse_day(text: &str) -> Option<Date> {
    let bytes = text.as_bytes();
    let shape = bytes.len() == 10
        && bytes.iter().zip(b"dddd-dd-dd").all(|(byte, want)| match want {
            b'd' => byte.is_ascii_digit(),
            other => byte == other,
        });
    let day = if shape { text.parse().ok()? } else { return None };
    (FIRST_DAY..=LAST_DAY).contains(&day).then_some(day)
}

/// What is wrong with a time, in words that say what to write.
pub const ADVICE: &str = "write an instant as RFC 3339 with upper-case T and an offset, for example \"2025-03-14T09:26:53Z\" or \
     \"2025-03-14T10:26:53.5+01:00\"; seconds 00 to 59, at most six digits of fraction, years 1900 to 2199";

/// Whether a text has the strict form. Whether the day exists is for [`parse`].
pub fn is_strict(text: &str) -> bool {
    let bytes = text.as_bytes();
    let Some((head, tail)) = bytes.split_at_checked(19) else {
        return false;
    };
    let shape = head
        .iter()
        .zip(b"dddd-dd-ddTdd:dd:dd")
        .all(|(byte, want)| match want {
            b'd' => byte.is_ascii_digit(),
            other => byte == other,
        });
    let seconds = head.get(17..19).is_some_and(|two| two <= b"59".as_slice());
    shape && seconds && offset_after_fraction(tail)
}

fn offset_after_fraction(tail: &[u8]) -> bool {
    let offset = match tail.split_first() {
        Some((b'.', rest)) => {
            let digits = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
            if !(1..=6).contains(&digits) {
                return false;
            }
            rest.get(digits..).unwrap_or_default()
        }
        _ => tail,
    };
    match offset {
        b"Z" => true,
        [b'+' | b'-', h1, h2, b':', m1, m2] => {
            [h1, h2, m1, m2].into_iter().all(u8::is_ascii_digit)
                && [*h1, *h2] <= *b"23"
                && [*m1, *m2] <= *b"59"
        }
        _ => false,
    }
}

/// Parses a strict instant within the days that are taken, as they are written.
pub fn parse(text: &str) -> Option<Timestamp> {
    if !is_strict(text) {
        return None;
    }
    parse_day(text.get(..10)?)?;
    text.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: RFC 3339 section 5.8 (examples).
    #[test]
    fn examples_of_the_standard_are_read() {
        for (text, utc) in [
            ("1985-04-12T23:20:50.52Z", "1985-04-12T23:20:50.52Z"),
            ("1996-12-19T16:39:57-08:00", "1996-12-20T00:39:57Z"),
            ("1937-01-01T12:00:27.87+00:20", "1937-01-01T11:40:27.87Z"),
            ("1985-04-12T23:20:50-00:00", "1985-04-12T23:20:50Z"),
        ] {
            assert_eq!(parse(text), utc.parse().ok(), "{text}");
            assert!(parse(text).is_some(), "{text}");
        }
    }

    #[test]
    fn a_day_has_one_form_and_lies_where_clamps_can_be() {
        assert_eq!(parse_day("2025-03-14"), Some(date(2025, 3, 14)));
        assert_eq!(parse_day("1900-01-01"), Some(FIRST_DAY));
        assert_eq!(parse_day("2199-12-31"), Some(LAST_DAY));
        for text in [
            "1899-12-31",
            "2200-01-01",
            "0000-01-01",
            "9999-12-31",
            "-004713-01-01",
            "+002025-03-14",
            "20250314",
            "2025-3-14",
            "2025-02-29",
            "2025-03-14T00:00",
            "",
        ] {
            assert_eq!(parse_day(text), None, "{text}");
        }
        assert_eq!(parse("1899-12-31T23:59:59Z"), None);
        assert_eq!(parse("9999-12-31T23:59:59Z"), None);
    }

    // A leap second of RFC 3339 section 5.8, lower case and a space (both allowed there by agreement only), missing
    // offsets and days that do not exist.
    #[test]
    fn looser_forms_are_refused() {
        for text in [
            "1990-12-31T15:59:60-08:00",
            "1985-04-12t23:20:50Z",
            "1985-04-12T23:20:50z",
            "1985-04-12 23:20:50Z",
            "2024-01-01T00:00:00",
            "2024-01-01",
            "2024-02-30T00:00:00Z",
            "2024-13-01T00:00:00Z",
            "2024-01-01T24:00:00Z",
            "2024-01-01T00:00:00.Z",
            "2024-01-01T00:00:00.1234567Z",
            "2024-01-01T00:00:00+24:00",
            "2024-01-01T00:00:00+0100",
            "２024-01-01T00:00:00Z",
            "",
        ] {
            assert_eq!(parse(text), None, "{text}");
        }
    }
}
