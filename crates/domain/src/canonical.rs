//! Canonical JSON after RFC 8785, restricted to what has one form only.
//!
//! Floats, integers beyond 2^53 and deep nesting are refused rather than rounded: two different facts must never have
//! one hash. Bytes made here are stored and hashed; nothing reads them and canonicalises again.

use serde::Serialize;
use serde_json::Serializer;
use serde_json::ser::{CharEscape, CompactFormatter, Formatter};
use sha2::{Digest, Sha256};
use std::cmp::Ordering;
use std::io::{self, Write};

/// Deepest nesting of objects and arrays.
pub const MAX_DEPTH: usize = 32;
/// Largest integer that every JSON implementation reads exactly: 2^53 − 1 (RFC 8785 section 3.2.2.3, RFC 7493).
pub const MAX_INTEGER: u64 = (1 << 53) - 1;

/// Why a value has no canonical form.
#[derive(Debug, thiserror::Error)]
pub enum CanonicalError {
    /// A number that is not an integer, or is too large.
    #[error("{0} is not an integer of at most 2^53 − 1; write a decimal as a string")]
    Number(String),
    /// Nested too deeply.
    #[error("nested more than {MAX_DEPTH} deep")]
    TooDeep,
    /// A name that is given twice.
    #[error("{0} is given twice")]
    Twice(String),
    /// Not JSON at all.
    #[error("not representable as JSON: {0}")]
    NotJson(#[from] serde_json::Error),
}

/// The canonical bytes of a value.
pub fn to_bytes(value: &impl Serialize) -> Result<Vec<u8>, CanonicalError> {
    let mut written = Written::default();
    // It goes into `written`: the members of an object are sorted once all are there.
    let mut serializer = Serializer::with_formatter(io::sink(), Canonical(&mut written));
    let done = value.serialize(&mut serializer);
    match (done, written.refused) {
        (Ok(()), None) => Ok(written.bytes),
        (_, Some(refused)) => Err(refused),
        (Err(error), None) => Err(error.into()),
    }
}

/// SHA-256.
pub fn sha256(parts: &[&[u8]]) -> [u8; 32] {
    let mut hasher = Sha256::new();
    for part in parts {
        hasher.update(part);
    }
    hasher.finalize().into()
}

/// What is written so far.
#[derive(Default)]
struct Written {
    bytes: Vec<u8>,
    /// The members of every object that is not closed yet, the outermost first.
    members: Vec<Member>,
    /// For each object and array that is open, how many members those around it have.
    open: Vec<usize>,
    refused: Option<CanonicalError>,
}

/// Where a member of an object stands.
struct Member {
    from: usize,
    name_to: usize,
    to: usize,
}

impl Written {
    fn name(&self, member: &Member) -> &[u8] {
        self.bytes.get(member.from..member.name_to).unwrap_or_default()
    }
    fn refuse<T>(&mut self, why: CanonicalError) -> io::Result<T> {
        self.refused.get_or_insert(why);
        Err(io::ErrorKind::InvalidData.into())
    }
    fn integer(&mut self, value: impl Into<i128>) -> io::Result<()> {
        let value = value.into();
        if value.unsigned_abs() > u128::from(MAX_INTEGER) {
            return self.refuse(CanonicalError::Number(value.to_string()));
        }
        self.bytes.extend_from_slice(value.to_string().as_bytes());
        Ok(())
    }
    fn open(&mut self, bracket: u8) -> io::Result<()> {
        if self.open.len() >= MAX_DEPTH {
            return self.refuse(CanonicalError::TooDeep);
        }
        self.open.push(self.members.len());
        self.bytes.push(bracket);
        Ok(())
    }
    /// Sorts the members of the innermost object, and forgets where they were.
    fn close_object(&mut self) -> io::Result<()> {
        let first = self.open.pop().unwrap_or_default();
        let mut own = self.members.split_off(first.min(self.members.len()));
        let begins = own.first().map_or(self.bytes.len(), |member| member.from);
        let in_order = |a: &Member, b: &Member| by_name(self.name(a), self.name(b)) == Ordering::Less;
        if !own.is_sorted_by(in_order) {
            own.sort_by(|a, b| by_name(self.name(a), self.name(b)));
            if let Some([twice, _]) = own.array_windows().find(|[a, b]| !in_order(a, b)) {
                let name = String::from_utf8_lossy(self.name(twice)).into_owned();
                return self.refuse(CanonicalError::Twice(name));
            }
            let mut sorted = Vec::with_capacity(self.bytes.len().saturating_sub(begins));
            for member in own {
                if !sorted.is_empty() {
                    sorted.push(b',');
                }
                sorted.extend_from_slice(self.bytes.get(member.from..member.to).unwrap_or_default());
            }
            self.bytes.truncate(begins);
            self.bytes.append(&mut sorted);
        }
        self.bytes.push(b'}');
        Ok(())
    }
}

/// The order of members: that of the UTF-16 code units of their names (RFC 8785 section 3.2.3). Given as they are written.
fn by_name(a: &[u8], b: &[u8]) -> Ordering {
    let is_plain = |name: &[u8]| name.is_ascii() && !name.contains(&b'\\');
    if is_plain(a) && is_plain(b) {
        // Without the quotation mark at the end, which is no part of it.
        return a.strip_suffix(b"\"").cmp(&b.strip_suffix(b"\""));
    }
    let units = |name: &[u8]| -> Vec<u16> {
        let name: String = serde_json::from_slice(name).unwrap_or_default();
        name.encode_utf16().collect()
    };
    units(a).cmp(&units(b))
}

/// Writes as RFC 8785 says, numbers but for integers aside. Escapes of texts are those of its section 3.2.2.2.
///
/// Every entry is written several times on its way: a general writer, which has floats to format, takes four times as long.
/// It is what this one is held against in the tests.
struct Canonical<'w>(&'w mut Written);

