//! What writes rows: one for each layout and file format.

use std::fmt;
use std::fs::File;

use zonda_model::{Sample, Stamp};

use crate::csv::{self, GapRow};
use crate::grid::Row;
use crate::table::Title;

/// Writes rows of one layout in one format into a buffer.
pub(crate) trait Rows<R: ?Sized>: fmt::Debug + Send {
    /// The columns, in their order.
    fn titles(&self) -> Vec<Title>;

    /// Appends what stands before the first row.
    fn head(&mut self, out: &mut Vec<u8>);

    /// Takes a row whose true UTC is `utc`; it may be appended later, with others.
    fn row(&mut self, utc: Stamp, row: &R, out: &mut Vec<u8>) -> Result<(), BadRow>;

    /// Appends what is not appended yet, and what stands after the last row.
    fn end(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow>;

    /// What comes after all that, where it is too much for a buffer: asked for once, after the end.
    fn tail(&mut self) -> Option<File> {
        None
    }
}

/// The format does not take a row.
#[derive(Debug, thiserror::Error)]
#[error("a row cannot be encoded: {0}")]
pub struct BadRow(pub(crate) String);

impl Rows<Sample<usize>> for csv::Long {
    fn titles(&self) -> Vec<Title> {
        self.titles()
    }

    fn head(&mut self, out: &mut Vec<u8>) {
        csv::Long::head(self, out);
    }

    fn row(&mut self, utc: Stamp, row: &Sample<usize>, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.sample(utc, row, out);
        Ok(())
    }

    fn end(&mut self, _out: &mut Vec<u8>) -> Result<(), BadRow> {
        Ok(())
    }
}

impl Rows<Row<'_>> for csv::Wide {
    fn titles(&self) -> Vec<Title> {
        self.titles()
    }

    fn head(&mut self, out: &mut Vec<u8>) {
        csv::Wide::head(self, out);
    }

    fn row(&mut self, utc: Stamp, row: &Row<'_>, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.row(utc, row, out);
        Ok(())
    }

    fn end(&mut self, _out: &mut Vec<u8>) -> Result<(), BadRow> {
        Ok(())
    }
}

impl Rows<GapRow<'_>> for csv::Gaps {
    fn titles(&self) -> Vec<Title> {
        self.titles()
    }

    fn head(&mut self, out: &mut Vec<u8>) {
        csv::Gaps::head(self, out);
    }

    fn row(&mut self, _utc: Stamp, row: &GapRow<'_>, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.gap(row, out);
        Ok(())
    }

    fn end(&mut self, _out: &mut Vec<u8>) -> Result<(), BadRow> {
        Ok(())
    }
}
