//! A history as bytes: a JSON head, then columns of little-endian floats that a page takes as they are.
//!
//! `u32 LE` length of the head; the head, padded with blanks so that the columns begin on a multiple
//! of four; all means, all lows, all highs, channel after channel; then all marks, a byte each. NaN
//! stands for no number. Times are not sent: bucket `k` begins at `t0 + k · dt`.

use serde::Serialize;
use serde_json::{Map, Value, json};

use crate::stream::Mark;

/// One channel's buckets.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Column {
    /// The channel.
    pub(super) name: String,
    /// Mean of each bucket, SI; NaN for none.
    pub(super) mean: Vec<f32>,
    /// Lowest.
    pub(super) lo: Vec<f32>,
    /// Highest.
    pub(super) hi: Vec<f32>,
    /// What each is worth.
    pub(super) marks: Vec<Mark>,
}

/// A history over a uniform grid.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Table {
    /// Where the first bucket begins, ms since 1970 UTC.
    pub(super) t0: i64,
    /// The length of a bucket, ms.
    pub(super) dt: i64,
    /// How many.
    pub(super) n: usize,
    /// The channels.
    pub(super) columns: Vec<Column>,
}

#[derive(Serialize)]
struct Head<'a> {
    v: u8,
    t0: i64,
    dt: i64,
    n: usize,
    ch: Vec<&'a str>,
    cols: [&'static str; 4],
}

impl Table {
    /// As bytes.
    pub(super) fn pack(&self) -> Vec<u8> {
        let head = Head {
            v: 1,
            t0: self.t0,
            dt: self.dt,
            n: self.n,
            ch: self
                .columns
                .iter()
                .map(|column| column.name.as_str())
                .collect(),
            cols: ["mean:f32", "lo:f32", "hi:f32", "q:u8"],
        };
        // A struct of numbers and texts can always be written.
        let mut head = serde_json::to_vec(&head).unwrap_or_default();
        head.resize((head.len() + 4).next_multiple_of(4) - 4, b' ');
        let cells = self.n * self.columns.len();
        let mut bytes = Vec::with_capacity(4 + head.len() + 13 * cells);
        bytes.extend_from_slice(&u32::try_from(head.len()).unwrap_or(0).to_le_bytes());
        bytes.extend_from_slice(&head);
        let numbers: [fn(&Column) -> &Vec<f32>; 3] = [|it| &it.mean, |it| &it.lo, |it| &it.hi];
        for of in numbers {
            let numbers = self.columns.iter().flat_map(of);
            bytes.extend(numbers.flat_map(|number| number.to_le_bytes()));
        }
        let marks = self.columns.iter().flat_map(|column| &column.marks);
        bytes.extend(marks.map(|mark| mark.index()));
        bytes
    }

    /// As JSON, for people: the same numbers, `null` for none, marks as digits.
    pub(super) fn json(&self) -> Value {
        let numbers = |column: &[f32]| -> Value {
            column
                .iter()
                .map(|number| number.is_finite().then_some(*number))
                .collect()
        };
        let columns = self.columns.iter().map(|column| {
            let marks: String = column.marks.iter().map(|mark| mark.digit()).collect();
            let value = json!({
                "mean": numbers(&column.mean), "lo": numbers(&column.lo), "hi": numbers(&column.hi), "q": marks,
            });
            (column.name.clone(), value)
        });
        let columns: Map<_, _> = columns.collect();
        json!({ "v": 1, "t0": self.t0, "dt": self.dt, "n": self.n, "quality": Mark::ALL.map(Mark::word), "cols": columns })
    }
}

