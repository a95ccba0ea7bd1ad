//! One digit per channel and frame: what the number beside it is worth.

use serde::Serialize;
use utoipa::ToSchema;
use zonda_model::quality::Worth;

/// What a channel's number is worth, in one word. The order is the contract: a frame and a history
/// carry the index, `hello.quality` the words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Mark {
    /// Nothing speaks against it.
    Ok,
    /// To be looked at twice; `why` says the reason.
    Suspect,
    /// Below what can be measured.
    Under,
    /// Above what can be measured.
    Over,
    /// No number to be used; `why` says the reason.
    Fault,
    /// The last number is old; `why` says the cause.
    Stale,
    /// Switched off in the configuration.
    Off,
    /// Nothing has come yet.
    None,
}

impl Mark {
    /// Every mark; its index is what is sent.
    pub(crate) const ALL: [Self; 8] = [
        Self::Ok,
        Self::Suspect,
        Self::Under,
        Self::Over,
        Self::Fault,
        Self::Stale,
        Self::Off,
        Self::None,
    ];

    /// The word in `hello.quality` and the API.
    pub(crate) const fn word(self) -> &'static str {
        match self {
            Self::Ok => "ok",
            Self::Suspect => "suspect",
            Self::Under => "under",
            Self::Over => "over",
            Self::Fault => "fault",
            Self::Stale => "stale",
            Self::Off => "off",
            Self::None => "none",
        }
    }

    /// The index, as sent in a history.
    pub(crate) const fn index(self) -> u8 {
        self as u8
    }

    /// The index as a digit, as sent in a frame.
    pub(crate) const fn digit(self) -> char {
        (b'0' + self.index()) as char
    }
}

impl From<Worth> for Mark {
    fn from(worth: Worth) -> Self {
        match worth {
            Worth::Good => Self::Ok,
            Worth::Suspect => Self::Suspect,
            Worth::Under => Self::Under,
            Worth::Over => Self::Over,
            Worth::Fault => Self::Fault,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_index_the_digit_and_the_word_agree() {
        for (index, mark) in Mark::ALL.into_iter().enumerate() {
            assert_eq!(usize::from(mark.index()), index);
            assert_eq!(mark.digit().to_string(), index.to_string());
            assert_eq!(serde_json::to_value(mark).unwrap(), mark.word());
        }
    }
}