macro_rules! integers {
    ($($name:ident: $type:ty),+ $(,)?) => {
        $(fn $name<W: ?Sized + Write>(&mut self, _: &mut W, value: $type) -> io::Result<()> {
            self.0.integer(value)
        })+
    };
}

impl Formatter for Canonical<'_> {
    integers!(
        write_i8: i8, write_i16: i16, write_i32: i32, write_i64: i64, write_i128: i128,
        write_u8: u8, write_u16: u16, write_u32: u32, write_u64: u64,
    );
    fn write_u128<W: ?Sized + Write>(&mut self, _: &mut W, value: u128) -> io::Result<()> {
        match i128::try_from(value) {
            Ok(value) => self.0.integer(value),
            Err(_) => self.0.refuse(CanonicalError::Number(value.to_string())),
        }
    }
    fn write_f32<W: ?Sized + Write>(&mut self, _: &mut W, value: f32) -> io::Result<()> {
        self.0.refuse(CanonicalError::Number(value.to_string()))
    }
    fn write_f64<W: ?Sized + Write>(&mut self, _: &mut W, value: f64) -> io::Result<()> {
        self.0.refuse(CanonicalError::Number(value.to_string()))
    }
    fn write_number_str<W: ?Sized + Write>(&mut self, _: &mut W, value: &str) -> io::Result<()> {
        self.0.refuse(CanonicalError::Number(value.to_owned()))
    }
    fn write_null<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        CompactFormatter.write_null(&mut self.0.bytes)
    }
    fn write_bool<W: ?Sized + Write>(&mut self, _: &mut W, value: bool) -> io::Result<()> {
        CompactFormatter.write_bool(&mut self.0.bytes, value)
    }
    fn begin_string<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        CompactFormatter.begin_string(&mut self.0.bytes)
    }
    fn end_string<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        CompactFormatter.end_string(&mut self.0.bytes)
    }
    fn write_string_fragment<W: ?Sized + Write>(&mut self, _: &mut W, fragment: &str) -> io::Result<()> {
        CompactFormatter.write_string_fragment(&mut self.0.bytes, fragment)
    }
    fn write_char_escape<W: ?Sized + Write>(&mut self, _: &mut W, escape: CharEscape) -> io::Result<()> {
        CompactFormatter.write_char_escape(&mut self.0.bytes, escape)
    }
    fn begin_array<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        self.0.open(b'[')
    }
    fn end_array<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        self.0.open.pop();
        CompactFormatter.end_array(&mut self.0.bytes)
    }
    fn begin_array_value<W: ?Sized + Write>(&mut self, _: &mut W, first: bool) -> io::Result<()> {
        CompactFormatter.begin_array_value(&mut self.0.bytes, first)
    }
    fn begin_object<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        self.0.open(b'{')
    }
    fn end_object<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        self.0.close_object()
    }
    fn begin_object_key<W: ?Sized + Write>(&mut self, _: &mut W, first: bool) -> io::Result<()> {
        CompactFormatter.begin_object_key(&mut self.0.bytes, first)?;
        let from = self.0.bytes.len();
        self.0.members.push(Member {
            from,
            name_to: from,
            to: from,
        });
        Ok(())
    }
    fn end_object_key<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        let here = self.0.bytes.len();
        if let Some(member) = self.0.members.last_mut() {
            member.name_to = here;
        }
        Ok(())
    }
    fn begin_object_value<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        CompactFormatter.begin_object_value(&mut self.0.bytes)
    }
    fn end_object_value<W: ?Sized + Write>(&mut self, _: &mut W) -> io::Result<()> {
        let here = self.0.bytes.len();
        if let Some(member) = self.0.members.last_mut() {
            member.to = here;
        }
        Ok(())
    }
    fn write_raw_fragment<W: ?Sized + Write>(&mut self, _: &mut W, _: &str) -> io::Result<()> {
        self.0
            .refuse(CanonicalError::NotJson(serde::ser::Error::custom("as it came")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::{Value, json};

    #[test]
    fn members_are_sorted_by_utf16_code_units_and_nothing_is_escaped_that_need_not_be() {
        // RFC 8785 section 3.2.3: the example's member order, reduced to strings.
        let value = json!({"\u{20ac}": "Euro Sign", "\r": "Carriage Return", "\u{fb33}": "Hebrew Letter Dalet With Dagesh",
            "1": "One", "\u{1f600}": "Emoji: Grinning Face", "\u{80}": "Control", "\u{f6}": "Latin Small Letter O With Diaeresis"});
        let text = String::from_utf8(to_bytes(&value).unwrap()).unwrap();
        let order: Vec<usize> = [
            "Carriage Return",
            "One",
            "Control",
            "Latin Small",
            "Euro",
            "Emoji",
            "Hebrew",
        ]
        .iter()
        .map(|word| text.find(word).unwrap())
        .collect();
        assert!(order.is_sorted(), "{text}");
        assert!(text.contains("\"\\r\""));
    }

    #[test]
    fn a_number_with_two_readings_is_refused_rather_than_rounded() {
        assert!(matches!(
            to_bytes(&json!({"a": 0.1})),
            Err(CanonicalError::Number(_))
        ));
        assert!(matches!(
            to_bytes(&json!(9_007_199_254_740_993_u64)),
            Err(CanonicalError::Number(_))
        ));
        assert_eq!(
            to_bytes(&json!(9_007_199_254_740_991_u64)).unwrap(),
            b"9007199254740991"
        );
        assert_eq!(
            to_bytes(&json!(-9_007_199_254_740_991_i64)).unwrap(),
            b"-9007199254740991"
        );
    }

    /// Any value with a canonical form: names and texts of every plane, integers up to the largest.
    fn any_value() -> impl Strategy<Value = Value> {
        let largest = i64::try_from(MAX_INTEGER).unwrap();
        let leaf = prop_oneof![
            Just(Value::Null),
            any::<bool>().prop_map(Value::from),
            (-largest..=largest).prop_map(Value::from),
            any::<String>().prop_map(Value::from),
            "[\\x00-\\x7f]{0,12}".prop_map(Value::from),
        ];
        let name = prop_oneof!["[a-z_]{0,8}", any::<String>()];
        leaf.prop_recursive(4, 64, 8, move |inner| {
            prop_oneof![
                prop::collection::vec(inner.clone(), 0..8).prop_map(Value::from),
                prop::collection::vec((name.clone(), inner), 0..8)
                    .prop_map(|fields| Value::Object(fields.into_iter().collect())),
            ]
        })
    }

    proptest! {
        // Oracle: the crate serde_json_canonicalizer, which knows nothing of ours.
        #[test]
        fn every_value_is_written_as_a_general_writer_of_rfc_8785_writes_it(value in any_value()) {
            let ours = String::from_utf8(to_bytes(&value).unwrap()).unwrap();
            prop_assert_eq!(ours, serde_json_canonicalizer::to_string(&value).unwrap());
        }
    }

    // Method: a list of pairs that says it is an object, as a flattened field can.
    #[test]
    fn a_name_that_is_given_twice_is_refused() {
        struct Pairs(Vec<(&'static str, u8)>);
        impl Serialize for Pairs {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_map(self.0.iter().copied())
            }
        }
        let twice = Pairs(vec![("b", 1), ("a", 2), ("b", 1)]);
        assert!(matches!(to_bytes(&twice), Err(CanonicalError::Twice(name)) if name == "\"b\""));
        let once = Pairs(vec![("b", 1), ("a", 2), ("ab", 3), ("", 4), ("a!", 5)]);
        assert_eq!(to_bytes(&once).unwrap(), br#"{"":4,"a":2,"a!":5,"ab":3,"b":1}"#);
    }

    #[test]
    fn nesting_has_a_limit() {
        let deep = (0..MAX_DEPTH).fold(json!(1), |inner, _| json!([inner]));
        assert!(to_bytes(&deep).is_ok());
        assert!(matches!(to_bytes(&json!([deep])), Err(CanonicalError::TooDeep)));
    }
}
