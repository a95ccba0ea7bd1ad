//! The long layout: a row per sample.

use std::sync::Arc;

use arrow_array::builder::{Float64Builder, Int32Builder, TimestampMicrosecondBuilder};
use arrow_array::types::Int32Type;
use arrow_array::{ArrayRef, DictionaryArray, Int32Array, StringArray};
use zonda_model::{Code, Quality, Sample, Stamp};

use super::file::{File, times};
use crate::rows::{BadRow, Rows};
use crate::table::{Column, Holds, Title, sample_titles};

/// Rows of the group under way, and the file.
#[derive(Debug)]
pub(crate) struct Long {
    columns: Vec<Column>,
    words: Words,
    file: File,
    rows: usize,
    time: TimestampMicrosecondBuilder,
    /// Of each row, which column; it leads to the words that a channel's rows have in common.
    channel: Int32Builder,
    value: Float64Builder,
    quality: Int32Builder,
    qualities: Qualities,
    code: Float64Builder,
}

/// What stands in every row of a channel, by column.
#[derive(Debug)]
struct Words {
    name: ArrayRef,
    unit: ArrayRef,
    basis: ArrayRef,
}

/// The qualities that came so far. They are few, and seldom change from one sample to the next.
#[derive(Debug, Default)]
struct Qualities {
    known: Vec<Quality>,
    last: usize,
}

impl Qualities {
    fn place(&mut self, quality: Quality) -> usize {
        if self.known.get(self.last) != Some(&quality) {
            let found = self.known.iter().position(|known| *known == quality);
            self.last = found.unwrap_or(self.known.len());
            if found.is_none() {
                self.known.push(quality);
            }
        }
        self.last
    }

    fn words(&self) -> ArrayRef {
        let words = self.known.iter().map(|quality| Some(quality.to_string()));
        Arc::new(words.collect::<StringArray>())
    }
}

impl Long {
    pub(crate) fn new(columns: &[Column]) -> Self {
        let words = |word: fn(&Column) -> Option<&str>| -> ArrayRef {
            Arc::new(columns.iter().map(word).collect::<StringArray>())
        };
        Self {
            words: Words {
                name: words(|column| Some(column.name.as_str())),
                unit: words(|column| Some(column.unit.symbol())),
                basis: words(|column| column.basis.as_deref()),
            },
            columns: columns.to_vec(),
            file: File::new(&titles()),
            rows: 0,
            time: times(0),
            channel: Int32Builder::new(),
            value: Float64Builder::new(),
            quality: Int32Builder::new(),
            qualities: Qualities::default(),
            code: Float64Builder::new(),
        }
    }

    fn group(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.rows = 0;
        let channel = self.channel.finish();
        let columns: Vec<ArrayRef> = vec![
            Arc::new(self.time.finish()),
            said(&channel, &self.words.name)?,
            Arc::new(self.value.finish()),
            said(&channel, &self.words.unit)?,
            said(&self.quality.finish(), &self.qualities.words())?,
            Arc::new(self.code.finish()),
            said(&channel, &self.words.basis)?,
        ];
        self.file.group(columns, out)
    }
}

/// A column of words, each said once and pointed at.
fn said(keys: &Int32Array, words: &ArrayRef) -> Result<ArrayRef, BadRow> {
    let array = DictionaryArray::<Int32Type>::try_new(keys.clone(), Arc::clone(words));
    Ok(Arc::new(array.map_err(|error| BadRow(error.to_string()))?))
}

/// A place in a list that is short.
fn key(place: usize) -> i32 {
    i32::try_from(place).unwrap_or(i32::MAX)
}

fn titles() -> Vec<Title> {
    let mut titles = vec![Title::new("time", Holds::Utc)];
    titles.extend(sample_titles());
    titles
}

impl Rows<Sample<usize>> for Long {
    fn titles(&self) -> Vec<Title> {
        titles()
    }

    fn head(&mut self, _out: &mut Vec<u8>) {}

    fn row(&mut self, utc: Stamp, sample: &Sample<usize>, out: &mut Vec<u8>) -> Result<(), BadRow> {
        let column = &self.columns[sample.channel];
        self.time.append_value(utc.micros());
        self.channel.append_value(key(sample.channel));
        self.value
            .append_option(sample.value.map(|value| column.unit.from_si(value)));
        self.quality
            .append_value(key(self.qualities.place(sample.quality)));
        self.code.append_option(sample.code.map(number));
        self.rows += 1;
        if self.file.is_group(self.rows) {
            self.group(out)?;
        }
        Ok(())
    }

    fn end(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        if self.rows > 0 {
            self.group(out)?;
        }
        self.file.end(out)
    }
}

/// A code as a column of numbers holds it.
#[expect(
    clippy::cast_precision_loss,
    reason = "no converter has more than 53 bits"
)]
const fn number(code: Code) -> f64 {
    match code {
        Code::Count(count) => count as f64,
        Code::Number(number) => number,
    }
}
