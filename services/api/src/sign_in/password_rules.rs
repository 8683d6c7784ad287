//! Which passwords may be set: NIST SP 800-63B-4 section 3.1.1. Long, of any characters, and not one that is guessed
//! first; nothing about capitals, digits or signs, and no change by the calendar.
//!
//! At fifteen characters, a list of the passwords that leaked most often holds next to nothing; what is guessed there is
//! put together by rule from common words, names at hand, rows of the keyboard and repetitions. So the whole password is
//! taken apart into these, and refused if too little of the person's own is left. The words are our own choice of what is
//! generally known to be common, and of this trade.

use unicode_normalization::UnicodeNormalization;

/// Shortest password (NIST SP 800-63B-4: 15 characters where it is the only factor).
pub const MIN_PASSWORD_CHARS: usize = 15;
/// Longest password.
pub const MAX_PASSWORD_CHARS: usize = 256;
/// How many different characters, digits left out, have to be the person's own.
const MIN_OWN_CHARS: usize = 5;
/// Shortest run along the keyboard or the alphabet that counts as one.
const MIN_RUN_CHARS: usize = 4;
/// Shortest word of the context that is looked for.
const MIN_WORD_CHARS: usize = 3;
/// A password that repeats so few characters is no longer than they are.
const MAX_REPEATED_CHARS: usize = 8;

/// Words that passwords are made of first.
const COMMON: &[&str] = &[
    "password",
    "passwort",
    "passord",
    "passphrase",
    "welcome",
    "willkommen",
    "velkommen",
    "letmein",
    "changeme",
    "default",
    "administrator",
    "admin",
    "login",
    "signin",
    "secret",
    "master",
    "trustno",
    "iloveyou",
    "dragon",
    "monkey",
    "football",
    "baseball",
    "superman",
    "batman",
    "sunshine",
    "princess",
    "shadow",
    "winter",
    "spring",
    "summer",
    "autumn",
    "january",
    "february",
    "march",
    "april",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
    "monday",
    "tuesday",
    "wednesday",
    "thursday",
    "friday",
    "saturday",
    "sunday",
    "correct",
    "horse",
    "battery",
    "staple",
    "clampward",
    "clamp",
    "plate",
    "lifting",
    "shackle",
    "crane",
    "steel",
    "yard",
    "company",
    "test",
    "demo",
];
/// Rows of keyboards, and what is counted up.
const ROWS: &[&str] = &[
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "qwertzuiop",
    "azertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "yxcvbnm",
];

/// What is wrong with a new password, in words that say what to do. `context` are texts that a guesser has at hand: the
/// person's name and address, the yards.
pub fn check_password<'a>(password: &str, context: impl IntoIterator<Item = &'a str>) -> Result<(), String> {
    let password: String = password.nfc().collect();
    let length = password.chars().count();
    if length < MIN_PASSWORD_CHARS {
        return Err(format!(
            "at least {MIN_PASSWORD_CHARS} characters; a few words are easy to remember"
        ));
    }
    if length > MAX_PASSWORD_CHARS {
        return Err(format!("at most {MAX_PASSWORD_CHARS} characters"));
    }
    let folded: Vec<char> = password
        .to_lowercase()
        .chars()
        .filter(|letter| !letter.is_whitespace())
        .collect();
    if repeats(&folded) {
        return Err("it repeats a few characters over and over: take a few words instead".to_owned());
    }
    let mut words: Vec<Vec<char>> = context
        .into_iter()
        .flat_map(words_of)
        .chain(COMMON.iter().map(|word| word.chars().collect()))
        .collect();
    words.sort_by_key(|word| std::cmp::Reverse(word.len()));
    let plain: Vec<char> = folded.iter().copied().map(unmasked).collect();
    for written in [folded, plain] {
        if own(written, &words) < MIN_OWN_CHARS {
            return Err(
                "it is made of words that are guessed first (common ones, names at hand, rows of the keyboard): add a few \
                 words of your own"
                    .to_owned(),
            );
        }
    }
    Ok(())
}

/// A letter behind the sign that is usually written for it.
fn unmasked(letter: char) -> char {
    match letter {
        '0' => 'o',
        '1' | '!' => 'i',
        '3' | '€' => 'e',
        '4' | '@' => 'a',
        '5' | '$' => 's',
        '7' => 't',
        other => other,
    }
}

