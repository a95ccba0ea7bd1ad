//! What a meter's lines are made of, guessed from bytes that were heard. Pure.
//!
//! A guess is a help for writing the configuration, never more: every line that is recorded has to
//! fit what a person has put into the file. What it rests on is said with each field.

mod columns;
mod names;
mod number;
mod pattern;

use std::collections::BTreeSet;

use zonda_model::{Quantity, Unit};

use columns::delimited;
use pattern::pattern;

/// Lines that are looked at; more say nothing new.
const LINES_MAX: usize = 200;
/// The longest line that can be one; the default of the configuration.
const LINE_MAX: usize = 256;
/// Of the bytes, so many of a hundred must be what text is made of: a few are garbled on any line.
const TEXT_PERCENT: usize = 90;
/// How a meter writes, as far as its lines show it.
#[derive(Clone, Debug, PartialEq)]
pub struct TextGuess {
    /// As the configuration writes it: `CRLF`, `CR`, `LF` or `any`.
    pub terminator: &'static str,
    /// The lines are not UTF-8; their degree sign is a single byte.
    pub is_latin_1: bool,
    /// Numbers are written as 12,34.
    pub decimal_comma: bool,
    /// How a line is taken apart.
    pub form: Form,
    /// Words that stand in place of a number.
    pub status: BTreeSet<String>,
    /// The last whole line.
    pub example: String,
}

/// How a line is taken apart.
#[derive(Clone, Debug, PartialEq)]
pub enum Form {
    /// Pieces between a delimiter, as the configuration writes it: `;`, `tab`, `blanks` …
    Delimited(&'static str, Vec<Column>),
    /// A regular expression with a group for each field.
    Pattern(String, Vec<Field>),
}

/// One piece of a line.
#[derive(Clone, Debug, PartialEq)]
pub enum Column {
    /// A number.
    Field(Field),
    /// The same text in every line.
    Literal(String),
    /// Something else.
    Skip,
}

/// A number in the line.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// What to call it: `velocity`, `temperature`, `value1` …
    pub name: String,
    /// What it measures, where that can be guessed.
    pub quantity: Option<Quantity>,
    /// Its unit, where the line says one.
    pub unit: Option<Unit>,
    /// The text behind its number.
    pub suffix: Option<String>,
    /// How many digits stand after its decimal mark, where that is always the same.
    pub decimals: Option<usize>,
    /// What name and quantity rest on.
    pub basis: Basis,
}

/// What a guess rests on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Basis {
    /// The line says the unit.
    Unit,
    /// Only the size of the numbers.
    Size,
    /// Nothing.
    None,
}

impl TextGuess {
    /// The fields, from left to right.
    pub fn fields(&self) -> Vec<&Field> {
        match &self.form {
            Form::Delimited(_, columns) => columns
                .iter()
                .filter_map(|column| match column {
                    Column::Field(field) => Some(field),
                    Column::Literal(_) | Column::Skip => None,
                })
                .collect(),
            Form::Pattern(_, fields) => fields.iter().collect(),
        }
    }
}

/// Guesses from bytes that were heard, in order, from anywhere in a stream.
///
/// `None` where they are no lines of text with a number in them.
pub fn guess(bytes: &[u8]) -> Option<TextGuess> {
    let terminator = terminator(bytes)?;
    if !is_text(bytes) {
        return None;
    }
    let is_latin_1 = std::str::from_utf8(whole_part(bytes)).is_err();
    let lines = lines(bytes, is_latin_1);
    let (form, decimal_comma, status) = delimited(&lines).or_else(|| pattern(&lines))?;
    Some(TextGuess {
        terminator,
        is_latin_1,
        decimal_comma,
        form,
        status,
        example: lines.last()?.clone(),
    })
}

fn terminator(bytes: &[u8]) -> Option<&'static str> {
    let count = |wanted: &[u8]| {
        bytes
            .windows(wanted.len())
            .filter(|part| *part == wanted)
            .count()
    };
    let (cr, lf, both) = (count(b"\r"), count(b"\n"), count(b"\r\n"));
    // A pair that was cut at either end is still one of the pairs.
    let halves =
        usize::from(bytes.first() == Some(&b'\n')) + usize::from(bytes.last() == Some(&b'\r'));
    match (cr, lf) {
        (0, 0) => None,
        (0, _) => Some("LF"),
        (_, 0) => Some("CR"),
        _ if both > 0 && cr + lf - 2 * both <= halves => Some("CRLF"),
        _ => Some("any"),
    }
}

fn is_text(bytes: &[u8]) -> bool {
    let fits = |byte: &&u8| {
        matches!(
            byte,
            b'\t' | b'\r' | b'\n' | b' '..=b'~' | 0xB0 | 0xB2 | 0xB3 | 0xB5 | 0xC2
        )
    };
    let plain = |byte: &&u8| byte.is_ascii_digit();
    let (text, digits) = (
        bytes.iter().filter(fits).count(),
        bytes.iter().filter(plain).count(),
    );
    text * 100 >= bytes.len() * TEXT_PERCENT && digits > 0
}

/// Without the rest of a character that was cut at the beginning, and the beginning of one at the end.
fn whole_part(bytes: &[u8]) -> &[u8] {
    let is_end = |byte: &u8| b"\r\n".contains(byte);
    let from = bytes.iter().position(is_end).unwrap_or(0);
    let to = bytes.iter().rposition(is_end).unwrap_or(bytes.len());
    &bytes[from..to.max(from)]
}

/// The whole lines: what stands between two terminators. The first piece may have lost its beginning.
fn lines(bytes: &[u8], is_latin_1: bool) -> Vec<String> {
    let decoded: String = if is_latin_1 {
        bytes.iter().map(|byte| char::from(*byte)).collect()
    } else {
        String::from_utf8_lossy(bytes).into_owned()
    };
    let mut pieces: Vec<&str> = decoded.split(['\r', '\n']).collect();
    pieces.pop();
    let mut lines: Vec<String> = pieces
        .into_iter()
        .skip(1)
        .filter(|line| !line.trim().is_empty() && line.len() <= LINE_MAX)
        .filter(|line| !line.chars().any(|c| c.is_control() && c != '\t'))
        .map(str::to_owned)
        .collect();
    let surplus = lines.len().saturating_sub(LINES_MAX);
    lines.drain(..surplus);
    lines
}

/// A form, whether its numbers have decimal commas, and the words in place of numbers.
type Guessed = (Form, bool, BTreeSet<String>);

/// Of the lines, so many of a hundred must have the form that the others have.
const ALIKE_PERCENT: usize = 70;
/// Columns that are looked at.
const COLUMNS_MAX: usize = 32;
#[cfg(test)]
mod tests;
