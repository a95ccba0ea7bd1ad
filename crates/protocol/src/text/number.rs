//! The numbers of text lines: sign, digits, one decimal mark, and an exponent where that is agreed.
//!
//! At least one digit stands on each side of a mark. There are no blanks inside a number, no
//! thousands separators, no `inf` and no `nan`: whatever else a meter writes is a word.

/// Which numbers a field may hold.
#[derive(Clone, Copy, Debug)]
pub(super) struct Grammar {
    /// True where the decimal mark is a comma.
    pub(super) comma: bool,
    /// True where an exponent may follow.
    pub(super) exponent: bool,
    /// Exactly this many digits after the mark, where it is said; none means no mark either.
    pub(super) decimals: Option<u8>,
}

impl Grammar {
    /// The number that `text` is from its first to its last character, or `None`.
    pub(super) fn parse(self, text: &str) -> Option<f64> {
        let (mantissa, exponent) = self.split_exponent(text);
        self.is_mantissa(mantissa).then_some(())?;
        exponent.is_none_or(is_exponent).then_some(())?;
        let number: f64 = if self.comma {
            text.replacen(',', ".", 1).parse().ok()?
        } else {
            text.parse().ok()?
        };
        number.is_finite().then_some(number)
    }

    fn split_exponent(self, text: &str) -> (&str, Option<&str>) {
        match text.split_once(['e', 'E']) {
            Some((mantissa, exponent)) if self.exponent => (mantissa, Some(exponent)),
            _ => (text, None),
        }
    }

    fn is_mantissa(self, text: &str) -> bool {
        let mark = if self.comma { ',' } else { '.' };
        match unsigned(text).split_once(mark) {
            Some((whole, decimals)) => {
                are_digits(whole) && are_digits(decimals) && self.has_decimals(decimals.len())
            }
            None => are_digits(unsigned(text)) && self.has_decimals(0),
        }
    }

    fn has_decimals(self, found: usize) -> bool {
        self.decimals
            .is_none_or(|decimals| usize::from(decimals) == found)
    }
}

fn unsigned(text: &str) -> &str {
    text.strip_prefix(['+', '-']).unwrap_or(text)
}

/// One to three digits: more could only be zero or infinite.
fn is_exponent(text: &str) -> bool {
    let digits = unsigned(text);
    are_digits(digits) && digits.len() <= 3
}

fn are_digits(text: &str) -> bool {
    !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit())
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const POINT: Grammar = Grammar {
        comma: false,
        exponent: false,
        decimals: None,
    };
    const COMMA: Grammar = Grammar {
        comma: true,
        ..POINT
    };
    const EXPONENT: Grammar = Grammar {
        exponent: true,
        ..POINT
    };
    const TWO_DECIMALS: Grammar = Grammar {
        decimals: Some(2),
        ..POINT
    };
    const WHOLE: Grammar = Grammar {
        decimals: Some(0),
        ..POINT
    };

    #[test]
    fn numbers_are_read() {
        let cases = [
            (POINT, "0", 0.0),
            (POINT, "-12.34", -12.34),
            (POINT, "+007", 7.0),
            (COMMA, "12,34", 12.34),
            (COMMA, "12", 12.0),
            (EXPONENT, "1.5e-3", 0.0015),
            (EXPONENT, "+1E+02", 100.0),
            (EXPONENT, "3", 3.0),
            (TWO_DECIMALS, "1.50", 1.5),
            (WHOLE, "150", 150.0),
        ];
        for (grammar, text, number) in cases {
            assert_eq!(grammar.parse(text), Some(number), "{text}");
        }
    }

    #[test]
    fn whatever_is_not_quite_a_number_is_none() {
        let cases = [
            (POINT, ""),
            (POINT, "+"),
            (POINT, "--1"),
            (POINT, "+-1"),
            (POINT, "1-"),
            (POINT, "12\0.4"),
            (POINT, "12. 4"),
            (POINT, "- 12"),
            (POINT, " 12"),
            (POINT, ".5"),
            (POINT, "5."),
            (POINT, "."),
            (POINT, "1.2.3"),
            (POINT, "1,2"),
            (POINT, "1_000"),
            (POINT, "1'000"),
            (POINT, "1e3"),
            (POINT, "0x1F"),
            (POINT, "inf"),
            (POINT, "-Infinity"),
            (POINT, "NaN"),
            (POINT, "१२"),
            (POINT, "１２"),
            (POINT, "−5"),
            (POINT, "½"),
            (COMMA, "1.2"),
            (COMMA, "1.000,5"),
            (COMMA, "1,2,3"),
            (EXPONENT, "1e"),
            (EXPONENT, "e5"),
            (EXPONENT, "1e5.0"),
            (EXPONENT, "1e5e5"),
            (EXPONENT, "1e999"),
            (EXPONENT, "1e+-5"),
            (EXPONENT, "1e0001"),
            (TWO_DECIMALS, "1.5"),
            (TWO_DECIMALS, "1.505"),
            (TWO_DECIMALS, "15"),
            (WHOLE, "15.0"),
        ];
        for (grammar, text) in cases {
            assert_eq!(grammar.parse(text), None, "{text:?}");
        }
        assert_eq!(POINT.parse(&"9".repeat(400)), None, "beyond any float");
    }

    proptest! {
        /// The oracle is the standard library's own parser, which takes all that we take and more.
        #[test]
        fn what_is_taken_is_what_the_standard_library_reads(text in "[-+]?[0-9.,eE+-]{0,12}") {
            if let Some(number) = EXPONENT.parse(&text) {
                prop_assert_eq!(Some(number), text.parse::<f64>().ok());
                prop_assert!(number.is_finite());
            }
        }

        #[test]
        fn a_printed_number_reads_back(number in -1e9f64..1e9, decimals in 0u8..=9) {
            let text = format!("{number:.*}", usize::from(decimals));
            let expected = text.parse::<f64>().ok();
            let fixed = Grammar { decimals: Some(decimals), ..POINT };
            prop_assert_eq!(fixed.parse(&text), expected);
            prop_assert_eq!(COMMA.parse(&text.replace('.', ",")), expected);
        }
    }
}