/// Rounds numbers to the power of two at or below a tenth of `resolution`: less than an eye could
/// see, and the zeros at their ends compress to a third of the bytes.
pub(super) fn rounded(value: Option<f64>, resolution: Option<f64>) -> f32 {
    let Some(value) = value else { return f32::NAN };
    let step = resolution.map(|it| (it / 10.0).log2().floor().exp2());
    let value = match step {
        Some(step) if step.is_normal() => (value / step).round() * step,
        _ => value,
    };
    crate::stream::shown(value).unwrap_or(f32::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn table(values: &[Vec<Option<f32>>]) -> Table {
        let column = |(index, values): (usize, &Vec<Option<f32>>)| {
            let numbers: Vec<_> = values
                .iter()
                .map(|value| value.unwrap_or(f32::NAN))
                .collect();
            Column {
                name: format!("Zone-{index}.temperature-{}", "x".repeat(index)),
                mean: numbers.clone(),
                lo: numbers.iter().map(|value| value - 1.0).collect(),
                hi: numbers.iter().map(|value| value + 1.0).collect(),
                marks: values
                    .iter()
                    .map(|value| {
                        if value.is_some() {
                            Mark::Under
                        } else {
                            Mark::None
                        }
                    })
                    .collect(),
            }
        };
        Table {
            t0: 1_764_036_600_000,
            dt: 10_000,
            n: values.first().map_or(0, Vec::len),
            columns: values.iter().enumerate().map(column).collect(),
        }
    }

    /// Reads the bytes as the page does, by the description above and nothing else.
    fn unpack(bytes: &[u8]) -> (Value, Vec<f32>, Vec<u8>) {
        let length = u32::from_le_bytes(bytes[..4].try_into().unwrap()) as usize;
        let head: Value = serde_json::from_slice(&bytes[4..4 + length]).unwrap();
        let cells = usize::try_from(head["n"].as_u64().unwrap()).unwrap()
            * head["ch"].as_array().unwrap().len();
        let (floats, marks) = bytes[4 + length..].split_at(12 * cells);
        assert_eq!((4 + length) % 4, 0, "columns begin on a multiple of four");
        assert_eq!(marks.len(), cells);
        let floats = floats
            .chunks(4)
            .map(|it| f32::from_le_bytes(it.try_into().unwrap()));
        (head, floats.collect(), marks.to_vec())
    }

    proptest! {
        #[test]
        fn bytes_and_json_tell_the_same(values in (0usize..5, 0usize..7).prop_flat_map(|(channels, n)| {
            prop::collection::vec(prop::collection::vec(prop::option::of(-1e3f32..1e3), n), channels)
        })) {
            let table = table(&values);
            let (head, floats, marks) = unpack(&table.pack());
            let json = table.json();
            for key in ["v", "t0", "dt", "n"] {
                prop_assert_eq!(&head[key], &json[key]);
            }
            let mut floats = floats.into_iter();
            for column in ["mean", "lo", "hi"] {
                for name in head["ch"].as_array().unwrap() {
                    for cell in json["cols"][name.as_str().unwrap()][column].as_array().unwrap() {
                        let packed = floats.next().unwrap();
                        let packed = if packed.is_nan() { Value::Null } else { json!(packed) };
                        prop_assert_eq!(&packed, cell);
                    }
                }
            }
            let digits: String = head["ch"].as_array().unwrap().iter().map(|name| json["cols"][name.as_str().unwrap()]["q"].as_str().unwrap()).collect();
            prop_assert_eq!(marks.iter().map(ToString::to_string).collect::<String>(), digits);
        }

        #[test]
        fn rounding_moves_a_number_by_less_than_a_tenth_of_a_count(value in -1e3f64..1e3, resolution in 1e-3f64..10.0) {
            let rounded = f64::from(rounded(Some(value), Some(resolution)));
            prop_assert!((rounded - value).abs() <= resolution / 10.0);
        }
    }

    #[test]
    fn a_number_of_unknown_resolution_is_not_rounded() {
        assert_eq!(rounded(Some(0.1), None).to_bits(), 0.1_f32.to_bits());
        assert!(rounded(None, Some(1.0)).is_nan());
    }
}
