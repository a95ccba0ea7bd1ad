//! The columns of a file: what stands in the heading, and what in the cells under it.

use zonda_model::{ChannelName, Unit};

use super::Form;
use super::cells::Record;

/// One column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Title {
    /// As it stands in the heading.
    pub text: String,
    /// What its cells hold.
    pub holds: Holds,
    /// The channel that it is about, where it is about one.
    pub channel: Option<ChannelName>,
}

/// What the cells of a column hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holds {
    /// Date and time in UTC, RFC 3339.
    Utc,
    /// Date and time of the laboratory's clock.
    Local,
    /// How far that clock is from UTC.
    Offset,
    /// Words.
    Text,
    /// A whole number.
    Whole,
    /// A number in this unit.
    Number(Unit),
    /// A number; the record says in which unit.
    Plain,
}

impl Title {
    pub(super) fn new(text: impl Into<String>, holds: Holds) -> Self {
        Self {
            text: text.into(),
            holds,
            channel: None,
        }
    }

    pub(super) fn of(channel: &ChannelName, text: String, holds: Holds) -> Self {
        Self {
            channel: Some(channel.clone()),
            ..Self::new(text, holds)
        }
    }
}

/// Appends the heading.
pub(super) fn write_head(titles: &[Title], form: &Form, out: &mut Vec<u8>) {
    let mut record = Record::new(out, form.dialect);
    for title in titles {
        record.text(&title.text);
    }
    record.end();
}
