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

    /// The examples of RFC 4180, section 2, rules 1, 4, 6 and 7.
    #[test]
    fn the_examples_of_the_rfc_come_out_as_printed() {
        let comma = |cells: &[&str]| record(Dialect::Comma, cells);
        assert_eq!(comma(&["aaa", "bbb", "ccc"]), "aaa,bbb,ccc\r\n");
        assert_eq!(comma(&["aaa", "b\r\nbb", "ccc"]), "aaa,\"b\r\nbb\",ccc\r\n");
        assert_eq!(comma(&["aaa", "b\"bb", "ccc"]), "aaa,\"b\"\"bb\",ccc\r\n");
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
