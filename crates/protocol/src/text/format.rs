//! How a meter's lines are written: what the configuration says, checked.
//!
//! A [`TextSpec`] is what somebody wrote, a [`TextFormat`] is one that cannot contradict itself. What
//! is done with a line is in `parse`, how lines are cut out of a stream in `reader`.

use std::ops::RangeInclusive;
use std::str::FromStr;

use regex::Regex;
use zonda_model::{Name, Quality};

use super::bad::BadFormat;
use super::check;
use super::checksum::Checksum;

/// What ends a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Terminator {
    /// One carriage return, 0x0D.
    Cr,
    /// One line feed, 0x0A.
    Lf,
    /// Carriage return, line feed. A lone one of them is a byte outside the grammar.
    CrLf,
    /// Each carriage return and each line feed; the empty lines between them are passed over.
    Any,
    /// These bytes, such as `0x03` (ETX).
    Own(Vec<u8>),
}

impl Terminator {
    /// The most bytes that an own terminator may have.
    pub const OWN_LENGTH_MAX: usize = 8;

    /// True where a line that holds `bytes` would end inside them.
    pub(super) fn occurs_in(&self, bytes: &[u8]) -> bool {
        match self {
            Self::Any => bytes.iter().any(|byte| b"\r\n".contains(byte)),
            one => bytes
                .windows(one.bytes().len())
                .any(|part| part == one.bytes()),
        }
    }

    /// How long the terminator is that `partial` ends in, if it ends in one.
    pub(super) fn ending(&self, partial: &[u8]) -> Option<usize> {
        let ends = match self {
            Self::Any => partial.ends_with(b"\n") || partial.ends_with(b"\r"),
            one => partial.ends_with(one.bytes()),
        };
        ends.then_some(self.bytes().len())
    }

    /// The bytes of a terminator; of [`Terminator::Any`], those of a line feed.
    pub(super) fn bytes(&self) -> &[u8] {
        match self {
            Self::Cr => b"\r",
            Self::Lf | Self::Any => b"\n",
            Self::CrLf => b"\r\n",
            Self::Own(own) => own,
        }
    }
}

impl FromStr for Terminator {
    type Err = BadFormat;

    /// `CR`, `LF`, `CRLF`, `any`, or the terminator's own characters.
    fn from_str(text: &str) -> Result<Self, BadFormat> {
        Ok(match text {
            "CR" => Self::Cr,
            "LF" => Self::Lf,
            "CRLF" => Self::CrLf,
            "any" => Self::Any,
            own => {
                let own = Self::Own(own.as_bytes().to_vec());
                check::check_terminator(&own)?;
                own
            }
        })
    }
}

/// What stands between two columns.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Delimiter {
    /// One of this character. Blanks around a column are padding.
    Character(char),
    /// Any number of spaces and tabs; those at the line's ends are padding.
    Blanks,
}

impl FromStr for Delimiter {
    type Err = BadFormat;

    /// One character, or the words `tab` and `blanks`.
    fn from_str(text: &str) -> Result<Self, BadFormat> {
        let mut characters = text.chars();
        let delimiter = match (text, characters.next(), characters.next()) {
            ("tab", ..) => Self::Character('\t'),
            ("blanks" | " ", ..) => Self::Blanks,
            (_, Some(one), None) => Self::Character(one),
            _ => return Err(BadFormat::DelimiterText(text.to_owned())),
        };
        check::check_delimiter(delimiter)?;
        Ok(delimiter)
    }
}

/// How bytes become characters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Encoding {
    /// UTF-8, and with it ASCII.
    #[default]
    Utf8,
    /// ISO 8859-1, for meters whose degree sign is the byte 0xB0.
    Latin1,
}

/// A place in the line that holds a number or a status word.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Field {
    /// Its name, by which channels refer to it.
    pub name: Name,
    /// The unit that may follow the number; if anything follows it, it must be this.
    pub suffix: Option<String>,
    /// How many digits stand after the decimal mark; exactly so many, where it is said.
    pub decimals: Option<u8>,
}

