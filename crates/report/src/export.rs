//! Exports: a request, and the file that answers it, in chunks read from the store.
//!
//! The caller pulls. Between two chunks no read is open, so that a slow reader holds nothing up, and
//! memory stays bounded whatever the length of the stretch. An export that fails says so instead of
//! its next chunk; what was written until then must not pass for a whole file.

mod body;
mod columns;
mod cut_out;
mod error;
pub mod fit;
mod request;
mod source;

use std::fs::File;
use std::io::Read as _;

use zonda_model::Stamp;
use zonda_store::{ChannelRow, Readable, StoreError};

use self::body::Body;
pub(crate) use self::columns::basis_of;
use self::columns::{all_of, columns, fastest, pick};
pub use self::cut_out::cut_ask;
pub use self::error::ExportError;
pub use self::request::{Format, Layout, Request, Steps, Units, own_unit};
use self::source::{Source, recorded};
use crate::TrueUtc;
use crate::csv::{self, BOM};
use crate::origin;
use crate::rows::BadRow;
use crate::table::{Column, Title};

/// A chunk is handed out when it has this many bytes, or a page's worth.
const CHUNK: usize = 64 << 10;

/// What an export has written so far, to be compared with what the record holds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Count {
    /// Records after the heading.
    pub rows: u64,
    /// Samples in them.
    pub samples: u64,
}

/// An export under way.
#[derive(Debug)]
pub struct Export {
    source: Source,
    /// Stretches of the axis that are still to come, the next one last.
    stretches: Vec<(Stamp, Stamp)>,
    body: Body,
    text: Text,
    /// What comes after the rows.
    tail: Option<File>,
    is_done: bool,
}

/// What is written and not handed out yet, and the count of everything written.
#[derive(Debug, Default)]
struct Text {
    out: Vec<u8>,
    count: Count,
}

impl Export {
    /// Looks the channels up and writes the heading.
    ///
    /// # Errors
    /// [`ExportError`].
    pub async fn begin(record: &Readable, request: &Request) -> Result<Self, ExportError> {
        let (from, to) = request.range;
        if from >= to {
            return Err(ExportError::EmptyRange { from, to });
        }
        let utc = TrueUtc::new(record.clock().await?);
        let asked = match &request.run {
            Some(run) => vec![(run.stretch.from, run.stretch.to)],
            None => utc.stretches(from, to),
        };
        let mut stretches = recorded(record, asked).await?;
        let known = record.channels().await?;
        let wanted = match &request.channels {
            Some(names) => pick(&known, names)?,
            None => all_of(record, known.clone(), &stretches).await?,
        };
        let columns = columns(&wanted, &record.mappings().await?, request)?;
        let body = match &request.format {
            Format::Xlsx { zone } => {
                Body::workbook(record, request, (&columns, zone), fastest(&wanted)).await?
            }
            _ => Body::new(request, &columns, || fastest(&wanted)),
        };
        let origin = preamble(record, request, &wanted, &stretches).await?;
        let ids = wanted.iter().map(|row| row.id);
        stretches.reverse();
        let mut export = Self {
            source: Source {
                record: record.clone(),
                utc,
                places: ids.clone().zip(0..).collect(),
                keys: (wanted.len() < known.len()).then(|| ids.collect()),
                columns,
            },
            stretches,
            body,
            text: Text::default(),
            tail: None,
            is_done: false,
        };
        if let Format::Csv { mark: true, .. } = request.format {
            export.text.out.extend_from_slice(BOM);
        }
        csv::write_preamble(&origin, &mut export.text.out);
        export.body.head(&mut export.text.out);
        Ok(export)
    }

    /// The channels, in their order.
    pub fn columns(&self) -> &[Column] {
        &self.source.columns
    }

    /// The file's columns, in their order.
    pub fn titles(&self) -> Vec<Title> {
        self.body.titles()
    }

    /// What was written so far.
    pub const fn count(&self) -> Count {
        self.text.count
    }

    /// The next chunk, or `None` after the last.
    ///
    /// # Errors
    /// The record cannot be read; the file is then not whole.
    pub async fn next(&mut self) -> Result<Option<Vec<u8>>, ExportError> {
        while !self.is_done && self.text.out.len() < CHUNK {
            self.step().await?;
        }
        if self.is_done {
            self.read_tail()?;
        }
        let chunk = std::mem::replace(&mut self.text.out, Vec::with_capacity(CHUNK << 1));
        Ok((!chunk.is_empty()).then_some(chunk))
    }

    /// Writes a page's worth, or begins the next stretch.
    async fn step(&mut self) -> Result<(), ExportError> {
        let is_over = self.body.step(&self.source, &mut self.text).await?;
        if is_over {
            if let Some(range) = self.stretches.pop() {
                self.body.go_on(range);
            } else {
                self.is_done = true;
                self.body.end(&mut self.text.out)?;
                self.tail = self.body.tail();
            }
        }
        Ok(())
    }

    /// Goes on with what comes after the rows.
    fn read_tail(&mut self) -> Result<(), BadRow> {
        let Some(tail) = &mut self.tail else {
            return Ok(());
        };
        let room = u64::try_from(CHUNK).unwrap_or(u64::MAX);
        let read = tail.take(room).read_to_end(&mut self.text.out)?;
        if read == 0 {
            self.tail = None;
        }
        Ok(())
    }
}

/// Where the numbers come from, line by line, where that is asked for.
async fn preamble(
    record: &Readable,
    request: &Request,
    channels: &[ChannelRow],
    stretches: &[(Stamp, Stamp)],
) -> Result<Vec<String>, StoreError> {
    match request.format {
        Format::Csv { preamble: true, .. } => {
            origin::lines(record, request, channels, stretches).await
        }
        _ => Ok(Vec::new()),
    }
}
