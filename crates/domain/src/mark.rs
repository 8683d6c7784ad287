//! Marks and serial numbers as people read and type them.
//!
//! A mark is kept as it was written. Two keys are made from it: the exact key, under which one writing of a mark
//! finds another (case, spaces and hyphens do not matter), and the look-alike key, which also takes 0/O, 1/I, 5/S
//! and 8/B for one another. Clamps that share only a look-alike key are *candidates* to show to a person. This
//! module never decides that two clamps are one, and knows no clamp.

/// Most characters that a mark may have.
pub const MAX_MARK_CHARACTERS: usize = 64;

/// Why a text is not a mark.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum MarkError {
    /// Nothing to read in it.
    #[error("a mark has at least one letter, digit or sign besides spaces and hyphens")]
    Empty,
    /// Longer than anybody stamps.
    #[error("a mark has at most {MAX_MARK_CHARACTERS} characters; this one has {0}")]
    TooLong(usize),
    /// A character that does not show when the mark is printed.
    #[error("a mark has printable characters only; character {position} is U+{code:04X}")]
    NotPrintable {
        /// Place of the character, counted from 1.
        position: usize,
        /// Its Unicode code point.
        code: u32,
    },
}

/// Checks that a text can be a mark: 1 to 64 printable characters, of which at least one counts in the exact key.
/// Spaces around it are not counted.
pub fn check_mark(text: &str) -> Result<(), MarkError> {
    let hidden = text
        .chars()
        .zip(1..)
        .find(|(character, _)| !is_printable(*character));
    if let Some((character, position)) = hidden {
        return Err(MarkError::NotPrintable {
            position,
            code: u32::from(character),
        });
    }
    let length = text.trim().chars().count();
    if length > MAX_MARK_CHARACTERS {
        return Err(MarkError::TooLong(length));
    }
    if exact_key(text).is_empty() {
        Err(MarkError::Empty)
    } else {
        Ok(())
    }
}

/// The key under which a mark is found whatever its case, spaces and hyphens: `"kc-0417 b"` gives `"KC0417B"`.
pub fn exact_key(text: &str) -> String {
    text.chars()
        .filter(|character| !is_separator(*character))
        .flat_map(char::to_uppercase)
        .collect()
}

/// The exact key with look-alikes folded (O to 0, I to 1, S to 5, B to 8): for finding candidates, never for
/// merging. `"KC-O4I7 8"` and `"KC-0417 B"` share `"KC04178"`.
pub fn look_alike_key(text: &str) -> String {
    exact_key(text)
        .chars()
        .map(|character| match character {
            'O' => '0',
            'I' => '1',
            'S' => '5',
            'B' => '8',
            other => other,
        })
        .collect()
}

/// Spaces, hyphens and the dashes that word processors put in their place.
fn is_separator(character: char) -> bool {
    character.is_whitespace() || matches!(character, '-' | '\u{2010}'..='\u{2015}' | '\u{2212}')
}

/// Control characters, line breaks, and the format characters that print as nothing or turn the writing direction
/// (Unicode general category Cf as far as it occurs in pasted text) would make two marks look alike on paper.
fn is_printable(character: char) -> bool {
    !character.is_control()
        && !matches!(character,
            '\u{ad}' | '\u{61c}' | '\u{180e}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fff9}'..='\u{fffb}' | '\u{e0000}'..='\u{e007f}')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn case_spaces_and_hyphens_do_not_matter() {
        for written in [
            "KC-0417 B",
            "kc0417b",
            " Kc 0417-b ",
            "KC\u{2013}0417\u{a0}B",
            "K-C-0-4-1-7-B",
        ] {
            assert_eq!(exact_key(written), "KC0417B", "{written:?}");
        }
        assert_eq!(exact_key("ö-12"), "Ö12");
    }

    #[test]
    fn other_signs_and_leading_zeros_do_matter() {
        assert_ne!(exact_key("KC/417"), exact_key("KC417"));
        assert_ne!(exact_key("KC0417"), exact_key("KC417"));
        assert_ne!(look_alike_key("KC.417"), look_alike_key("KC417"));
    }

    #[test]
    fn look_alikes_are_candidates_and_not_the_same_mark() {
        for (one, other) in [
            ("0", "O"),
            ("1", "I"),
            ("5", "S"),
            ("8", "B"),
            ("KC-O4I7 8", "kc 0417b"),
        ] {
            assert_eq!(look_alike_key(one), look_alike_key(other), "{one} {other}");
            assert_ne!(exact_key(one), exact_key(other), "{one} {other}");
        }
        assert_ne!(look_alike_key("2"), look_alike_key("Z"));
        assert_ne!(look_alike_key("1"), look_alike_key("L"));
    }

    #[test]
    fn a_mark_has_one_to_sixty_four_printable_characters() {
        assert_eq!(check_mark("KC-0417 B"), Ok(()));
        assert_eq!(check_mark(&"9".repeat(64)), Ok(()));
        assert_eq!(check_mark(&format!(" {} ", "Ö".repeat(64))), Ok(()));
        assert_eq!(check_mark(&"9".repeat(65)), Err(MarkError::TooLong(65)));
        for nothing in ["", " ", "--", " - \u{2014} "] {
            assert_eq!(check_mark(nothing), Err(MarkError::Empty), "{nothing:?}");
        }
    }

    #[test]
    fn a_mark_with_a_character_that_does_not_print_is_refused_and_the_character_is_named() {
        for (mark, position, code) in [
            ("A\t1", 2, 9),
            ("A1\n", 3, 10),
            ("\0", 1, 0),
            ("A\u{200b}1", 2, 0x200b),
            ("\u{202e}1A", 1, 0x202e),
        ] {
            assert_eq!(
                check_mark(mark),
                Err(MarkError::NotPrintable { position, code }),
                "{mark:?}"
            );
        }
        let told = MarkError::NotPrintable { position: 2, code: 9 }.to_string();
        assert_eq!(
            told,
            "a mark has printable characters only; character 2 is U+0009"
        );
    }

    proptest! {
        #[test]
        fn the_way_a_mark_is_typed_never_changes_its_key(mark in "[A-Z0-9]{1,20}", noise in "[ -]{1,4}", cut in 0usize..20) {
            let cut = cut.min(mark.len());
            let typed = format!("{noise}{}{noise}{}{noise}", mark[..cut].to_lowercase(), &mark[cut..]);
            prop_assert_eq!(exact_key(&typed), &mark[..]);
            prop_assert_eq!(look_alike_key(&typed), look_alike_key(&mark));
        }

        #[test]
        fn a_key_is_its_own_key(mark in "\\PC{0,40}") {
            let exact = exact_key(&mark);
            prop_assert_eq!(exact_key(&exact), &exact[..]);
            prop_assert_eq!(look_alike_key(&exact), look_alike_key(&mark));
            let folded = look_alike_key(&mark);
            prop_assert_eq!(look_alike_key(&folded), &folded[..]);
        }

        #[test]
        fn one_exact_key_means_one_look_alike_key(one in "[aA0oO iIsS58bB1-]{0,6}", other in "[aA0oO iIsS58bB1-]{0,6}") {
            if exact_key(&one) == exact_key(&other) {
                prop_assert_eq!(look_alike_key(&one), look_alike_key(&other));
            }
        }
    }
}
