//! Which clamps a bulletin is about. What is not known of a clamp never spares it.

use super::InScopeBecause;
use crate::fold::ClampState;
use crate::ids::ModelId;
use crate::mark::{exact_key, look_alike_key};
use crate::reference::Reference;
use crate::words::LockoutReason;
use jiff::Timestamp;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// The clamps that a bulletin is about: those that fit everything which it says.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct BulletinScope {
    /// Their maker; whoever made them if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub maker: Option<String>,
    /// Their models; every model of the maker if none is named.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub models: Vec<ModelId>,
    /// Their serial numbers; every number if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub serials: Option<Serials>,
    /// First day of manufacture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub manufactured_from: Option<Date>,
    /// Last day of manufacture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub manufactured_until: Option<Date>,
}

/// Serial numbers: those in one of the ranges, listed, or fitting one of the patterns. Case, spaces and hyphens do not
/// matter.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Serials {
    /// Ranges, both ends in. A number of another form than every range counts as in scope.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub ranges: Vec<SerialRange>,
    /// Single numbers.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub numbers: Vec<String>,
    /// Patterns: `?` stands for one character, `#` for one digit, `*` for any number of characters.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub patterns: Vec<String>,
}

/// A range of serial numbers that differ in one group of digits, which count as a number.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct SerialRange {
    /// First number.
    pub first: String,
    /// Last number.
    pub last: String,
}

/// What is known of a clamp as far as a bulletin asks.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Identity<'a> {
    /// Its model; none if it is not known.
    pub model: Option<ModelId>,
    /// The model's maker.
    pub maker: Option<&'a str>,
    /// Its serial number.
    pub serial_number: Option<&'a str>,
    /// Its day of manufacture.
    pub manufactured_on: Option<Date>,
}

/// What one part of a scope says of a clamp: in, out, or in because something is left open.
enum Word {
    In,
    Out,
    Open(InScopeBecause),
}

/// A scope made ready to be asked about many clamps: every number in it was read once.
pub struct Matcher<'a> {
    scope: &'a BulletinScope,
    maker: Option<String>,
    serials: Option<Numbers>,
}

/// The numbers of a scope, by both keys.
struct Numbers {
    exact: Named,
    look_alike: Named,
}

/// Numbers read by one key.
struct Named {
    ranges: Vec<Counted>,
    numbers: BTreeSet<String>,
    patterns: Vec<Vec<char>>,
}

impl BulletinScope {
    /// Whether a clamp is in scope, and why.
    pub fn covers(&self, clamp: &Identity<'_>) -> Option<InScopeBecause> {
        Matcher::of(self).covers(clamp)
    }
}

impl<'a> Matcher<'a> {
    /// Reads a scope.
    pub fn of(scope: &'a BulletinScope) -> Self {
        Self {
            scope,
            maker: scope.maker.as_deref().map(exact_key),
            serials: scope.serials.as_ref().map(|serials| Numbers {
                exact: Named::of(serials, exact_key),
                look_alike: Named::of(serials, look_alike_key),
            }),
        }
    }

    /// Whether a clamp is in scope, and why; where several things are left open, the first of them.
    pub fn covers(&self, clamp: &Identity<'_>) -> Option<InScopeBecause> {
        let mut because = InScopeBecause::Named;
        for word in [self.model(clamp), self.date(clamp), self.serial(clamp)] {
            match word {
                Word::Out => return None,
                Word::In => {}
                Word::Open(open) if because == InScopeBecause::Named => because = open,
                Word::Open(_) => {}
            }
        }
        Some(because)
    }

    fn model(&self, clamp: &Identity<'_>) -> Word {
        if !self.scope.models.is_empty() {
            return match clamp.model {
                Some(model) if self.scope.models.contains(&model) => Word::In,
                Some(_) => Word::Out,
                None => Word::Open(InScopeBecause::ModelUnknown),
            };
        }
        match (&self.maker, clamp.maker) {
            (None, _) => Word::In,
            (Some(_), None) => Word::Open(InScopeBecause::ModelUnknown),
            (Some(wanted), Some(maker)) if *wanted == exact_key(maker) => Word::In,
            (Some(_), Some(_)) => Word::Out,
        }
    }

    fn date(&self, clamp: &Identity<'_>) -> Word {
        let (from, until) = (self.scope.manufactured_from, self.scope.manufactured_until);
        if from.is_none() && until.is_none() {
            return Word::In;
        }
        let Some(day) = clamp.manufactured_on else {
            return Word::Open(InScopeBecause::DateUnknown);
        };
        let inside = from.is_none_or(|first| first <= day) && until.is_none_or(|last| day <= last);
        if inside { Word::In } else { Word::Out }
    }

    fn serial(&self, clamp: &Identity<'_>) -> Word {
        let Some(numbers) = &self.serials else {
            return Word::In;
        };
        match clamp.serial_number {
            Some(number) => numbers.say(number),
            None => Word::Open(InScopeBecause::SerialUnknown),
        }
    }
}

impl Numbers {
    fn say(&self, number: &str) -> Word {
        let key = exact_key(number);
        if self.exact.contains(&key) {
            return Word::In;
        }
        if self.look_alike.contains(&look_alike_key(number)) {
            return Word::Open(InScopeBecause::SerialLooksAlike);
        }
        let ranges = &self.exact.ranges;
        if ranges.is_empty() || ranges.iter().any(|range| range.has_form(&key)) {
            Word::Out
        } else {
            Word::Open(InScopeBecause::SerialOtherForm)
        }
    }
}

