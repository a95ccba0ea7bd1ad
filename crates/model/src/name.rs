//! Names of lines, sources and channels: safe in a file, a URL, a CSV cell and a log line.

use std::fmt;
use std::str::FromStr;

/// Why a text cannot be a name.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadName {
    /// Nothing, or only blanks.
    #[error("a name must not be empty")]
    Empty,
    /// Longer than [`Name::LENGTH_MAX`] bytes.
    #[error("a name may have at most {max} bytes, this one has {0}", max = Name::LENGTH_MAX)]
    TooLong(usize),
    /// A character that a file, a URL or a spreadsheet could take for something else.
    #[error(
        "`{0}` may not stand in a name; letters, digits, `-` and `_` may, and the first must be a letter or digit"
    )]
    Character(char),
}

/// The name of a line, a module, a text source or a meter: one word without a dot.
///
/// Letters and digits of any script, `-` and `_`; it starts with a letter or digit, so that no
/// spreadsheet takes it for a formula.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Name(String);

impl Name {
    /// The longest name, in bytes of UTF-8: it must fit a column heading.
    pub const LENGTH_MAX: usize = 60;

    /// The text itself.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// The name of a channel: one or more [`Name`]s joined by dots, such as `Z1-left.velocity`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelName(String);

impl ChannelName {
    /// The text itself.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// What stands before the last dot (`Z1-left` of `Z1-left.velocity`), or the whole name.
    pub fn owner(&self) -> &str {
        self.0.rsplit_once('.').map_or(&self.0, |(owner, _)| owner)
    }
}

fn check_part(part: &str) -> Result<(), BadName> {
    let first = part.chars().next().ok_or(BadName::Empty)?;
    if part.len() > Name::LENGTH_MAX {
        return Err(BadName::TooLong(part.len()));
    }
    if !first.is_alphanumeric() {
        return Err(BadName::Character(first));
    }
    match part
        .chars()
        .find(|c| !(c.is_alphanumeric() || *c == '-' || *c == '_'))
    {
        Some(c) => Err(BadName::Character(c)),
        None => Ok(()),
    }
}

impl FromStr for Name {
    type Err = BadName;

    fn from_str(text: &str) -> Result<Self, BadName> {
        check_part(text).map(|()| Self(text.to_owned()))
    }
}

impl FromStr for ChannelName {
    type Err = BadName;

    fn from_str(text: &str) -> Result<Self, BadName> {
        text.split('.').try_for_each(check_part)?;
        Ok(Self(text.to_owned()))
    }
}

impl fmt::Display for Name {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Display for ChannelName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn names_of_a_bench_are_fine() {
        for text in ["Z1-left", "exhaust_2", "3", "Ofen-Tür"] {
            assert_eq!(text.parse::<Name>().unwrap().as_str(), text);
        }
        let channel: ChannelName = "Z1-left.velocity".parse().unwrap();
        assert_eq!(channel.owner(), "Z1-left");
    }

    #[test]
    fn what_a_spreadsheet_or_a_url_would_mistake_is_refused() {
        assert_eq!("".parse::<Name>(), Err(BadName::Empty));
        assert_eq!("=1+1".parse::<Name>(), Err(BadName::Character('=')));
        assert_eq!("-5".parse::<Name>(), Err(BadName::Character('-')));
        assert_eq!("a.b".parse::<Name>(), Err(BadName::Character('.')));
        assert_eq!("a..b".parse::<ChannelName>(), Err(BadName::Empty));
        assert_eq!("a,b".parse::<ChannelName>(), Err(BadName::Character(',')));
        assert_eq!("x".repeat(61).parse::<Name>(), Err(BadName::TooLong(61)));
    }

    proptest! {
        #[test]
        fn an_accepted_name_needs_no_quoting_anywhere(text in "\\PC{0,70}") {
            if let Ok(name) = text.parse::<ChannelName>() {
                prop_assert!(!name.as_str().contains([',', ';', '"', '\n', '/', '\'', ' ', '=', '+', '@']));
            }
        }
    }
}