/// The words of a text, in lower case: `tor.vik@halvorsund.example` has four.
fn words_of(text: &str) -> Vec<Vec<char>> {
    let text: String = text.nfc().collect::<String>().to_lowercase();
    text.split(|letter: char| !letter.is_alphanumeric())
        .map(|word| word.chars().collect::<Vec<char>>())
        .filter(|word| word.len() >= MIN_WORD_CHARS)
        .collect()
}

/// Whether it is a few characters over and over.
fn repeats(letters: &[char]) -> bool {
    (1..=MAX_REPEATED_CHARS.min(letters.len() / 2)).any(|period| {
        let later = letters.iter().skip(period);
        letters.iter().zip(later).all(|(one, other)| one == other)
    })
}

/// How many different characters are left without the words, the runs and the digits.
fn own(letters: Vec<char>, words: &[Vec<char>]) -> usize {
    // A gap stays where something was taken out, so that what stands around it is no word.
    let mut letters: Vec<Option<char>> = letters.into_iter().map(Some).collect();
    for word in words {
        take_out(&mut letters, word);
    }
    for row in ROWS {
        let row: Vec<char> = row.chars().collect();
        let back: Vec<char> = row.iter().rev().copied().collect();
        for row in [row, back] {
            for length in (MIN_RUN_CHARS..=row.len()).rev() {
                for run in row.windows(length) {
                    take_out(&mut letters, run);
                }
            }
        }
    }
    let mut left: Vec<char> = letters
        .into_iter()
        .flatten()
        .filter(|letter| !letter.is_numeric())
        .collect();
    left.sort_unstable();
    left.dedup();
    left.len()
}

fn take_out(letters: &mut [Option<char>], word: &[char]) {
    let mut start = 0;
    while let Some(part) = letters.get_mut(start..start + word.len()) {
        let found = part
            .iter()
            .zip(word)
            .all(|(letter, wanted)| *letter == Some(*wanted));
        if found {
            part.fill(None);
            start += word.len();
        } else {
            start += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const CONTEXT: [&str; 4] = [
        "Mara Lind",
        "mara.lind@halvorsund.example",
        "Port Ellery",
        "Calder Reach",
    ];

    fn check(password: &str) -> Result<(), String> {
        check_password(password, CONTEXT)
    }

    // Source: NIST SP 800-63B-4 section 3.1.1.2: 15 characters where it is the only factor, at least 64 allowed, each
    // Unicode character one, no composition rules.
    #[test]
    fn fifteen_to_two_hundred_and_fifty_six_characters_of_any_kind() {
        assert!(check("fourteen chars").is_err());
        assert!(check("fifteen charact").is_ok());
        assert!(check("five plain words do nicely").is_ok());
        assert!(check("\u{df}\u{fc}nf blaue K\u{e4}hne ziehen").is_ok());
        assert!(check("гора помнит каждый шаг").is_ok());
        let sixty_four = "every gull on the quay knows which boat comes home with its catch";
        assert!(sixty_four.chars().count() >= 64 && check(sixty_four).is_ok());
        let longest: String = sixty_four.chars().cycle().take(256).collect();
        assert!(check(&longest).is_ok());
        assert!(check(&format!("{longest}s")).is_err());
        // Composed or not, it is as long.
        assert!(check("e\u{301}le\u{300}ve noir ici").is_err());
    }

    #[test]
    fn what_is_guessed_first_is_refused() {
        for password in [
            "aaaaaaaaaaaaaaaaaaaa",
            "abcabcabcabcabcabc",
            "12345678123456781234",
            "123456789012345678",
            "qwertyuiopasdfghjkl",
            "poiuytrewqlkjhgfdsa",
            "password123456789",
            "P@ssw0rd P@ssw0rd 1",
            "Clampward2025!!!",
            "clampwardclampward",
            "Mara.Lind.19850412",
            "portellery-portellery",
            "Halvorsund Summer 2025",
            "correct horse battery staple",
            "administrator 2025",
        ] {
            assert!(check(password).is_err(), "{password}");
        }
    }

    // Source: NIST SP 800-63B-4 section 3.1.1.2: the whole password is compared, not words inside it.
    #[test]
    fn a_common_word_among_others_is_no_fault() {
        for password in [
            "the password of somebody else",
            "Mara keeps bees behind the shed",
            "steel rusts where gulls dry fish",
            "seven 7 lanterns, 4 boats",
        ] {
            assert!(check(password).is_ok(), "{password}");
        }
    }
}
