//! The name of a photo: the SHA-256 of its bytes. Knows no bytes.

use std::fmt;
use std::str::FromStr;

/// SHA-256 of a photo's bytes; written as 64 lower-case hex digits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PhotoDigest([u8; 32]);

/// What is no photo's name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a photo is named by its SHA-256 in 64 lower-case hex digits")]
pub struct NotADigest;

impl PhotoDigest {
    /// Of 32 bytes.
    pub const fn new(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }
    /// Its bytes.
    pub const fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl FromStr for PhotoDigest {
    type Err = NotADigest;

    fn from_str(text: &str) -> Result<Self, NotADigest> {
        let digit = |letter: u8| match letter {
            b'0'..=b'9' => Ok(letter - b'0'),
            b'a'..=b'f' => Ok(letter - b'a' + 10),
            _ => Err(NotADigest),
        };
        let pairs = text.as_bytes().chunks(2);
        let bytes: Vec<u8> = pairs
            .map(|pair| match pair {
                [high, low] => Ok(digit(*high)? * 16 + digit(*low)?),
                _ => Err(NotADigest),
            })
            .collect::<Result<_, _>>()?;
        bytes.try_into().map(Self).map_err(|_| NotADigest)
    }
}

impl TryFrom<Vec<u8>> for PhotoDigest {
    type Error = NotADigest;
    fn try_from(bytes: Vec<u8>) -> Result<Self, NotADigest> {
        bytes.try_into().map(Self).map_err(|_| NotADigest)
    }
}

impl fmt::Display for PhotoDigest {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        for byte in self.0 {
            write!(formatter, "{byte:02x}")?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_read_as_it_is_written_and_nothing_else_is_a_name() {
        // Source: FIPS 180-4, the digest of "abc".
        let name = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(name.parse::<PhotoDigest>().unwrap().to_string(), name);
        for wrong in [
            "",
            "ba",
            &name[1..],
            &name.to_uppercase(),
            &format!("{name}00"),
            &format!("{}g", &name[1..]),
            &format!("{}é", &name[2..]),
        ] {
            assert_eq!(wrong.parse::<PhotoDigest>(), Err(NotADigest), "{wrong}");
        }
    }
}
