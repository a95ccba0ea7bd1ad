//! Taking one line apart: from its bytes to a code or status word for each field, or a reason.

use std::borrow::Cow;

use zonda_model::{Code, Coded, Quality};

use super::checksum::Checksum;
use super::format::{Column, Delimiter, Encoding, Field, Layout, TextFormat};
use super::number::Grammar;
use super::reject::{Reject, Why, shown};

impl TextFormat {
    /// The codes of one line without its terminator, in the order of [`TextFormat::fields`].
    ///
    /// A status word gives no code, and its flags.
    ///
    /// # Errors
    /// The line is outside the format; nothing of it is used.
    pub fn decode_line(&self, line: &[u8]) -> Result<Vec<Coded>, Reject> {
        self.decode(line).map_err(|why| Reject::new(line, why))
    }

    fn decode(&self, line: &[u8]) -> Result<Vec<Coded>, Why> {
        self.check_length(line)?;
        let body = self.body(line)?;
        let start = self.spec().prefix.len();
        let body = self.decode_text(body, start)?;
        match (&self.spec().layout, self.pattern()) {
            (Layout::Delimited { delimiter, columns }, _) => {
                self.decode_columns(&body, *delimiter, columns)
            }
            (Layout::Pattern { .. }, Some(pattern)) => self.decode_groups(&body, pattern),
            (Layout::Pattern { .. }, None) => Err(Why::NoMatch),
        }
    }

    fn check_length(&self, line: &[u8]) -> Result<(), Why> {
        let length = &self.spec().length;
        if length.contains(&line.len()) {
            return Ok(());
        }
        Err(Why::Length {
            found: line.len(),
            from: *length.start(),
            to: *length.end(),
        })
    }

    /// What is left of a line without prefix and checksum, if both are right.
    fn body<'a>(&self, line: &'a [u8]) -> Result<&'a [u8], Why> {
        let prefix = &self.spec().prefix;
        let rest = line
            .strip_prefix(prefix.as_bytes())
            .ok_or_else(|| Why::Prefix(prefix.clone()))?;
        match &self.spec().checksum {
            Some(checksum) => checksum.verify(prefix.as_bytes(), rest),
            None => Ok(rest),
        }
    }

    /// The body as characters, none of them a control character but the tab.
    fn decode_text<'a>(&self, body: &'a [u8], start: usize) -> Result<Cow<'a, str>, Why> {
        let refused = |at: usize| Why::Byte {
            byte: body[at],
            position: start + at + 1,
        };
        let text = match self.spec().encoding {
            Encoding::Utf8 => Cow::Borrowed(
                std::str::from_utf8(body).map_err(|error| refused(error.valid_up_to()))?,
            ),
            Encoding::Latin1 => Cow::Owned(body.iter().copied().map(char::from).collect()),
        };
        let is_refused = |c: char| c.is_control() && c != '\t';
        let found = match self.spec().encoding {
            Encoding::Utf8 => text.find(is_refused),
            Encoding::Latin1 => text.chars().position(is_refused),
        };
        match found {
            Some(at) => Err(refused(at)),
            None => Ok(text),
        }
    }

    fn decode_columns(
        &self,
        body: &str,
        delimiter: Delimiter,
        columns: &[Column],
    ) -> Result<Vec<Coded>, Why> {
        let texts: Vec<&str> = match delimiter {
            Delimiter::Character(one) => body.split(one).map(trim).collect(),
            Delimiter::Blanks => trim(body)
                .split(BLANKS)
                .filter(|text| !text.is_empty())
                .collect(),
        };
        if texts.len() != columns.len() {
            return Err(Why::Columns {
                found: texts.len(),
                expected: columns.len(),
            });
        }
        let mut codes = Vec::with_capacity(self.fields().len());
        for (index, (column, text)) in columns.iter().zip(texts).enumerate() {
            match column {
                Column::Skip => {}
                Column::Field(field) => codes.push(self.decode_field(field, text)?),
                Column::Literal(expected) if expected == text => {}
                Column::Literal(expected) => {
                    return Err(Why::Literal {
                        column: index + 1,
                        found: shown(text.as_bytes()),
                        expected: expected.clone(),
                    });
                }
            }
        }
        Ok(codes)
    }

    fn decode_groups(&self, body: &str, pattern: &regex::Regex) -> Result<Vec<Coded>, Why> {
        let groups = pattern.captures(body).ok_or(Why::NoMatch)?;
        let decode = |field: &Field| {
            let text = groups
                .name(field.name.as_str())
                .ok_or_else(|| Why::FieldAbsent(field.name.to_string()))?;
            self.decode_field(field, trim(text.as_str()))
        };
        self.fields().iter().map(decode).collect()
    }

    fn decode_field(&self, field: &Field, text: &str) -> Result<Coded, Why> {
        if let Some((_, quality)) = self.spec().words.iter().find(|(word, _)| word == text) {
            return Ok(Coded {
                code: None,
                quality: *quality,
            });
        }
        let digits = match &field.suffix {
            Some(suffix) => text.strip_suffix(suffix.as_str()).map_or(text, trim),
            None => text,
        };
        match self.grammar(field).parse(digits) {
            Some(number) => Ok(Coded {
                code: Some(Code::Number(number)),
                quality: Quality::empty(),
            }),
            None => Err(self.no_number(field, text)),
        }
    }

    fn grammar(&self, field: &Field) -> Grammar {
        Grammar {
            comma: self.spec().decimal_comma,
            exponent: self.spec().exponent,
            decimals: field.decimals,
        }
    }

    fn no_number(&self, field: &Field, text: &str) -> Why {
        let mark = if self.spec().decimal_comma {
            "comma"
        } else {
            "point"
        };
        let number = match field.decimals {
            Some(0) => "a whole number".to_owned(),
            Some(decimals) => format!("a number of {decimals} decimals behind a {mark}"),
            None => format!("a number with a decimal {mark}"),
        };
        let expected = match &field.suffix {
            Some(suffix) => format!("{number}, with or without `{suffix}`,"),
            None => number,
        };
        Why::Number {
            field: field.name.to_string(),
            found: shown(text.as_bytes()),
            expected,
        }
    }
}

const BLANKS: [char; 2] = [' ', '\t'];

fn trim(text: &str) -> &str {
    text.trim_matches(BLANKS)
}

impl Checksum {
    /// The body before a right checksum; `rest` is a line without its prefix.
    fn verify<'a>(&self, prefix: &[u8], rest: &'a [u8]) -> Result<&'a [u8], Why> {
        let separator = self.separator.as_bytes();
        let absent = || Why::ChecksumAbsent(self.separator.clone());
        let (rest, digits) = rest.split_last_chunk().ok_or_else(absent)?;
        let found = byte_of(*digits).ok_or_else(absent)?;
        let body = rest.strip_suffix(separator).ok_or_else(absent)?;
        if !separator.is_empty() && contains(body, separator) {
            return Err(Why::SeparatorTwice(self.separator.clone()));
        }
        let before = if self.covers.prefix { prefix } else { &[] };
        let after = if self.covers.separator {
            separator
        } else {
            &[]
        };
        let computed = self.sum.over(before.iter().chain(body).chain(after));
        if computed == found {
            Ok(body)
        } else {
            Err(Why::Checksum { found, computed })
        }
    }
}

fn contains(bytes: &[u8], part: &[u8]) -> bool {
    bytes.windows(part.len()).any(|window| window == part)
}

fn byte_of(digits: [u8; Checksum::DIGITS]) -> Option<u8> {
    let [high, low] = digits.map(|digit| char::from(digit).to_digit(16));
    u8::try_from(high? * 16 + low?).ok()
}
