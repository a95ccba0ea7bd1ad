//! Why a line was not believed, each reason with its sentence.

use std::fmt::Write as _;

/// A line that is not believed: nothing of it is used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("the line `{excerpt}` is not believed: {why}")]
pub struct Reject {
    /// The beginning of the line, unprintable bytes escaped.
    pub excerpt: String,
    /// The reason.
    pub why: Why,
}

/// Why a line is not believed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Why {
    /// It is longer than the most bytes that a line may have, and has not ended yet.
    #[error(
        "a line may have {0} bytes, and this one goes on; check length, terminator, speed and parity"
    )]
    Endless(usize),
    /// It is shorter or longer than a line may be.
    #[error("it has {found} bytes, expected {from} to {to}")]
    Length {
        /// Bytes in the line.
        found: usize,
        /// The least that a line may have.
        from: usize,
        /// The most that a line may have.
        to: usize,
    },
    /// It begins otherwise than each line must.
    #[error("it does not begin with `{0}`")]
    Prefix(String),
    /// No checksum stands at its end.
    #[error("no checksum (`{0}` and two hexadecimal digits) stands at its end")]
    ChecksumAbsent(String),
    /// The separator of the checksum stands in the body too: two lines may have run together.
    #[error(
        "`{0}`, which stands before the checksum, occurs twice; two lines may have run together"
    )]
    SeparatorTwice(String),
    /// The checksum is not that of the bytes.
    #[error("its checksum is {found:02X}, but that of its bytes is {computed:02X}")]
    Checksum {
        /// As the line says.
        found: u8,
        /// Over the bytes as they came.
        computed: u8,
    },
    /// A byte that is no character of the encoding, or a control character.
    #[error(
        "byte {byte:#04x} at position {position} may not stand in a line (a parity or framing error shows as 0x00)"
    )]
    Byte {
        /// The byte.
        byte: u8,
        /// Its place in the line, from 1.
        position: usize,
    },
    /// Another number of columns.
    #[error("it has {found} columns, expected {expected}")]
    Columns {
        /// In the line.
        found: usize,
        /// By the format.
        expected: usize,
    },
    /// Another text where one is fixed.
    #[error("column {column} is `{found}`, expected `{expected}`")]
    Literal {
        /// The column, from 1.
        column: usize,
        /// In the line.
        found: String,
        /// By the format.
        expected: String,
    },
    /// The regular expression does not match the whole body.
    #[error("it does not match the regular expression")]
    NoMatch,
    /// The expression matched without this group.
    #[error("the field `{0}` is absent")]
    FieldAbsent(String),
    /// Neither a number of the agreed kind nor one of the words.
    #[error("the field `{field}` is `{found}`, expected {expected} or one of the agreed words")]
    Number {
        /// The field.
        field: String,
        /// In the line.
        found: String,
        /// What would have been right, in words.
        expected: String,
    },
    /// It is well formed, and the first whole line since the stream was opened.
    #[error(
        "it is the first since the stream was opened; the stream is believed from the next well-formed line on"
    )]
    First,
    /// It is well formed, and the line before it was rejected.
    #[error(
        "the line before it was rejected, so it may be a part of that one; the stream is believed from the next well-formed line on"
    )]
    AfterReject,
}

impl Reject {
    pub(super) fn new(line: &[u8], why: Why) -> Self {
        Self {
            excerpt: shown(line),
            why,
        }
    }
}

/// The most bytes of a line that a message shows.
const SHOWN_MAX: usize = 60;

/// Bytes as a message can hold them: not too many, and none that cannot be seen.
pub(super) fn shown(bytes: &[u8]) -> String {
    let start = &bytes[..bytes.len().min(SHOWN_MAX)];
    let mut text = String::new();
    for chunk in start.utf8_chunks() {
        for c in chunk.valid().chars() {
            show_character(&mut text, c);
        }
        for byte in chunk.invalid() {
            show_byte(&mut text, *byte);
        }
    }
    if start.len() < bytes.len() {
        text.push('…');
    }
    text
}

fn show_character(text: &mut String, c: char) {
    match c {
        '"' | '\'' => text.push(c),
        '\0'..'\x20' | '\x7F' => show_byte(text, c as u8),
        _ => text.extend(c.escape_debug()),
    }
}

fn show_byte(text: &mut String, byte: u8) {
    // Writing to a string does not fail.
    let _ = write!(text, "\\x{byte:02X}");
}
