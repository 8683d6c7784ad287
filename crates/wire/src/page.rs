//! Pages of lists: keyset pages with an opaque key, never an offset.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Items of a page if none are asked for.
pub const DEFAULT_LIMIT: u32 = 50;
/// Most items of a page.
pub const MAX_LIMIT: u32 = 200;

/// One page of a list.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Page<T> {
    /// The items, in the list's order.
    pub items: Vec<T>,
    /// Give it as `after` to get what follows; null on the last page.
    #[schema(required = true)]
    pub next: Option<String>,
}

impl<T> Page<T> {
    /// A page out of one item more than its limit: the surplus item only says that there is more.
    pub fn from_surplus(mut items: Vec<T>, limit: u32, key: impl Fn(&T) -> String) -> Self {
        let limit = usize::try_from(limit).unwrap_or(usize::MAX);
        let more = items.len() > limit;
        items.truncate(limit);
        let next = if more {
            items.last().map(|item| encode_key(&key(item)))
        } else {
            None
        };
        Self { items, next }
    }
    /// The same page with every item turned into another form.
    pub fn map<U>(self, turn: impl FnMut(T) -> U) -> Page<U> {
        Page {
            items: self.items.into_iter().map(turn).collect(),
            next: self.next,
        }
    }
}

/// Makes a key opaque, so that nobody builds one by hand.
pub fn encode_key(key: &str) -> String {
    URL_SAFE_NO_PAD.encode(key)
}

/// Reads an opaque key back.
pub fn decode_key(text: &str) -> Option<String> {
    let bytes = URL_SAFE_NO_PAD.decode(text).ok()?;
    String::from_utf8(bytes).ok().filter(|key| !key.contains('\0'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_names_what_follows_only_if_something_follows() {
        let full = Page::from_surplus(vec!["a".to_owned(), "b".to_owned()], 2, Clone::clone);
        assert_eq!(full.next, None);
        let cut = Page::from_surplus(
            vec!["a".to_owned(), "b".to_owned(), "c".to_owned()],
            2,
            Clone::clone,
        );
        assert_eq!(cut.items, ["a", "b"]);
        assert_eq!(cut.next.as_deref().and_then(decode_key).as_deref(), Some("b"));
    }

    #[test]
    fn a_key_made_by_hand_is_not_read() {
        assert_eq!(decode_key("not base64!"), None);
        assert_eq!(decode_key(&encode_key("a\0b")), None);
    }
}
