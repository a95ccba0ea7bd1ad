//! The gaps layout: a row per stretch of missing time.

use std::sync::Arc;

use arrow_array::ArrayRef;
use arrow_array::builder::{Int64Builder, StringBuilder, TimestampMicrosecondBuilder};
use zonda_model::Stamp;

use super::file::{File, times};
use crate::csv::GapRow;
use crate::rows::{BadRow, Rows};
use crate::table::{Holds, Title, gap_titles};

/// Rows of the group under way, and the file.
#[derive(Debug)]
pub(crate) struct Gaps {
    file: File,
    rows: usize,
    channel: StringBuilder,
    from: TimestampMicrosecondBuilder,
    to: TimestampMicrosecondBuilder,
    cause: StringBuilder,
    missed: Int64Builder,
    detail: StringBuilder,
}

impl Gaps {
    pub(crate) fn new() -> Self {
        Self {
            file: File::new(&titles()),
            rows: 0,
            channel: StringBuilder::new(),
            from: times(0),
            to: times(0),
            cause: StringBuilder::new(),
            missed: Int64Builder::new(),
            detail: StringBuilder::new(),
        }
    }

    fn group(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.rows = 0;
        let columns: Vec<ArrayRef> = vec![
            Arc::new(self.channel.finish()),
            Arc::new(self.from.finish()),
            Arc::new(self.to.finish()),
            Arc::new(self.cause.finish()),
            Arc::new(self.missed.finish()),
            Arc::new(self.detail.finish()),
        ];
        self.file.group(columns, out)
    }
}

fn titles() -> Vec<Title> {
    let mut titles = vec![
        Title::new("channel", Holds::Text),
        Title::new("from", Holds::Utc),
        Title::new("to", Holds::Utc),
    ];
    titles.extend(gap_titles());
    titles
}

impl Rows<GapRow<'_>> for Gaps {
    fn titles(&self) -> Vec<Title> {
        titles()
    }

    fn head(&mut self, _out: &mut Vec<u8>) {}

    fn row(&mut self, _utc: Stamp, gap: &GapRow<'_>, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.channel.append_value(gap.channel);
        self.from.append_value(gap.from.micros());
        self.to.append_option(gap.to.map(Stamp::micros));
        self.cause.append_value(gap.cause.word());
        self.missed
            .append_value(i64::try_from(gap.missed).unwrap_or(i64::MAX));
        self.detail.append_value(gap.detail);
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