impl Field {
    /// A field of any number of decimals, without a unit behind its number.
    pub const fn new(name: Name) -> Self {
        Self {
            name,
            suffix: None,
            decimals: None,
        }
    }
}

/// One piece of a delimited line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Column {
    /// A number or status word that is recorded.
    Field(Field),
    /// A text that every line must have here, such as the name of the message or a unit.
    Literal(String),
    /// Anything; it is not looked at.
    Skip,
}

/// How the body of a line is taken apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Layout {
    /// Columns, all of them in every line.
    Delimited {
        /// Between the columns.
        delimiter: Delimiter,
        /// From left to right. Scans carry codes in the order of the fields among them.
        columns: Vec<Column>,
    },
    /// A regular expression that the whole body must match. Each of its named groups is a field;
    /// scans carry codes in the order of the groups.
    Pattern {
        /// In the syntax of the crate `regex`, such as `V=(?<velocity>\S+) T=(?<temperature>\S+)`.
        regex: String,
        /// Suffix and decimals of those groups that have any.
        fields: Vec<Field>,
    },
}

/// What somebody wrote about a meter's lines; [`TextFormat::new`] checks it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TextSpec {
    /// What ends a line. Default [`Terminator::Any`].
    pub terminator: Terminator,
    /// How bytes become characters. Default UTF-8.
    pub encoding: Encoding,
    /// What every line begins with, such as `$` or the byte 0x02; it is taken off. Default empty.
    pub prefix: String,
    /// How the body is taken apart.
    pub layout: Layout,
    /// True where the decimal mark is a comma. Default false: a point.
    pub decimal_comma: bool,
    /// True where numbers may carry an exponent (`1.5e-3`). Default false.
    pub exponent: bool,
    /// Texts that stand in place of a number, and what they say, such as `----` for `no_number`. They
    /// are compared before a number is looked for, so that an agreed `9999` may be one.
    pub words: Vec<(String, Quality)>,
    /// The checksum, if lines have one.
    pub checksum: Option<Checksum>,
    /// How many bytes a line may have, without its terminator. Default 1 to 256.
    pub length: RangeInclusive<usize>,
}

impl TextSpec {
    /// This layout, and the defaults for the rest.
    pub const fn new(layout: Layout) -> Self {
        Self {
            terminator: Terminator::Any,
            encoding: Encoding::Utf8,
            prefix: String::new(),
            layout,
            decimal_comma: false,
            exponent: false,
            words: Vec::new(),
            checksum: None,
            length: 1..=256,
        }
    }
}

/// A checked description of a meter's lines.
#[derive(Clone, Debug, PartialEq)]
pub struct TextFormat {
    spec: TextSpec,
    pattern: Option<Pattern>,
    fields: Vec<Field>,
}

/// A compiled regular expression; two are equal where their texts are.
#[derive(Clone, Debug)]
pub(super) struct Pattern(pub(super) Regex);

impl PartialEq for Pattern {
    fn eq(&self, other: &Self) -> bool {
        self.0.as_str() == other.0.as_str()
    }
}

impl TextFormat {
    /// The longest line that any format may allow, in bytes: the reader's buffer is bounded by it.
    pub const LENGTH_MAX: usize = 4096;

    /// Checks what somebody wrote.
    ///
    /// # Errors
    /// Everything that is wrong with it, at once.
    pub fn new(spec: TextSpec) -> Result<Self, Vec<BadFormat>> {
        check::check(&spec)?;
        let (pattern, fields) = check::fields_of(&spec.layout)?;
        Ok(Self {
            spec,
            pattern,
            fields,
        })
    }

    /// The fields, in the order in which scans carry their codes.
    pub fn fields(&self) -> &[Field] {
        &self.fields
    }

    /// The place of a field in scans, or `None` where there is none of that name.
    pub fn input(&self, name: &str) -> Option<usize> {
        self.fields
            .iter()
            .position(|field| field.name.as_str() == name)
    }

    pub(super) fn pattern(&self) -> Option<&Regex> {
        self.pattern.as_ref().map(|pattern| &pattern.0)
    }

    /// What was written and found right.
    pub const fn spec(&self) -> &TextSpec {
        &self.spec
    }
}
