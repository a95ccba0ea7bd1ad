//! Keys and codes as the file knows them.

use zonda_model::{Code, Quality, Sample};

/// A channel's key in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelId(pub i64);

/// A sample on its way into the file, with nothing that SQLite would turn into something else.
///
/// SQLite stores NaN as NULL; a number that is not finite never gets here, because it would become
/// a hole without a reason.
pub(crate) fn guarded(sample: Sample<ChannelId>) -> Sample<ChannelId> {
    let code = sample
        .code
        .filter(|code| !matches!(code, Code::Number(number) if !number.is_finite()));
    let value = sample.value.filter(|value| value.is_finite());
    let lost = code != sample.code || value != sample.value;
    let quality = if lost {
        sample.quality | Quality::NO_NUMBER
    } else {
        sample.quality
    };
    Sample {
        code,
        value,
        quality,
        ..sample
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use zonda_model::Stamp;

    proptest! {
        #[test]
        fn no_number_that_is_not_finite_gets_through(bits in any::<u64>(), code in any::<u64>()) {
            let (value, number) = (f64::from_bits(bits), f64::from_bits(code));
            let sample = Sample { channel: ChannelId(1), at: Stamp::default(), code: Some(Code::Number(number)), value: Some(value), quality: Quality::empty() };
            let guarded = guarded(sample);
            prop_assert_eq!(guarded.value.is_some(), value.is_finite());
            prop_assert_eq!(guarded.code.is_some(), number.is_finite());
            prop_assert_eq!(guarded.quality.contains(Quality::NO_NUMBER), !(value.is_finite() && number.is_finite()));
        }
    }
}
