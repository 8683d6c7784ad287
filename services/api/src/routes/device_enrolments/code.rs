//! A code that a person reads out or a device scans: 25 characters of which none looks like another.
//!
//! The first five name it, so that attempts can be counted; the other twenty are 100 bits that nobody guesses.

use crate::random::{self, NoRandomness};

/// Crockford's base 32: without I, L, O and U.
const ALPHABET: [u8; 32] = *b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
/// Characters without the hyphens.
const CHARS: usize = 25;
/// Characters between two hyphens, and of the code's name.
const GROUP: usize = 5;

/// A code.
#[derive(Clone, PartialEq, Eq)]
pub struct Code(String);

impl Code {
    /// A new one.
    pub fn new() -> Result<Self, NoRandomness> {
        let mut bits = u128::from_be_bytes(random::bytes()?);
        let mut text = String::with_capacity(CHARS);
        for _ in 0..CHARS {
            let number = usize::try_from(bits & 31).unwrap_or_default();
            text.extend(ALPHABET.get(number).copied().map(char::from));
            bits >>= 5;
        }
        Ok(Self(text))
    }
    /// Reads one as people write it: small letters, hyphens, blanks, and the letters that look like digits.
    pub fn read(text: &str) -> Option<Self> {
        let mut read = String::with_capacity(CHARS);
        for letter in text.chars().filter(|letter| !matches!(letter, '-' | ' ')) {
            let letter = match letter.to_ascii_uppercase() {
                'I' | 'L' => '1',
                'O' => '0',
                other => other,
            };
            if read.len() == CHARS || !letter.is_ascii() {
                return None;
            }
            read.push(letter);
        }
        let known = |byte: &u8| ALPHABET.contains(byte);
        (read.len() == CHARS && read.as_bytes().iter().all(known)).then_some(Self(read))
    }
    /// As it is shown, in groups: the only time that it is seen.
    pub fn reveal(&self) -> String {
        let groups: Vec<&[u8]> = self.0.as_bytes().chunks(GROUP).collect();
        String::from_utf8_lossy(&groups.join(&b'-')).into_owned()
    }
    /// What is kept of it.
    pub fn digest(&self) -> Vec<u8> {
        random::digest(&self.0)
    }
    /// The part by which attempts are counted.
    pub fn name(&self) -> &str {
        self.0.get(..GROUP).unwrap_or_default()
    }
}

impl std::fmt::Debug for Code {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Code")
    }
}

#[cfg(test)]
mod tests {
    //! How codes are written.

    use super::*;

    #[test]
    fn a_code_is_read_as_people_write_it_and_in_no_other_way() {
        let code = Code::new().unwrap();
        let shown = code.reveal();
        assert_eq!(shown.len(), 29);
        for written in [
            shown.clone(),
            shown.to_lowercase(),
            shown.replace('-', ""),
            shown.replace('-', " "),
            shown.replace('0', "o").replace('1', "l"),
        ] {
            assert!(Code::read(&written) == Some(code.clone()), "{written}");
        }
        assert_eq!(code.name(), &shown[..5]);
        for other in [
            "",
            &shown[1..],
            &format!("{shown}0"),
            &shown.replacen(|_| true, "U", 1),
            &shown.replacen(|_| true, "é", 1),
            &"-".repeat(2000),
        ] {
            assert!(Code::read(other).is_none(), "{other}");
        }
        assert!(Code::new().unwrap() != code);
        assert_eq!(format!("{code:?}"), "Code");
    }
}
