//! The long layout: a record per sample, with everything that the record knows about it.

use zonda_model::{Code, Quality, Sample, Stamp};

use super::Form;
use super::cells::{Record, text_cell, write_head};
use super::moment::Moment;
use crate::table::{Column, Title, sample_titles};

/// Writes `time,channel,value,unit,quality,code,basis`.
#[derive(Debug)]
pub struct Long {
    form: Form,
    moment: Moment,
    columns: Vec<Prepared>,
}

/// A channel's cells that stay the same from sample to sample.
#[derive(Debug)]
struct Prepared {
    column: Column,
    name: Vec<u8>,
    unit: Vec<u8>,
    quality: (Quality, Vec<u8>),
    basis: Vec<u8>,
}

impl Long {
    /// A writer for these channels; samples name them by index.
    pub fn new(columns: &[Column], form: &Form) -> Self {
        Self {
            form: form.clone(),
            moment: Moment::new(&form.zone),
            columns: columns
                .iter()
                .map(|column| Prepared::new(column, form))
                .collect(),
        }
    }

    /// Its columns.
    pub fn titles(&self) -> Vec<Title> {
        let mut titles = self.moment.titles("time");
        titles.extend(sample_titles());
        titles
    }

    /// Appends the heading.
    pub fn head(&self, out: &mut Vec<u8>) {
        write_head(&self.titles(), self.form.dialect, out);
    }

    /// Appends one sample, whose true UTC is `utc`.
    pub fn sample(&mut self, utc: Stamp, sample: &Sample<usize>, out: &mut Vec<u8>) {
        let column = &mut self.columns[sample.channel];
        let mut record = Record::new(out, self.form.dialect);
        self.moment.cells(utc, &mut record);
        record.ready(&column.name);
        match sample.value {
            Some(value) => record.number(column.column.unit.from_si(value)),
            None => record.empty(),
        }
        record.ready(&column.unit);
        record.ready(column.quality(sample.quality, &self.form));
        match sample.code {
            Some(Code::Count(count)) => record.integer(count),
            Some(Code::Number(number)) => record.number(number),
            None => record.empty(),
        }
        record.ready(&column.basis);
        record.end();
    }
}

impl Prepared {
    fn new(column: &Column, form: &Form) -> Self {
        let cell = |text: &str| text_cell(text, form.dialect);
        Self {
            name: cell(column.name.as_str()),
            unit: cell(column.unit.symbol()),
            quality: (Quality::empty(), cell("good")),
            basis: cell(column.basis.as_deref().unwrap_or_default()),
            column: column.clone(),
        }
    }

    /// The words of the flags; they seldom change from one sample to the next.
    fn quality(&mut self, quality: Quality, form: &Form) -> &[u8] {
        if self.quality.0 != quality {
            self.quality = (quality, text_cell(&quality.to_string(), form.dialect));
        }
        &self.quality.1
    }
}
