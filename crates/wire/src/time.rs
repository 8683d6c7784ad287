//! Instants on the wire: RFC 3339 in a stricter profile than parsers commonly accept.
//!
//! Upper-case `T` and `Z`, an offset always, seconds from 00 to 59 (a leap second has no instant of its own), at most
//! six digits of fraction, because the ledger keeps microseconds. This module reads no clock.

use jiff::Timestamp;

/// What is wrong with a time, in words that say what to write.
pub const ADVICE: &str = "write an instant as RFC 3339 with upper-case T and an offset, for example \"2025-03-14T09:26:53Z\" or \
     \"2025-03-14T10:26:53.5+01:00\"; seconds 00 to 59, at most six digits of fraction";

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

/// Parses a strict instant.
pub fn parse(text: &str) -> Option<Timestamp> {
    if is_strict(text) { text.parse().ok() } else { None }
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
