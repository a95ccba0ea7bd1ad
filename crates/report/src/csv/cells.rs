//! Cells and records: quoting, numbers, and text that a spreadsheet must not take for a formula.

use super::Dialect;
use crate::table::Title;

/// The record that is being written at the end of a buffer.
#[derive(Debug)]
pub(super) struct Record<'a> {
    out: &'a mut Vec<u8>,
    dialect: Dialect,
    is_empty: bool,
}

impl<'a> Record<'a> {
    pub(super) fn new(out: &'a mut Vec<u8>, dialect: Dialect) -> Self {
        Self {
            out,
            dialect,
            is_empty: true,
        }
    }

    /// Ends the record. One that is not ended lacks its line end, which the tests would see.
    pub(super) fn end(self) {
        self.out.extend_from_slice(b"\r\n");
    }

    fn next(&mut self) -> &mut Vec<u8> {
        if !self.is_empty {
            self.out.push(self.dialect.separator());
        }
        self.is_empty = false;
        self.out
    }

    pub(super) fn empty(&mut self) {
        self.next();
    }

    pub(super) fn text(&mut self, text: &str) {
        let dialect = self.dialect;
        push_text(self.next(), text, dialect);
    }

    /// A cell that [`text_cell`] made, or one that needs no quoting by its making.
    pub(super) fn ready(&mut self, cell: &[u8]) {
        self.next().extend_from_slice(cell);
    }

    pub(super) fn integer(&mut self, number: i64) {
        let mut digits = itoa::Buffer::new();
        self.next()
            .extend_from_slice(digits.format(number).as_bytes());
    }

    /// The fewest digits that read back as the same number; an empty cell for one that is not finite.
    pub(super) fn number(&mut self, number: f64) {
        if !number.is_finite() {
            return self.empty();
        }
        let mut digits = zmij::Buffer::new();
        let digits = digits.format_finite(number);
        match (self.dialect, digits.split_once('.')) {
            (Dialect::Semicolon, Some((whole, part))) => {
                let out = self.next();
                out.extend_from_slice(whole.as_bytes());
                out.push(b',');
                out.extend_from_slice(part.as_bytes());
            }
            _ => self.next().extend_from_slice(digits.as_bytes()),
        }
    }
}

/// Appends the heading.
pub(super) fn write_head(titles: &[Title], dialect: Dialect, out: &mut Vec<u8>) {
    let mut record = Record::new(out, dialect);
    for title in titles {
        record.text(&title.text);
    }
    record.end();
}

/// A text cell, ready for many records.
pub(super) fn text_cell(text: &str, dialect: Dialect) -> Vec<u8> {
    let mut cell = Vec::with_capacity(text.len() + 2);
    push_text(&mut cell, text, dialect);
    cell
}

fn push_text(out: &mut Vec<u8>, text: &str, dialect: Dialect) {
    let guard = if is_formula(text) { "'" } else { "" };
    let needs_quotes = text.bytes().any(|byte| {
        matches!(byte, b',' | b';' | b'"' | b'\r' | b'\n') || byte == dialect.separator()
    });
    if !needs_quotes {
        out.extend_from_slice(guard.as_bytes());
        out.extend_from_slice(text.as_bytes());
        return;
    }
    out.push(b'"');
    out.extend_from_slice(guard.as_bytes());
    out.extend_from_slice(text.replace('"', "\"\"").as_bytes());
    out.push(b'"');
}

