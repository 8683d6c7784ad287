//! Cutting JSON apart without reading it: where members and items begin and end, whatever stands between.
//!
//! For batches whose elements are read one by one, so that one which is no JSON does not spoil the others, and for what can
//! still be made out of an element that cannot be read. Nothing here is taken for true; only brackets and quotes count.

/// The members of an object as they stand there, in their order; nothing where brackets or quotes do not match.
pub fn members(bytes: &[u8]) -> Option<Vec<(String, &[u8])>> {
    let mut scan = Scan { bytes, at: 0 };
    scan.open(b'{')?;
    let mut members = Vec::new();
    if scan.closes(b'}') {
        return scan.ends().then_some(members);
    }
    loop {
        scan.space();
        let key = scan.string()?;
        scan.space();
        scan.one(b':')?;
        let value = scan.value()?;
        let name = serde_json::from_slice(key).unwrap_or_else(|_| String::from_utf8_lossy(key).into_owned());
        members.push((name, value));
        if scan.closes(b'}') {
            return scan.ends().then_some(members);
        }
        scan.one(b',')?;
    }
}

/// The items of a list as they stand there; nothing where brackets or quotes do not match.
pub fn items(bytes: &[u8]) -> Option<Vec<&[u8]>> {
    let mut scan = Scan { bytes, at: 0 };
    scan.open(b'[')?;
    let mut items = Vec::new();
    if scan.closes(b']') {
        return scan.ends().then_some(items);
    }
    loop {
        items.push(scan.value()?);
        if scan.closes(b']') {
            return scan.ends().then_some(items);
        }
        scan.one(b',')?;
    }
}

struct Scan<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Scan<'a> {
    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }
    fn step(&mut self) {
        self.at = self.at.saturating_add(1);
    }
    fn space(&mut self) {
        while self.peek().is_some_and(|byte| byte.is_ascii_whitespace()) {
            self.step();
        }
    }
    fn one(&mut self, wanted: u8) -> Option<()> {
        (self.peek()? == wanted).then(|| self.step())
    }
    fn open(&mut self, wanted: u8) -> Option<()> {
        self.space();
        self.one(wanted)
    }
    fn closes(&mut self, wanted: u8) -> bool {
        self.space();
        self.one(wanted).is_some()
    }
    fn ends(&mut self) -> bool {
        self.space();
        self.peek().is_none()
    }
    /// A text with its quotes.
    fn string(&mut self) -> Option<&'a [u8]> {
        let from = self.at;
        self.one(b'"')?;
        loop {
            match self.peek()? {
                b'"' => {
                    self.step();
                    return self.bytes.get(from..self.at);
                }
                b'\\' => {
                    self.step();
                    self.peek()?;
                    self.step();
                }
                _ => self.step(),
            }
        }
    }
    /// A value up to the comma or bracket after it, without the space around it.
    fn value(&mut self) -> Option<&'a [u8]> {
        self.space();
        let from = self.at;
        let mut open = Vec::new();
        loop {
            match self.peek()? {
                b'"' => {
                    self.string()?;
                }
                b'[' => {
                    open.push(b']');
                    self.step();
                }
                b'{' => {
                    open.push(b'}');
                    self.step();
                }
                closing @ (b']' | b'}') => match open.pop() {
                    Some(wanted) if wanted == closing => self.step(),
                    Some(_) => return None,
                    None => break,
                },
                b',' if open.is_empty() => break,
                _ => self.step(),
            }
        }
        let value = self.bytes.get(from..self.at)?.trim_ascii();
        (!value.is_empty()).then_some(value)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(items: Option<Vec<&[u8]>>) -> Option<Vec<String>> {
        let items = items?.into_iter();
        Some(
            items
                .map(|item| String::from_utf8_lossy(item).into_owned())
                .collect(),
        )
    }

    #[test]
    fn items_are_cut_apart_whatever_they_are() {
        let text = br#" [ {"a": "]}\"," , "b": [1, {}]}, NaN , "\ud800", {"a":1,"a":2} , [[[]]], 9007199254740993 ] "#;
        assert_eq!(
            texts(items(text)).unwrap(),
            [
                r#"{"a": "]}\"," , "b": [1, {}]}"#,
                "NaN",
                r#""\ud800""#,
                r#"{"a":1,"a":2}"#,
                "[[[]]]",
                "9007199254740993"
            ]
        );
        assert_eq!(texts(items(b"[]")), Some(vec![]));
        assert_eq!(items(b"[\xff\xfe, 1]").unwrap().len(), 2);
    }

    #[test]
    fn ten_thousand_levels_are_one_item() {
        let deep = format!("[{}{}]", "[".repeat(10_000), "]".repeat(10_000));
        assert_eq!(items(deep.as_bytes()).unwrap().len(), 1);
    }

    #[test]
    fn what_does_not_match_is_nothing() {
        for torn in [
            "", "[", "[1", "[1,", "[1,]", "[,1]", "[\"a]", "[{]", "[}]", "[1] 2", "{}", "[\"\\",
        ] {
            assert_eq!(items(torn.as_bytes()), None, "{torn}");
        }
        for torn in [
            "",
            "{",
            "{\"a\"",
            "{\"a\":",
            "{\"a\":}",
            "{a: 1}",
            "{\"a\": 1,}",
            "{\"a\": 1} 2",
            "[]",
        ] {
            assert_eq!(members(torn.as_bytes()), None, "{torn}");
        }
    }

    #[test]
    fn members_keep_their_order_and_come_as_often_as_they_stand_there() {
        let members = members(br#"{"id": "x", "\u006bind":"y" ,"id": {"id": 1}}"#).unwrap();
        let members: Vec<(String, String)> = members
            .into_iter()
            .map(|(name, value)| (name, String::from_utf8_lossy(value).into_owned()))
            .collect();
        let told = |name: &str, value: &str| (name.to_owned(), value.to_owned());
        assert_eq!(
            members,
            [
                told("id", "\"x\""),
                told("kind", "\"y\""),
                told("id", "{\"id\": 1}")
            ]
        );
    }
}
