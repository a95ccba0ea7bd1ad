//! The long layout: a row per sample.

use std::sync::Arc;

use arrow_array::ArrayRef;
use arrow_array::builder::{Float64Builder, StringBuilder, TimestampMicrosecondBuilder};
use zonda_model::{Code, Sample, Stamp};

use super::file::{File, times};
use crate::rows::{BadRow, Rows};
use crate::table::{Column, Holds, Title, sample_titles};

/// Rows of the group under way, and the file.
#[derive(Debug)]
pub(crate) struct Long {
    columns: Vec<Column>,
    file: File,
    rows: usize,
    time: TimestampMicrosecondBuilder,
    channel: StringBuilder,
    value: Float64Builder,
    unit: StringBuilder,
    quality: StringBuilder,
    code: Float64Builder,
    basis: StringBuilder,
}

impl Long {
    pub(crate) fn new(columns: &[Column]) -> Self {
        Self {
            columns: columns.to_vec(),
            file: File::new(&titles()),
            rows: 0,
            time: times(0),
            channel: StringBuilder::new(),
            value: Float64Builder::new(),
            unit: StringBuilder::new(),
            quality: StringBuilder::new(),
            code: Float64Builder::new(),
            basis: StringBuilder::new(),
        }
    }

    fn group(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.rows = 0;
        let columns: Vec<ArrayRef> = vec![
            Arc::new(self.time.finish()),
            Arc::new(self.channel.finish()),
            Arc::new(self.value.finish()),
            Arc::new(self.unit.finish()),
            Arc::new(self.quality.finish()),
            Arc::new(self.code.finish()),
            Arc::new(self.basis.finish()),
        ];
        self.file.group(columns, out)
    }
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
        self.channel.append_value(column.name.as_str());
        self.value
            .append_option(sample.value.map(|value| column.unit.from_si(value)));
        self.unit.append_value(column.unit.symbol());
        self.quality.append_value(sample.quality.to_string());
        self.code.append_option(sample.code.map(number));
        self.basis.append_option(column.basis.as_deref());
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