/// True for a text that a spreadsheet would run, or strip down to one that it would. A leading
/// apostrophe makes it text there. Numbers never come this way, so that -12.3 stays a number.
pub(crate) fn is_formula(text: &str) -> bool {
    text.starts_with(['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn record(dialect: Dialect, cells: &[&str]) -> String {
        let mut out = Vec::new();
        let mut record = Record::new(&mut out, dialect);
        for cell in cells {
            record.text(cell);
        }
        record.end();
        String::from_utf8(out).unwrap()
    }

    /// The examples of RFC 4180 (October 2005), section 2, rule by rule: as printed there, and what we write of the
    /// same fields. Rule 2 lets a writer end the last record and rule 5 leaves it free to quote fields that need
    /// none: we end, and do not quote. A field that must be quoted (rules 6 and 7) is the same to the byte.
    const EXAMPLES: [(u8, &str, &str); 7] = [
        (
            1,
            "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
            "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
        ),
        (
            2,
            "aaa,bbb,ccc\r\nzzz,yyy,xxx",
            "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
        ),
        (
            3,
            "field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
            "field_name,field_name,field_name\r\naaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
        ),
        (4, "aaa,bbb,ccc", "aaa,bbb,ccc\r\n"),
        (
            5,
            "\"aaa\",\"bbb\",\"ccc\"\r\nzzz,yyy,xxx",
            "aaa,bbb,ccc\r\nzzz,yyy,xxx\r\n",
        ),
        (
            6,
            "\"aaa\",\"b\r\nbb\",\"ccc\"\r\nzzz,yyy,xxx",
            "aaa,\"b\r\nbb\",ccc\r\nzzz,yyy,xxx\r\n",
        ),
        (7, "\"aaa\",\"b\"\"bb\",\"ccc\"", "aaa,\"b\"\"bb\",ccc\r\n"),
    ];

    /// Its fields as the grammar at the end of the same section reads them: strictly, byte by byte.
    fn fields(text: &str) -> Vec<Vec<String>> {
        let (mut records, mut rest) = (vec![Vec::new()], text);
        loop {
            let (field, after) = field(rest);
            records.last_mut().unwrap().push(field);
            rest = match after.strip_prefix(',') {
                Some(after) => after,
                None if after.is_empty() || after == "\r\n" => return records,
                None => {
                    records.push(Vec::new());
                    after
                        .strip_prefix("\r\n")
                        .expect("a field ends at a comma or a line end")
                }
            };
        }
    }

    /// `escaped` or `non-escaped`, and what comes after it. TEXTDATA is what RFC 7111, section 3, makes of it: UTF-8.
    fn field(text: &str) -> (String, &str) {
        let Some(mut rest) = text.strip_prefix('"') else {
            let end = text.find([',', '\r', '\n', '"']).unwrap_or(text.len());
            return (text[..end].to_owned(), &text[end..]);
        };
        let mut field = String::new();
        loop {
            let (part, after) = rest.split_once('"').expect("a quote that ends");
            field.push_str(part);
            match after.strip_prefix('"') {
                Some(after) => {
                    field.push('"');
                    rest = after;
                }
                None => return (field, after),
            }
        }
    }

    #[test]
    fn the_examples_of_the_rfc_come_out_as_printed() {
        for (rule, printed, ours) in EXAMPLES {
            let records = fields(printed);
            let cells = records
                .iter()
                .map(|it| it.iter().map(String::as_str).collect());
            let written: String = cells
                .map(|cells: Vec<_>| record(Dialect::Comma, &cells))
                .collect();
            assert_eq!(written, ours, "rule {rule}");
            assert_eq!(fields(&written), records, "rule {rule}");
        }
        // Rule 4: spaces are part of a field.
        assert_eq!(record(Dialect::Comma, &[" a ", ""]), " a ,\r\n");
    }

    #[test]
    fn a_decimal_comma_never_meets_a_comma_between_cells() {
        let mut out = Vec::new();
        let mut record = Record::new(&mut out, Dialect::Semicolon);
        record.number(-12.5);
        record.number(1e21);
        record.number(f64::NAN);
        record.integer(-3);
        record.text("a,b");
        record.end();
        assert_eq!(
            String::from_utf8(out).unwrap(),
            "-12,5;1e+21;;-3;\"a,b\"\r\n"
        );
    }

    proptest! {
        #[test]
        fn what_is_written_reads_back(cells in prop::collection::vec(".{0,12}|[=+@,;\"\r\n\t-]{0,6}", 2..6), semicolon: bool) {
            let dialect = if semicolon { Dialect::Semicolon } else { Dialect::Comma };
            // Every file begins with a heading: a byte order mark could not stand in front by mistake.
            let cells: Vec<&str> = ["time"].into_iter().chain(cells.iter().map(String::as_str)).collect();
            let text = record(dialect, &cells);
            let mut reader = csv::ReaderBuilder::new().has_headers(false).delimiter(dialect.separator()).from_reader(text.as_bytes());
            let read: Vec<_> = reader.records().collect::<Result<_, _>>().unwrap();
            prop_assert_eq!(read.len(), 1);
            if !semicolon {
                prop_assert_eq!(&fields(&text), &[read[0].iter().map(str::to_owned).collect::<Vec<_>>()]);
            }
            for (cell, read) in cells.iter().zip(&read[0]) {
                prop_assert!(!is_formula(read), "{:?}", read);
                prop_assert_eq!(read.strip_prefix('\'').filter(|_| is_formula(cell)).unwrap_or(read), *cell);
            }
        }

        #[test]
        fn every_finite_number_reads_back_to_the_bit(number in prop::num::f64::NORMAL | prop::num::f64::SUBNORMAL | prop::num::f64::ZERO) {
            for dialect in [Dialect::Comma, Dialect::Semicolon] {
                let mut out = Vec::new();
                Record::new(&mut out, dialect).number(number);
                let read: f64 = String::from_utf8(out).unwrap().replace(',', ".").parse().unwrap();
                prop_assert_eq!(read.to_bits(), number.to_bits());
            }
        }
    }
}
