//! Keys and codes as the file knows them.

use sqlx::sqlite::SqliteRow;
use sqlx::{Row, TypeInfo, ValueRef};
use zonda_model::{Code, Quality, Sample, Stamp};

/// A channel's key in the file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ChannelId(pub i64);

/// A sample on its way into the file, with nothing that SQLite would turn into something else.
///
/// SQLite stores NaN as NULL, which would be a hole without a reason: a number that is not finite
/// becomes none, and the quality says so. Minus zero becomes zero, as SQLite stores it.
pub(crate) fn guarded(sample: Sample<ChannelId>) -> Sample<ChannelId> {
    let code = sample
        .code
        .filter(|code| !matches!(code, Code::Number(number) if !number.is_finite()));
    let value = sample.value.filter(|value| value.is_finite());
    let lost = code.is_some() != sample.code.is_some() || value.is_some() != sample.value.is_some();
    let quality = if lost {
        sample.quality | Quality::NO_NUMBER
    } else {
        sample.quality
    };
    Sample {
        code,
        value: value.map(|value| value + 0.0),
        quality,
        ..sample
    }
}

/// Reads `at, channel, code, value, flags`.
pub(crate) fn sample_of(row: &SqliteRow) -> Result<Sample<ChannelId>, sqlx::Error> {
    let is_number = row.try_get_raw(2)?.type_info().name() == "REAL";
    let code = if is_number {
        row.try_get::<Option<f64>, _>(2)?.map(Code::Number)
    } else {
        row.try_get::<Option<i64>, _>(2)?.map(Code::Count)
    };
    Ok(Sample {
        at: Stamp::from_micros(row.try_get(0)?),
        channel: ChannelId(row.try_get(1)?),
        code,
        value: row.try_get(3)?,
        quality: quality_of(row.try_get(4)?),
    })
}

/// Flags as stored. Those of a later version than ours are kept as they are, not dropped.
pub(crate) fn quality_of(flags: i64) -> Quality {
    Quality::from_bits_retain(u32::try_from(flags).unwrap_or(u32::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

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
