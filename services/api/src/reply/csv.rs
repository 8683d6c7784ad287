//! Rows of CSV (RFC 4180) that a spreadsheet shows as they are and never computes.

use rust_decimal::Decimal;
use std::fmt::Display;

/// Something that is one row.
pub trait Columns {
    /// The headings, in order; published with the list.
    const NAMES: &'static [&'static str];
    /// Fills the row: one cell for each heading.
    fn cells(&self, row: &mut Cells<'_>);
}

/// A row that is being filled.
pub struct Cells<'a> {
    record: &'a mut csv::StringRecord,
    text: String,
}

impl Cells<'_> {
    /// A text that somebody entered: where a spreadsheet would take it, or a part of it, for a formula, an apostrophe
    /// goes before that.
    pub fn text(&mut self, text: &str) -> &mut Self {
        self.text.clear();
        if text.starts_with(BEGINS_NOTHING) {
            self.text.push('\'');
        }
        let mut begins = true;
        for letter in text.chars() {
            if begins && BEGINS_FORMULA.contains(&letter) {
                self.text.push('\'');
            }
            // Where a comma is the decimal sign, spreadsheets split at semicolons, whatever stands in quotes.
            begins = SEPARATES.contains(&letter) || (begins && letter.is_whitespace());
            self.text.push(letter);
        }
        self.record.push_field(&self.text);
        self
    }
    /// The same; empty where there is none.
    pub fn maybe_text(&mut self, text: Option<&str>) -> &mut Self {
        self.text(text.unwrap_or_default())
    }
    /// A number, an id, a time or a word of our own: nothing that anybody can make up.
    pub fn plain(&mut self, value: impl Display) -> &mut Self {
        use std::fmt::Write;
        self.text.clear();
        // Writing to a text does not fail.
        let _written = write!(self.text, "{value}");
        self.record.push_field(&self.text);
        self
    }
    /// The same; empty where there is none.
    pub fn maybe(&mut self, value: Option<impl Display>) -> &mut Self {
        match value {
            Some(value) => self.plain(value),
            None => self.text(""),
        }
    }
    /// Several words of our own in one cell, separated by spaces.
    pub fn words(&mut self, words: impl IntoIterator<Item = impl Display>) -> &mut Self {
        let words: Vec<String> = words.into_iter().map(|word| word.to_string()).collect();
        self.plain(words.join(" "))
    }
    /// A quantity in two cells: its number and its unit.
    pub fn quantity(&mut self, quantity: Option<(Decimal, &str)>) -> &mut Self {
        let (value, unit) = quantity.unzip();
        self.maybe(value).maybe(unit)
    }
}

/// What a spreadsheet may compute from. Source: OWASP, CSV Injection; ASVS 5.0 requirement 1.2.10.
const BEGINS_FORMULA: [char; 8] = ['=', '+', '-', '@', '＝', '＋', '－', '＠'];
/// What a spreadsheet may leave out before it looks.
const BEGINS_NOTHING: [char; 4] = ['\t', '\r', '\n', '\0'];
/// Where a spreadsheet may begin another cell.
const SEPARATES: [char; 5] = [';', '|', '\t', '\r', '\n'];

/// A whole table whose headings depend on what was asked for.
pub fn table<R>(
    heading: &[&str],
    rows: &[R],
    fill: impl Fn(&R, &mut Cells<'_>),
) -> Result<Vec<u8>, csv::Error> {
    let mut out = Vec::new();
    let mut writer = writer(&mut out);
    writer.write_record(heading)?;
    let mut record = csv::StringRecord::new();
    for row in rows {
        record.clear();
        let mut cells = Cells {
            record: &mut record,
            text: String::new(),
        };
        fill(row, &mut cells);
        writer.write_record(&record)?;
    }
    writer.flush()?;
    drop(writer);
    Ok(out)
}

/// Writes the heading.
pub(super) fn heading<T: Columns>(out: &mut Vec<u8>) -> Result<(), csv::Error> {
    writer(out).write_record(T::NAMES)
}

/// Writes one row after another.
pub(super) struct Rows<'a> {
    writer: csv::Writer<&'a mut Vec<u8>>,
    record: csv::StringRecord,
}

impl<'a> Rows<'a> {
    /// Onto the end of `out`.
    pub fn new(out: &'a mut Vec<u8>) -> Self {
        Self {
            writer: writer(out),
            record: csv::StringRecord::new(),
        }
    }
    /// Writes a row.
    pub fn write<T: Columns>(&mut self, row: &T) -> Result<(), csv::Error> {
        self.record.clear();
        let mut cells = Cells {
            record: &mut self.record,
            text: String::new(),
        };
        row.cells(&mut cells);
        self.writer.write_record(&self.record)
    }
    /// Hands everything over.
    pub fn finish(mut self) -> Result<(), csv::Error> {
        Ok(self.writer.flush()?)
    }
}

fn writer(out: &mut Vec<u8>) -> csv::Writer<&mut Vec<u8>> {
    csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Note(&'static str, Option<i8>);
    impl Columns for Note {
        const NAMES: &'static [&'static str] = &["note", "number"];
        fn cells(&self, row: &mut Cells<'_>) {
            row.text(self.0).maybe(self.1);
        }
    }

    fn written(notes: &[Note]) -> String {
        let mut out = Vec::new();
        heading::<Note>(&mut out).expect("a heading");
        let mut rows = Rows::new(&mut out);
        for note in notes {
            rows.write(note).expect("a row");
        }
        rows.finish().expect("the end");
        String::from_utf8(out).expect("UTF-8")
    }

    // Source: RFC 4180 section 2: CRLF after each record, fields with CRLF, commas or quotes in quotes, quotes doubled.
    #[test]
    fn a_row_is_quoted_where_it_has_to_be_and_ends_with_crlf() {
        let notes = [
            Note("plain", Some(7)),
            Note("a, b", None),
            Note("he said \"no\"", None),
            Note("two\r\nlines", None),
        ];
        assert_eq!(
            written(&notes),
            "note,number\r\nplain,7\r\n\"a, b\",\r\n\"he said \"\"no\"\"\",\r\n\"two\r\nlines\",\r\n"
        );
    }

    // Source: OWASP, CSV Injection: cells that begin with one of = + - @ TAB CR are computed by spreadsheets.
    #[test]
    fn a_text_that_a_spreadsheet_would_compute_is_escaped_and_a_number_of_ours_is_not() {
        for start in ["=", "+", "-", "@", "\t", "\r", "\n", "＝"] {
            let text: &'static str = Box::leak(format!("{start}HYPERLINK(1)").into_boxed_str());
            let out = written(&[Note(text, Some(-4))]);
            let row = out.strip_prefix("note,number\r\n").expect("a heading");
            let cell = row.trim_start_matches('"');
            assert!(cell.starts_with(&format!("'{start}")), "{out:?}");
            assert!(row.ends_with(",-4\r\n"), "{out:?}");
        }
        assert_eq!(written(&[Note("a=1", None)]), "note,number\r\na=1,\r\n");
    }
}
