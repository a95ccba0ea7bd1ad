//! The wide layout: a record per step of a grid, the cells of each channel, then its quality.

use zonda_model::Stamp;

use super::Form;
use super::cells::{Record, write_head};
use super::moment::Moment;
use crate::grid::{Cells, Row, Tally};
use crate::table::{Column, Title, grid_titles};

/// Writes `time,elapsed [s]`, then the cells of each channel, then `name quality` per channel.
#[derive(Debug)]
pub struct Wide {
    form: Form,
    moment: Moment,
    cells: Cells,
    columns: Vec<Column>,
}

impl Wide {
    /// A writer for these channels.
    pub fn new(columns: &[Column], form: &Form, cells: Cells) -> Self {
        Self {
            form: form.clone(),
            moment: Moment::new(&form.zone),
            cells,
            columns: columns.to_vec(),
        }
    }

    /// Its columns.
    pub fn titles(&self) -> Vec<Title> {
        let mut titles = self.moment.titles("time");
        titles.extend(grid_titles(&self.columns, self.cells));
        titles
    }

    /// Appends the heading.
    pub fn head(&self, out: &mut Vec<u8>) {
        write_head(&self.titles(), self.form.dialect, out);
    }

    /// Appends one step, whose true UTC is `utc`.
    pub fn row(&mut self, utc: Stamp, row: &Row<'_>, out: &mut Vec<u8>) {
        let mut record = Record::new(out, self.form.dialect);
        self.moment.cells(utc, &mut record);
        record.number(row.elapsed_s);
        for tally in row.tallies {
            write_tally(tally, self.cells, &mut record);
        }
        for column in 0..row.tallies.len() {
            record.text(&row.words(column));
        }
        record.end();
    }
}

fn write_tally(tally: &Tally, cells: Cells, record: &mut Record<'_>) {
    // What is not a number is an empty cell.
    record.number(tally.value().unwrap_or(f64::NAN));
    if cells == Cells::Summary {
        let (least, most) = tally.extremes().unwrap_or((f64::NAN, f64::NAN));
        record.number(least);
        record.number(most);
        record.integer(i64::from(tally.count()));
    }
}
