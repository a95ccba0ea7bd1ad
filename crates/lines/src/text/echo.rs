//! The echo of a question: some meters, and two-wire adapters, send back what they are sent. Pure.

use std::borrow::Cow;

/// Takes a byte-exact copy of the question off the front of what comes after it, once.
///
/// Only a question that ends with a control character, such as CR, is taken for an echo: a shorter
/// one could be the beginning of the answer.
#[derive(Clone, Debug)]
pub(crate) struct Echo {
    question: Vec<u8>,
    /// How much of the question has come back; `None` when no echo can come any more.
    seen: Option<usize>,
}

impl Echo {
    pub(crate) fn of(question: &[u8]) -> Self {
        Self {
            question: question.to_vec(),
            seen: None,
        }
    }

    /// The question is about to be sent.
    pub(crate) fn expect(&mut self) {
        let is_whole_line = self.question.last().is_some_and(u8::is_ascii_control);
        self.seen = is_whole_line.then_some(0);
    }

    /// What of `bytes` is no echo. The beginning of an echo is held back until it is one or not.
    pub(crate) fn strip<'a>(&mut self, bytes: &'a [u8]) -> Cow<'a, [u8]> {
        let Some(seen) = self.seen else {
            return Cow::Borrowed(bytes);
        };
        let expected = &self.question[seen..];
        let same = bytes
            .iter()
            .zip(expected)
            .take_while(|(a, b)| a == b)
            .count();
        if same == expected.len() {
            self.seen = None;
            Cow::Borrowed(&bytes[same..])
        } else if same == bytes.len() {
            self.seen = Some(seen + same);
            Cow::Borrowed(&[])
        } else {
            self.seen = None;
            Cow::Owned([&self.question[..seen], bytes].concat())
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn left(question: &str, pieces: &[&[u8]]) -> Vec<u8> {
        let mut echo = Echo::of(question.as_bytes());
        echo.expect();
        pieces
            .iter()
            .flat_map(|piece| echo.strip(piece).into_owned())
            .collect()
    }

    #[test]
    fn an_echo_is_taken_off_once_and_nothing_else_is() {
        assert_eq!(left("V?\r", &[b"V?\r12.5\r"]), b"12.5\r");
        assert_eq!(left("V?\r", &[b"V", b"?", b"\r1", b"2.5\r"]), b"12.5\r");
        assert_eq!(left("V?\r", &[b"V?\rV?\r"]), b"V?\r");
        assert_eq!(left("V?\r", &[b"V", b" 12.5\r"]), b"V 12.5\r");
        assert_eq!(left("V", &[b"V12.5\r"]), b"V12.5\r");
        assert_eq!(left("", &[b"12.5\r"]), b"12.5\r");
    }

    proptest! {
        #[test]
        fn what_is_no_echo_comes_through_whole(pieces in proptest::collection::vec("[V?a]{0,3}", 0..6)) {
            let answer = pieces.concat();
            let pieces: Vec<&[u8]> = pieces.iter().map(String::as_bytes).collect();
            // With an end that the question does not have, nothing stays held back.
            let all: Vec<&[u8]> = pieces.into_iter().chain([&b"\n"[..]]).collect();
            prop_assert_eq!(left("V?\r", &all), (answer + "\n").into_bytes());
        }
    }
}