impl Named {
    fn of(serials: &Serials, key: fn(&str) -> String) -> Self {
        Self {
            ranges: serials
                .ranges
                .iter()
                .filter_map(|range| range.counted(key))
                .collect(),
            numbers: serials.numbers.iter().map(|number| key(number)).collect(),
            patterns: serials
                .patterns
                .iter()
                .map(|pattern| key(pattern).chars().collect())
                .collect(),
        }
    }
    fn contains(&self, key: &str) -> bool {
        self.ranges.iter().any(|range| range.contains(key))
            || self.numbers.contains(key)
            || self.patterns.iter().any(|pattern| fits(pattern, key))
    }
}

impl Serials {
    /// Whether it names no number at all.
    pub fn is_empty(&self) -> bool {
        self.ranges.is_empty() && self.numbers.is_empty() && self.patterns.is_empty()
    }
}

impl SerialRange {
    /// The range as it counts; nothing if its ends do not differ in just one group of digits, or are in the wrong order.
    pub(super) fn counted(&self, key: fn(&str) -> String) -> Option<Counted> {
        let (first, last) = (key(&self.first), key(&self.last));
        let (first, last) = (groups(&first), groups(&last));
        if first.len() != last.len() {
            return None;
        }
        let differing: Vec<usize> = (0..first.len())
            .filter(|index| first.get(*index) != last.get(*index))
            .collect();
        let counts = match differing.as_slice() {
            [only] => *only,
            // One number only: any of its digits may be said to count.
            [] => first.iter().rposition(|group| is_digits(group))?,
            _ => return None,
        };
        let (from, to) = (first.get(counts)?, last.get(counts)?);
        let is_ordered = is_digits(from) && is_digits(to) && from.len() == to.len() && from <= to;
        is_ordered.then(|| Counted {
            before: first.iter().take(counts).copied().collect(),
            from: (*from).to_owned(),
            to: (*to).to_owned(),
            after: first.iter().skip(counts + 1).copied().collect(),
        })
    }
}

/// A range with the group of digits that counts.
pub(super) struct Counted {
    before: String,
    from: String,
    to: String,
    after: String,
}

impl Counted {
    /// The digits that count of a number of this range's form: of the same digits, so that they compare as numbers do.
    fn digits<'a>(&self, key: &'a str) -> Option<&'a str> {
        let digits = key
            .strip_prefix(self.before.as_str())?
            .strip_suffix(self.after.as_str())?;
        (digits.len() == self.from.len() && is_digits(digits)).then_some(digits)
    }
    fn has_form(&self, key: &str) -> bool {
        self.digits(key).is_some()
    }
    fn contains(&self, key: &str) -> bool {
        self.digits(key)
            .is_some_and(|digits| self.from.as_str() <= digits && digits <= self.to.as_str())
    }
}

fn is_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit())
}

/// The groups of a number: digits and what is between them.
fn groups(key: &str) -> Vec<&str> {
    let mut groups = Vec::new();
    let mut start = 0;
    let mut before: Option<bool> = None;
    for (place, character) in key.char_indices() {
        let is_digit = character.is_ascii_digit();
        if before.is_some_and(|before| before != is_digit) {
            groups.extend(key.get(start..place));
            start = place;
        }
        before = Some(is_digit);
    }
    groups.extend(key.get(start..).filter(|rest| !rest.is_empty()));
    groups
}

/// Whether a number fits a pattern.
fn fits(pattern: &[char], number: &str) -> bool {
    let number: Vec<char> = number.chars().collect();
    // Which beginnings of the number the pattern read so far fits.
    let mut reached: Vec<bool> = std::iter::once(true)
        .chain(number.iter().map(|_| false))
        .collect();
    for sign in pattern.iter().copied() {
        let mut next = vec![false; reached.len()];
        let mut any = false;
        for (place, fits) in reached.iter().enumerate() {
            any |= fits;
            if sign == '*' {
                if let Some(here) = next.get_mut(place) {
                    *here = any;
                }
                continue;
            }
            let Some(character) = number.get(place).filter(|_| *fits) else {
                continue;
            };
            let same = match sign {
                '?' => true,
                '#' => character.is_ascii_digit(),
                sign => sign == *character,
            };
            if let Some(there) = next.get_mut(place + 1).filter(|_| same) {
                *there = true;
            }
        }
        reached = next;
    }
    reached.last().copied().unwrap_or(false)
}

/// Whether a clamp is in scope at an instant, and why. While its rating or identity is in doubt, every model counts that
/// anybody named; while its identity or number is, its serial number is not known.
pub fn covers(
    scope: &Matcher<'_>,
    state: &ClampState,
    reference: &Reference,
    at: Timestamp,
) -> Option<InScopeBecause> {
    let open = state.open_lockouts();
    let is_in_doubt = |doubts: &[LockoutReason]| {
        let doubted = |reason: LockoutReason| doubts.contains(&reason);
        open.iter().any(|lockout| lockout.reason.is_some_and(doubted))
    };
    let serial_number = state
        .serial_number()
        .filter(|_| !is_in_doubt(&[LockoutReason::IdentityInDoubt, LockoutReason::NumberInDoubt]));
    let mut models: Vec<Option<ModelId>> =
        if is_in_doubt(&[LockoutReason::RatingInDoubt, LockoutReason::IdentityInDoubt]) {
            state.claimed_models().map(Some).collect()
        } else {
            vec![state.model_id()]
        };
    if models.is_empty() {
        models.push(None);
    }
    models
        .into_iter()
        .filter_map(|model| {
            let version = model.and_then(|model| reference.model_at(model, at));
            scope.covers(&Identity {
                model: version.and(model),
                maker: version.map(|version| version.value.maker.as_str()),
                serial_number: serial_number.as_deref(),
                manufactured_on: state.manufactured_on(),
            })
        })
        .min()
}
