//! The wide layout: a row per step of a grid.

use std::sync::Arc;

use arrow_array::ArrayRef;
use arrow_array::builder::{
    Float64Builder, Int64Builder, StringBuilder, TimestampMicrosecondBuilder,
};
use zonda_model::Stamp;

use super::file::{File, times};
use crate::grid::{Cells, Row};
use crate::rows::{BadRow, Rows};
use crate::table::{Column, Holds, Title, grid_titles};

/// Rows of the group under way, and the file.
#[derive(Debug)]
pub(crate) struct Wide {
    titles: Vec<Title>,
    file: File,
    cells: Cells,
    rows: usize,
    time: TimestampMicrosecondBuilder,
    elapsed: Float64Builder,
    channels: Vec<Channel>,
}

/// The cells of one channel.
#[derive(Debug, Default)]
struct Channel {
    value: Float64Builder,
    least: Float64Builder,
    most: Float64Builder,
    count: Int64Builder,
    quality: StringBuilder,
}

impl Wide {
    pub(crate) fn new(columns: &[Column], cells: Cells) -> Self {
        let mut titles = vec![Title::new("time", Holds::Utc)];
        titles.extend(grid_titles(columns, cells));
        Self {
            file: File::new(&titles),
            titles,
            cells,
            rows: 0,
            time: times(0),
            elapsed: Float64Builder::new(),
            channels: columns.iter().map(|_| Channel::default()).collect(),
        }
    }

    fn group(&mut self, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.rows = 0;
        let mut columns: Vec<ArrayRef> = vec![
            Arc::new(self.time.finish()),
            Arc::new(self.elapsed.finish()),
        ];
        for channel in &mut self.channels {
            columns.push(Arc::new(channel.value.finish()));
            if self.cells == Cells::Summary {
                columns.push(Arc::new(channel.least.finish()));
                columns.push(Arc::new(channel.most.finish()));
                columns.push(Arc::new(channel.count.finish()));
            }
        }
        for channel in &mut self.channels {
            columns.push(Arc::new(channel.quality.finish()));
        }
        self.file.group(columns, out)
    }
}

impl Rows<Row<'_>> for Wide {
    fn titles(&self) -> Vec<Title> {
        self.titles.clone()
    }

    fn head(&mut self, _out: &mut Vec<u8>) {}

    fn row(&mut self, utc: Stamp, row: &Row<'_>, out: &mut Vec<u8>) -> Result<(), BadRow> {
        self.time.append_value(utc.micros());
        self.elapsed.append_value(row.elapsed_s);
        for (index, (channel, tally)) in self.channels.iter_mut().zip(row.tallies).enumerate() {
            channel.value.append_option(tally.value());
            if self.cells == Cells::Summary {
                let extremes = tally.extremes();
                channel
                    .least
                    .append_option(extremes.map(|(least, _)| least));
                channel.most.append_option(extremes.map(|(_, most)| most));
                channel.count.append_value(i64::from(tally.count()));
            }
            let words = row.words(index);
            channel
                .quality
                .append_option((!words.is_empty()).then_some(words));
        }
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
