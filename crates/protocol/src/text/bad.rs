//! What can be wrong with a description of a meter's lines, each with its sentence.

use zonda_model::name::BadName;

use super::format::{Terminator, TextFormat};

/// The part of a description that a mistake is in, so that the file's key can be pointed at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// What ends a line.
    Terminator,
    /// What every line begins with.
    Prefix,
    /// What stands between columns.
    Delimiter,
    /// The columns of a delimited line.
    Columns,
    /// The regular expression.
    Pattern,
    /// Suffix or decimals of a field.
    Field,
    /// The texts in place of numbers.
    Words,
    /// The checksum.
    Checksum,
    /// The limits of a line's length.
    Length,
}

/// Why a description of a meter's lines cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadFormat {
    /// An own terminator is empty, too long, or could stand in a number or a word.
    #[error(
        "`{0}` cannot end a line; write `CR`, `LF`, `CRLF`, `any`, or 1 to {max} ASCII characters of its own, none of them a letter, a digit or one of `+-.,`",
        max = Terminator::OWN_LENGTH_MAX
    )]
    Terminator(String),
    /// A prefix that is not plain ASCII.
    #[error("`{0}` cannot begin every line: only ASCII may")]
    Prefix(String),
    /// The terminator occurs in something that lines hold.
    #[error("`{0}` holds the line's terminator, so no line could ever hold it")]
    HoldsTerminator(String),
    /// The text is not one character, `tab` or `blanks`.
    #[error(
        "`{0}` is no delimiter; write one character, `tab`, or `blanks` for any number of spaces"
    )]
    DelimiterText(String),
    /// The delimiter could stand in a number or a word.
    #[error(
        "`{0}` cannot be a delimiter: letters, digits, `+`, `-`, `.` and control characters other than the tab may not"
    )]
    Delimiter(char),
    /// A comma cannot be both.
    #[error(
        "a comma cannot be both the delimiter and the decimal mark; choose another delimiter or take decimal_comma out"
    )]
    CommaTwice,
    /// The delimiter occurs in a text that is one column.
    #[error("`{0}` holds the delimiter, so no column could ever be it")]
    HoldsDelimiter(String),
    /// A text that is compared has blanks at its ends, is empty or holds a control character.
    #[error(
        "`{0}` can never be found in a line: write it without blanks at its ends and without control characters"
    )]
    NeverFound(String),
    /// The layout names no field.
    #[error("no field is named, so nothing would be recorded; name at least one column or group")]
    NoFields,
    /// Two fields share a name.
    #[error("the field `{0}` occurs twice; each needs a name of its own")]
    FieldTwice(String),
    /// The regular expression does not compile, or is too large.
    #[error("the regular expression cannot be used: {0}")]
    Pattern(String),
    /// A group's name is not fit for a field.
    #[error("the group `{group}` cannot name a field: {why}")]
    GroupName {
        /// The group.
        group: String,
        /// What is wrong with it.
        why: BadName,
    },
    /// Suffix or decimals were given for a group that the expression does not have.
    #[error("the regular expression has no group `{0}`")]
    NoSuchGroup(String),
    /// A suffix begins like a number goes on.
    #[error("the suffix `{0}` begins with a character that may belong to the number before it")]
    Suffix(String),
    /// More decimals than a number can have.
    #[error("`{field}`: {decimals} decimals are more than the {max} that can be believed", max = super::check::DECIMALS_MAX)]
    Decimals {
        /// The field.
        field: String,
        /// The decimals asked for.
        decimals: u8,
    },
    /// The same word is given twice.
    #[error("the word `{0}` is given twice")]
    WordTwice(String),
    /// A word without a flag would leave a missing number looking good.
    #[error(
        "the word `{0}` stands in place of a number, so it needs a flag, such as `no_number` or `over_range`"
    )]
    WordWithoutFlag(String),
    /// A flag that only the daemon itself may set.
    #[error(
        "the word `{word}` cannot set `{flags}`: that is for the daemon to find, not for the meter to say"
    )]
    WordFlag {
        /// The word.
        word: String,
        /// The flags.
        flags: String,
    },
    /// Without a separator the digits of number and checksum could be taken for each other.
    #[error(
        "a checksum without a separator before its two digits needs lines of one fixed length: give both ends of `length` the same number"
    )]
    ChecksumSeparator,
    /// The separator ends in a hexadecimal digit, or is not printable ASCII.
    #[error(
        "`{0}` cannot stand before a checksum: it must be printable ASCII and not end in a hexadecimal digit"
    )]
    Separator(String),
    /// The limits of the length are empty or beyond the reader's buffer.
    #[error("a line must have between 1 and {max} bytes; `{from}` to `{to}` is no such span", max = TextFormat::LENGTH_MAX)]
    Length {
        /// The least.
        from: usize,
        /// The most.
        to: usize,
    },
    /// No line of that length could hold what it must.
    #[error(
        "a line of at most {to} bytes has no room for its prefix and checksum and a single digit"
    )]
    NoRoom {
        /// The most bytes.
        to: usize,
    },
}

impl BadFormat {
    /// The part of the description that the mistake is in.
    pub const fn part(&self) -> Part {
        match self {
            Self::Terminator(_) | Self::HoldsTerminator(_) => Part::Terminator,
            Self::Prefix(_) => Part::Prefix,
            Self::DelimiterText(_) | Self::Delimiter(_) | Self::CommaTwice => Part::Delimiter,
            Self::NoFields
            | Self::FieldTwice(_)
            | Self::HoldsDelimiter(_)
            | Self::NeverFound(_) => Part::Columns,
            Self::Pattern(_) | Self::GroupName { .. } | Self::NoSuchGroup(_) => Part::Pattern,
            Self::Suffix(_) | Self::Decimals { .. } => Part::Field,
            Self::WordTwice(_) | Self::WordWithoutFlag(_) | Self::WordFlag { .. } => Part::Words,
            Self::ChecksumSeparator | Self::Separator(_) => Part::Checksum,
            Self::Length { .. } | Self::NoRoom { .. } => Part::Length,
        }
    }
}
